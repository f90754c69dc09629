package drivertest_test

import (
	"bytes"
	"reflect"
	"testing"

	"lidded/driver/drivertest"
)

// FuzzReadTranscript: a transcript that is read survives its own text.
func FuzzReadTranscript(f *testing.F) {
	f.Add([]byte("# a source\n> \"*IDN?\\n\"\n< \"maker,type,1,2\\n\"\n< \"\\x00\\xff\"\n"))
	f.Add([]byte("> `raw`\n\n>\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		first, err := drivertest.ReadTranscript("f", bytes.NewReader(data))
		if err != nil {
			return
		}
		again, err := drivertest.ReadTranscript("f", bytes.NewReader(first.Text()))
		if err != nil || !reflect.DeepEqual(first, again) {
			t.Fatalf("%+v became %+v, %v", first, again, err)
		}
	})
}
