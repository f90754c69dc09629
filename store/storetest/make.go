package storetest

import (
	"encoding"
	"fmt"
	"math"
	"reflect"
	"testing"
	"time"

	"github.com/google/uuid"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// noon is when everything here happens unless it says otherwise. It has
// nanoseconds that must survive.
var noon = time.Date(2031, 5, 17, 12, 0, 0, 123456789, time.UTC)

// cycles is how often doors had been closed.
var cycles = int64(1250)

func newID() string { return uuid.Must(uuid.NewV7()).String() }

// aRun is a small run of two points and two specimens, pending.
func aRun(bench, plan string) sweep.Run {
	r := sweep.Run{
		ID:        sweep.RunID(newID()),
		Bench:     sweep.Bench{Name: bench, MaxLevel: 0, PathLoss: 40},
		Plan:      sweep.Plan{Name: plan, Capture: sweep.Linked, Positions: []string{"center"}, Polarizations: []sweep.Polarization{"vertical"}, Repeats: 1},
		Specimens: []sweep.Specimen{{Name: "locker-a"}, {Name: "locker-b"}},
		Operator:  "night shift",
		DoorCycle: &cycles,
		Trigger:   "cli",
		Software:  "test",
		Created:   noon,
		State:     sweep.Pending,
	}
	for i, f := range []unit.Hz{30e6, 100e6} {
		r.Plan.Points = append(r.Plan.Points, sweep.Point{Index: i, Band: "low", Freq: f, Level: -10, RBW: 1e3, Span: 20e3, Detector: driver.PositivePeak, Field: requirement.PlaneWave})
	}
	for i, k := range []sweep.StepKind{sweep.Ambient, sweep.Reference, sweep.Enclosed} {
		r.Steps = append(r.Steps, sweep.Step{Index: i, Kind: k, At: sweep.Setting{Position: "center", Polarization: "vertical", Repeat: 1}})
	}
	return r
}

// aCapture is a capture of the point with two looks of five levels, one of them
// missing.
func aCapture(run sweep.RunID, point int) sweep.Capture {
	level := unit.DBm(-10)
	c := sweep.Capture{
		ID: newID(), Run: run, Step: 1, Kind: sweep.Reference, Point: point, Freq: 30e6,
		At:          sweep.Setting{Position: "center", Polarization: "vertical", Repeat: 1},
		SourceFreq:  30e6,
		SourceLevel: &level,
		Settings:    driver.Settings{Center: 30e6, Span: 20e3, RBW: 1e3, Detector: driver.PositivePeak, Hold: driver.ClearWrite, Points: 5},
		Begun:       noon, Took: 80 * time.Millisecond,
	}
	for i := range 2 {
		c.Looks = append(c.Looks, sweep.Look{SourceOn: i == 0, Trace: driver.Trace{
			Start: 30e6 - 10e3, Stop: 30e6 + 10e3, Begun: noon.Add(time.Duration(i) * time.Millisecond), Took: 20 * time.Millisecond,
			Levels: []unit.DBm{-101.123, unit.Missing(), -55.5, -100.25, unit.DBm(math.Inf(-1))},
		}})
	}
	return c
}

// ARun is a small run of two points and two specimens, pending.
func ARun(bench, plan string) sweep.Run { return aRun(bench, plan) }

// ACapture is a capture of the point with two looks of five levels.
func ACapture(run sweep.RunID, point int) sweep.Capture { return aCapture(run, point) }

// enclosed turns a capture into one of a specimen.
func enclosed(c sweep.Capture, specimen string) sweep.Capture {
	c.Kind, c.Step, c.At.Specimen = sweep.Enclosed, 2, specimen
	return c
}

// created stores a run.
func created(t testing.TB, s Store, r sweep.Run) sweep.Run {
	t.Helper()
	must(t, s.Create(t.Context(), r))
	return r
}

// begun stores a run and lets it begin.
func begun(t testing.TB, s Store, r sweep.Run) sweep.Run {
	t.Helper()
	created(t, s, r)
	at := r.Created.Add(time.Second)
	r.Started = &at
	r.Analyzer = driver.Identity{Maker: "Alder", Model: "A1", Serial: "7", Firmware: "1.0", Raw: "Alder,A1,7,1.0"}
	r.Source = driver.Identity{Maker: "Birch", Model: "B1", Serial: "8", Firmware: "2.0", Raw: "Birch,B1,8,2.0"}
	must(t, s.Begin(t.Context(), r))
	must(t, s.Transition(t.Context(), r.ID, at, sweep.Running, "", ""))
	r.State = sweep.Running
	return r
}

// filler gives every field of a value a value of its own, so that a field that
// a store forgets is found, including one added to the domain later.
type filler struct{ n int }

// fill fills what v points to.
func (f *filler) fill(v any) { f.value(reflect.ValueOf(v).Elem()) }

func (f *filler) value(v reflect.Value) {
	f.n++
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(noon.Add(time.Duration(f.n) * 1001 * time.Microsecond)))
		return
	case time.Duration:
		v.SetInt(int64(f.n) * 1e6)
		return
	}
	if _, named := v.Interface().(encoding.TextMarshaler); named && v.CanInt() { // an enumeration
		v.SetInt(1)
		return
	}
	switch v.Kind() {
	case reflect.Bool:
		v.SetBool(true)
	case reflect.String:
		v.SetString(fmt.Sprintf("text %d, \"quoted\", ü\n", f.n))
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		v.SetInt(int64(f.n))
	case reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v.SetUint(1) // an enumeration
	case reflect.Float32, reflect.Float64:
		v.SetFloat(float64(f.n) + 0.1)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		f.value(v.Elem())
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range v.Len() {
			f.value(v.Index(i))
		}
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		for range 2 {
			k, e := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
			f.value(k)
			f.value(e)
			v.SetMapIndex(k, e)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				f.value(v.Field(i))
			}
		}
	case reflect.Interface:
		v.Set(reflect.ValueOf(map[string]any{"number": float64(f.n), "text": "x"}))
	default:
		panic(fmt.Sprintf("storetest cannot fill a %s", v.Type()))
	}
}
