package dashboard_test

import (
	"testing"
	"time"

	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/driver/unit"
	"lidded/sweep"
)

// many is a plan of that many frequencies.
func many(name string, points int) sweep.PlanSpec {
	level := unit.DBm(0)
	return sweep.PlanSpec{Name: name, Requirement: "depot-spare-radio", Bands: []sweep.BandSpec{{Name: "all", From: 30e6, To: 1e9, Count: points, Level: &level, RBW: 10e3}}}
}

// measure begins to note long tasks and slow answers to keys and clicks.
func (b *browser) measure(t *testing.T) {
	t.Helper()
	ask[bool](t, b, `(() => {
		window.slow = { task: 0, tasks: 0, event: 0 };
		new PerformanceObserver((l) => l.getEntries().forEach((e) => { slow.tasks++; slow.task = Math.max(slow.task, e.duration); })).observe({ type: 'longtask', buffered: true });
		new PerformanceObserver((l) => l.getEntries().forEach((e) => { slow.event = Math.max(slow.event, e.duration); })).observe({ type: 'event', durationThreshold: 16, buffered: true });
		return true;
	})()`)
}

// figures logs what was measured; only what does not depend on the machine is
// checked by the tests.
func (b *browser) figures(t *testing.T, what string) {
	t.Helper()
	type figures struct {
		Paint, Task, Tasks, Event, Bytes, Requests, Elements float64
	}
	f := ask[figures](t, b, `(() => {
		const got = performance.getEntriesByType('resource').filter((e) => e.name.includes('/v1/'));
		return {
			Paint: performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? -1, Task: slow.task, Tasks: slow.tasks, Event: slow.event,
			Bytes: got.reduce((n, e) => n + e.decodedBodySize, 0), Requests: got.length, Elements: document.querySelectorAll('*').length,
		};
	})()`)
	if f.Paint <= 0 {
		t.Errorf("%s: nothing was painted", what)
	}
	t.Logf("%s: first paint %.0f ms, longest task %.0f ms of %.0f over 50 ms, slowest answer to a key or click %.0f ms, %.0f requests of %.0f kB, %.0f elements",
		what, f.Paint, f.Task, f.Tasks, f.Event, f.Requests, f.Bytes/1000, f.Elements)
}

// TestFiftyNights: 50 nights of 500 points over each other. They come in one
// answer, and what nobody has opened is not built.
func TestFiftyNights(t *testing.T) {
	const nights, points = 50, 500
	d := resttest.New()
	d.TracePoints = -1
	d.Add(many("wide", points))
	url := serve(t, d)
	b := open(t)
	for range nights {
		start(t, url, "wide", "locker-mesh")
		d.Finish("depot")
	}
	b.look(t, 390, false)
	b.visit(t, url, "result?nights=50")
	b.measure(t)
	b.until(t, `document.querySelector('#view-result .chart').dataset.series === '50' && document.querySelector('#view-result .chart').dataset.points === '500'`)
	ask[bool](t, b, `(document.querySelector('.walker input').focus(), true)`)
	b.keys(t, "ArrowRight", "ArrowRight", "ArrowRight")
	b.press(t, ".worst button")
	b.until(t, `document.querySelector('#point h3')`)
	b.figures(t, "50 nights of 500 points, result")
	if n := ask[int](t, b, `document.querySelectorAll('*').length`); n > 2000 {
		t.Errorf("%d elements though no table is open", n)
	}
	if n := ask[int](t, b, `performance.getEntriesByType('resource').filter((e) => e.name.includes('/results?limit=')).length`); n != 1 {
		t.Errorf("%d requests for the nights", n)
	}

	b.visit(t, url, "trend?box=locker-mesh")
	b.until(t, `document.querySelector('#view-trend .chart')?.dataset.points === '200'`)
	b.figures(t, "50 nights of 500 points, trend")
	b.quiet(t)
}

// TestFineTraces: traces of 10,001 points arrive as pictures of 1001, live and
// in a point's detail, within a second or so.
func TestFineTraces(t *testing.T) {
	d := resttest.New()
	d.TracePoints = 10001
	url := serve(t, d)
	b := open(t)
	b.look(t, 390, true)
	b.visit(t, url, "now")
	b.measure(t)
	start(t, url, "quick", "locker-steel")
	step(t, url, d)
	release(t, url)
	for point := range 2 {
		begun := time.Now()
		d.Advance("depot")
		b.until(t, `document.querySelector('.where').innerText.includes('point `+string(rune('2'+point))+` of 3')`)
		t.Logf("a picture shows %v after it happened", time.Since(begun).Round(time.Millisecond))
		b.until(t, `document.querySelector('.live .chart').dataset.point === '`+string(rune('0'+point))+`'`)
		t.Logf("its trace shows %v after it happened", time.Since(begun).Round(time.Millisecond))
	}
	b.until(t, `document.querySelector('.live .about').innerText.includes('10001 points')`)
	b.press(t, ".live summary")
	b.until(t, `document.querySelectorAll('.live tbody tr').length > 500`)
	if n := ask[int](t, b, `document.querySelectorAll('.live tbody tr').length`); n > 1001 {
		t.Errorf("%d levels of a live trace reached the page", n)
	}
	b.figures(t, "traces of 10,001 points, live")
	d.Finish("depot")
	b.visit(t, url, "result?point=1")
	b.until(t, `document.querySelector('#point canvas')`)
	b.figures(t, "traces of 10,001 points, in a point")
	b.quiet(t)
}
