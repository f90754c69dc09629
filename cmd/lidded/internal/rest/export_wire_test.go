package rest

import (
	"lidded/sweep"
	"lidded/sweep/between"
	"lidded/sweep/uncertainty"
)

// What goes out on the wire, for tests.

func BudgetOf(r uncertainty.Result) *Budget           { return budgetOf(r) }
func ResultOf(r sweep.Result) Result                  { return resultOf(r) }
func WorstOf(w sweep.Worst) Worst                     { return worstOf(w) }
func SummaryOf(s sweep.Summary) Summary               { return summaryOf(s) }
func RungOf(r sweep.RungResult) Rung                  { return rungOf(r) }
func PointTakenOf(c sweep.CaptureRead) PointTaken     { return pointTakenOf(c) }
func LinearityOf(d sweep.Deviation) Linearity         { return linearityOf(d) }
func BenchPairOf(p between.Pair) BenchPair            { return benchPairOf(p) }
func BriefOf(r sweep.RunInfo, b sweep.Brief) RunBrief { return briefOf(r, b) }
