package driver_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"lidded/driver"
)

func TestErrorMessage(t *testing.T) {
	for want, e := range map[string]*driver.Error{
		`analyzer: read line "*IDN?": timeout: no reply came (reply "par"); is it on?`: {
			Op: "read line", Instrument: "analyzer", Command: "*IDN?", Reply: "par",
			Kind: driver.KindTimeout, Hint: "is it on?", Err: errors.New("no reply came")},
		"unknown":                  {},
		`"*RST": closed`:           {Command: "*RST", Kind: driver.KindClosed},
		`read-back (reply "\xb5")`: {Kind: driver.KindReadback, Reply: "\xb5"},
	} {
		if got := e.Error(); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
	long := (&driver.Error{Kind: driver.KindFormat, Reply: strings.Repeat("-8.75E+01,", 10001)}).Error()
	if len(long) > 200 || !strings.Contains(long, "(100010 bytes)") {
		t.Errorf("a long reply gives %d bytes: %.200s", len(long), long)
	}
}

func TestKindOf(t *testing.T) {
	inner := &driver.Error{Kind: driver.KindTimeout, Err: io.EOF}
	outer := fmt.Errorf("point 3: %w", &driver.Error{Kind: driver.KindClosed, Err: inner})
	if k := driver.KindOf(outer); k != driver.KindClosed {
		t.Errorf("the outermost kind is %v", k)
	}
	if !errors.Is(outer, io.EOF) {
		t.Error("the cause is hidden")
	}
	for err, want := range map[error]driver.Kind{
		nil: driver.KindUnknown, io.EOF: driver.KindUnknown,
		context.Canceled: driver.KindCancelled, context.DeadlineExceeded: driver.KindTimeout,
	} {
		if k := driver.KindOf(err); k != want {
			t.Errorf("KindOf(%v) = %v, want %v", err, k, want)
		}
	}
	names := map[string]bool{}
	for k := driver.KindUnknown; k <= driver.KindPowerCycled; k++ {
		if names[k.String()] || k.String() == "" {
			t.Errorf("kind %d is called %q, like another", k, k)
		}
		names[k.String()] = true
	}
	if driver.Kind(-1).String() != "unknown" || driver.Kind(99).String() != "unknown" {
		t.Error("kinds out of range")
	}
}

func TestRetryable(t *testing.T) {
	for k, want := range map[driver.Kind]bool{
		driver.KindTimeout: true, driver.KindFraming: true, driver.KindClosed: true, driver.KindBusy: true,
		driver.KindRefused: true, driver.KindDeviceDesync: true, driver.KindPowerCycled: true, driver.KindFormat: true,
		driver.KindCancelled: false, driver.KindIdentity: false, driver.KindDeviceDialect: false,
		driver.KindDeviceSettings: false, driver.KindDeviceHardware: false, driver.KindReadback: false, driver.KindUnknown: false,
	} {
		if got := driver.Retryable(fmt.Errorf("x: %w", &driver.Error{Kind: k})); got != want {
			t.Errorf("Retryable(%v) = %t", k, got)
		}
	}
	if driver.Retryable(nil) || driver.Retryable(context.Canceled) {
		t.Error("nothing to retry")
	}
	// A link that an earlier cancellation closed can be dialled again.
	closed := &driver.Error{Kind: driver.KindClosed, Err: &driver.Error{Kind: driver.KindCancelled, Err: context.Canceled}}
	if !driver.Retryable(closed) {
		t.Error("a closed link")
	}
}

// Numbers and meanings: SCPI-99 vol. 2, 21.8 (from memory, check against your
// copy).
func TestKindOfCode(t *testing.T) {
	for code, want := range map[int]driver.Kind{
		0: driver.KindUnknown, -100: driver.KindDeviceDialect, -113: driver.KindDeviceDialect, -199: driver.KindDeviceDialect,
		-200: driver.KindDeviceOther, -213: driver.KindDeviceOther, -221: driver.KindDeviceSettings, -222: driver.KindDeviceSettings,
		-223: driver.KindDeviceOther, -224: driver.KindDeviceSettings, -230: driver.KindDeviceOther, -240: driver.KindDeviceHardware,
		-300: driver.KindDeviceHardware, -350: driver.KindDeviceHardware, -399: driver.KindDeviceHardware,
		-400: driver.KindDeviceOther, -410: driver.KindDeviceDesync, -420: driver.KindDeviceDesync, -430: driver.KindDeviceDesync,
		-440: driver.KindDeviceDesync, -500: driver.KindPowerCycled, 101: driver.KindDeviceOther, -99: driver.KindDeviceOther,
	} {
		if got := driver.KindOfCode(code); got != want {
			t.Errorf("KindOfCode(%d) = %v, want %v", code, got, want)
		}
	}
}
