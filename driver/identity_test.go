package driver_test

import (
	"strings"
	"testing"

	"lidded/driver"
)

func TestParseIdentity(t *testing.T) {
	for in, want := range map[string]driver.Identity{
		"Weir,Listener 3,A0042,1.07":     {Maker: "Weir", Model: "Listener 3", Serial: "A0042", Firmware: "1.07", Raw: "Weir,Listener 3,A0042,1.07"},
		" \"Weir, Listener ,0,0\"\r\n":   {Maker: "Weir", Model: "Listener", Serial: "0", Firmware: "0", Raw: "Weir, Listener ,0,0"},
		"Weir,Listener,7,1.0,option B,C": {Maker: "Weir", Model: "Listener", Serial: "7", Firmware: "1.0,option B,C", Raw: "Weir,Listener,7,1.0,option B,C"},
		"Weir,Listener":                  {Maker: "Weir", Model: "Listener", Raw: "Weir,Listener"},
		"Pocket Listener v2":             {Model: "Pocket Listener v2", Raw: "Pocket Listener v2"},
		"Weir,5 \xb5V,1,2":               {Maker: "Weir", Model: "5 µV", Serial: "1", Firmware: "2", Raw: "Weir,5 µV,1,2"},
	} {
		if got, err := driver.ParseIdentity(in); err != nil || got != want {
			t.Errorf("ParseIdentity(%q) = %+v, %v; want %+v", in, got, err, want)
		}
	}
	for in, want := range map[string]string{
		"":                "identity is empty",
		"\r\n":            "identity is empty",
		"1":               `identity "1" is a number, not a name: the answer to another query?`,
		"-8.75E+01,-9E+1": `identity "-8.75E+01,-9E+1" is a number, not a name: the answer to another query?`,
		"We\x01ir,x":      `identity "We\x01ir,x" holds control characters: wrong baud rate or a binary reply?`,
		"\x81\x90zz":      `identity "\u0081\u0090zz" holds control characters: wrong baud rate or a binary reply?`,
	} {
		if got, err := driver.ParseIdentity(in); err == nil || err.Error() != want {
			t.Errorf("ParseIdentity(%q) = %+v, %v\nwant %s", in, got, err, want)
		}
	}
}

func TestIdentityString(t *testing.T) {
	for in, want := range map[string]string{
		"Weir,Listener 3,A0042,1.07": "Weir Listener 3, serial A0042, firmware 1.07",
		"Weir,Listener,0,0":          "Weir Listener",
		"Pocket":                     "Pocket",
	} {
		id, err := driver.ParseIdentity(in)
		if err != nil || id.String() != want {
			t.Errorf("%q reads as %q, %v; want %q", in, id, err, want)
		}
	}
}

func TestSameUnit(t *testing.T) {
	a, _ := driver.ParseIdentity("Weir,Listener,7,1.0")
	b, _ := driver.ParseIdentity("Weir,Listener,7,1.1")
	c, _ := driver.ParseIdentity("Weir,Listener,8,1.0")
	if !a.SameUnit(b) || a.SameUnit(c) {
		t.Error("only firmware may differ")
	}
}

func FuzzParseIdentity(f *testing.F) {
	for _, s := range []string{"Weir,Listener,7,1.0", "", "1", "a,b", "\xb5", "\"x", "\x00"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		id, err := driver.ParseIdentity(s)
		if err != nil {
			return
		}
		if id.Raw == "" || strings.ContainsAny(id.Raw, "\r\n") {
			t.Fatalf("ParseIdentity(%q) = %+v", s, id)
		}
		if again, err := driver.ParseIdentity(id.Raw); err != nil || again != id {
			t.Fatalf("%q reads back as %+v, %v; was %+v", id.Raw, again, err, id)
		}
	})
}
