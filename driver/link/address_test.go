package link_test

import (
	"testing"

	"lidded/driver/link"
)

func TestParse(t *testing.T) {
	for in, want := range map[string]string{
		"tcp://127.0.0.1:5025":                                      "tcp://127.0.0.1:5025",
		"TCP://analyzer.lan:5025":                                   "tcp://analyzer.lan:5025",
		"tcp://[::1]:5025":                                          "tcp://[::1]:5025",
		"serial:///dev/ttyUSB0?baud=9600":                           "serial:///dev/ttyUSB0?baud=9600&data=8&parity=none&stop=1",
		"serial:///dev/ttyS0?baud=250000&data=7&parity=EVEN&stop=2": "serial:///dev/ttyS0?baud=250000&data=7&parity=even&stop=2",
		"serial:///dev/serial/by-id/usb-x-if00-port0?baud=115200":   "serial:///dev/serial/by-id/usb-x-if00-port0?baud=115200&data=8&parity=none&stop=1",
	} {
		a, err := link.Parse(in)
		if err != nil || a.String() != want {
			t.Errorf("Parse(%q) = %q, %v; want %q", in, a, err, want)
		}
		if again, err := link.Parse(a.String()); err != nil || again != a {
			t.Errorf("%q does not read back: %+v, %v", a, again, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for in, want := range map[string]string{
		"":                      `address "" has no scheme: want tcp://host:port or serial:///dev/...?baud=115200`,
		"127.0.0.1:5025":        `address "127.0.0.1:5025" has no scheme: want tcp://host:port or serial:///dev/...?baud=115200`,
		"udp://127.0.0.1:5025":  `address "udp://127.0.0.1:5025" has the unknown scheme "udp": want tcp://host:port or serial:///dev/...?baud=115200`,
		"tcp://analyzer":        `address "tcp://analyzer" has no port: write it behind the host, as in tcp://host:5025`,
		"tcp://":                `address "tcp://" has no port: write it behind the host, as in tcp://host:5025`,
		"tcp://:5025":           `address "tcp://:5025" has no host: want tcp://host:port`,
		"tcp://::1:5025":        `address "tcp://::1:5025" has a bare IPv6 host: write it in brackets, as in tcp://[::1]:5025`,
		"tcp://analyzer:":       `address "tcp://analyzer:" has the port "": want a number from 1 to 65535`,
		"tcp://analyzer:http":   `address "tcp://analyzer:http" has the port "http": want a number from 1 to 65535`,
		"tcp://analyzer:70000":  `address "tcp://analyzer:70000" has the port "70000": want a number from 1 to 65535`,
		"tcp://analyzer:5025/x": `address "tcp://analyzer:5025/x" has "/x" after the host: want tcp://host:port and nothing else`,

		"serial://dev/ttyUSB0?baud=9600":           `address "serial://dev/ttyUSB0?baud=9600" names no device file: write its full path after three slashes, as in serial:///dev/ttyUSB0?baud=115200`,
		"serial://":                                `address "serial://" names no device file: write its full path after three slashes, as in serial:///dev/ttyUSB0?baud=115200`,
		"serial:///dev/ttyUSB0":                    `address "serial:///dev/ttyUSB0" has no baud rate: add ?baud=115200 or what the instrument is set to`,
		"serial:///dev/ttyUSB0?baud=fast":          `address "serial:///dev/ttyUSB0?baud=fast" has baud="fast": want a number from 50 to 4000000`,
		"serial:///dev/ttyUSB0?baud=0":             `address "serial:///dev/ttyUSB0?baud=0" has baud="0": want a number from 50 to 4000000`,
		"serial:///dev/ttyUSB0?baud=9600&baud=1":   `address "serial:///dev/ttyUSB0?baud=9600&baud=1" gives baud more than once`,
		"serial:///dev/ttyUSB0?baud=9600&data=9":   `address "serial:///dev/ttyUSB0?baud=9600&data=9" has data="9": want 5, 6, 7 or 8`,
		"serial:///dev/ttyUSB0?baud=9600&stop=1.5": `address "serial:///dev/ttyUSB0?baud=9600&stop=1.5" has stop="1.5": want 1 or 2`,
		"serial:///dev/ttyUSB0?baud=9600&parity=N": `address "serial:///dev/ttyUSB0?baud=9600&parity=N" has parity="N": want none, odd, even, mark or space`,
		"serial:///dev/ttyUSB0?baud=9600&speed=1":  `address "serial:///dev/ttyUSB0?baud=9600&speed=1" has the unknown setting "speed": want baud, data, parity or stop`,
		"serial:///dev/ttyUSB0?baud=9600;data=8":   `address "serial:///dev/ttyUSB0?baud=9600;data=8" has a malformed setting: invalid semicolon separator in query`,
	} {
		if a, err := link.Parse(in); err == nil || err.Error() != want {
			t.Errorf("Parse(%q) = %q, %v\nwant %s", in, a, err, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"tcp://127.0.0.1:5025", "serial:///dev/ttyUSB0?baud=9600&data=7", "tcp://[::1]:1", "serial://?", "://"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		a, err := link.Parse(s)
		if err != nil {
			return
		}
		if again, err := link.Parse(a.String()); err != nil || again != a {
			t.Fatalf("Parse(%q) = %+v reads back as %+v, %v", s, a, again, err)
		}
	})
}
