package engine

import (
	"time"

	"lidded/sweep"
)

// costs is what the points of a run should take by the plan's estimate.
type costs struct {
	plan  sweep.Plan
	bench sweep.Bench
	held  time.Duration                      // sealed: one whole sweep
	rungs map[sweep.StepKind][]time.Duration // adaptive: each point by kind of step
	total time.Duration
}

func newCosts(run sweep.Run) costs {
	k := costs{plan: run.Plan, bench: run.Bench}
	if k.plan.Capture == sweep.Sealed {
		s := sweep.HeldSweep(k.plan, k.bench)
		k.held = sweep.SweepLaw(k.bench.SweepFactor, s.Span, s.RBW)
	}
	if k.plan.Strategy == sweep.Adaptive {
		k.rungs = sweep.Predict(k.plan, k.bench, run.Line, run.Specimens).PointTimes
	}
	k.total = k.from(run, sweep.Checkpoint{})
	return k
}

// point is one point of a capturing step.
func (k costs) point(s sweep.Step, p sweep.Point) time.Duration {
	if s.Kind == sweep.HoldPoint {
		return 0
	}
	if times := k.rungs[s.Kind]; p.Index < len(times) {
		return times[p.Index]
	}
	_, whole := sweep.PointTime(k.plan, p, k.bench, s.Kind, k.held)
	return whole
}

// step is all points of a step.
func (k costs) step(s sweep.Step) time.Duration {
	var sum time.Duration
	for _, i := range s.Captures(k.plan) {
		sum += k.point(s, k.plan.Points[i])
	}
	return sum
}

// from is everything from a checkpoint on.
func (k costs) from(run sweep.Run, at sweep.Checkpoint) time.Duration {
	var sum time.Duration
	for i := at.Step; i < len(run.Steps); i++ {
		for _, j := range run.Steps[i].Captures(run.Plan) {
			if i == at.Step && j < at.Point {
				continue
			}
			sum += k.point(run.Steps[i], run.Plan.Points[j])
		}
	}
	return sum
}

// pace measures how the work really goes. The estimate counts as if a
// twentieth of the run had gone by it, so that the first points do not rule.
type pace struct {
	prior  time.Duration // of the estimate
	cost   time.Duration // of what was done, by the estimate
	took   time.Duration // what it took
	ahead  time.Duration // what is to be committed, by the estimate
	inHand time.Duration // of that, what is done but not committed
}

func newPace(k costs, ahead time.Duration) pace {
	return pace{prior: max(k.total/20, time.Second), ahead: ahead}
}

// committed counts work that is done for good.
func (p *pace) committed(cost, took time.Duration) {
	p.took += took
	p.cost += cost
	p.ahead -= cost
	p.inHand = 0
}

// planned is what the plan's estimate gives for the rest.
func (p *pace) planned() time.Duration { return max(p.ahead-p.inHand, 0) }

// left is the time the rest should take; hold points take none.
func (p *pace) left() time.Duration {
	ratio := float64(p.took+p.prior) / float64(p.cost+p.prior)
	return time.Duration(float64(p.planned()) * ratio)
}
