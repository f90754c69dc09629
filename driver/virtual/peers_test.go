package virtual_test

import (
	"net"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"testing"

	"lidded/driver/virtual"
)

// Independent clients: lxi-tools over raw TCP.
func TestLXITools(t *testing.T) {
	lxi, err := exec.LookPath("lxi")
	if err != nil {
		t.Skip("lxi is not installed (Debian package lxi-tools)")
	}
	b := start(t, virtual.Config{TimeScale: virtual.Jump})
	for _, addr := range []string{b.AnalyzerAddr(), b.SourceAddr()} {
		_, port, err := net.SplitHostPort(addr)
		if err != nil {
			t.Fatal(err)
		}
		out, err := exec.CommandContext(t.Context(), lxi, "scpi", "-a", "127.0.0.1", "-p", port, "-r", "*IDN?").CombinedOutput()
		if err != nil || !strings.HasPrefix(string(out), "BENCH,VIRTUAL-") {
			t.Errorf("lxi scpi: %v: %s", err, out)
		}
	}
}

const visaScript = `
import sys, pyvisa
rm = pyvisa.ResourceManager("@py")
def open_(name):
    r = rm.open_resource(name)
    r.read_termination = "\n"
    r.write_termination = "\n"
    r.timeout = 10000
    return r
a, s = open_(sys.argv[1]), open_(sys.argv[2])
print(a.query("*IDN?"))
s.write("FREQ 300 MHZ;:POW 10 DBM;:OUTP ON")
assert s.query("OUTP?") == "1"
a.write("*RST;:INIT:CONT OFF;:FREQ:CENT 300 MHZ;SPAN 100 KHZ;:BAND 1 KHZ;:DET POS;:SWE:POIN 1001")
a.write("FORM REAL,32;:FORM:BORD NORM")
assert a.query("INIT;*OPC?") == "1"
v = a.query_binary_values("TRAC? TRACE1", datatype="f", is_big_endian=True)
print(len(v), round(max(v)), v.index(max(v)))
a.write("FORM ASC")
v = a.query_ascii_values("TRAC? TRACE1")
print(len(v), round(max(v)))
print(a.query("SYST:ERR?"))
a.close(); s.close()
`

// Independent clients: pyvisa-py over a TCP socket and over the serial line.
func TestPyVISA(t *testing.T) {
	const python = "/usr/bin/python3"
	has := func(modules string) bool { return exec.Command(python, "-c", "import "+modules).Run() == nil }
	if !has("pyvisa, pyvisa_py") {
		t.Skip("pyvisa-py is not installed for " + python + " (Debian packages python3-pyvisa, python3-pyvisa-py)")
	}
	file := t.TempDir() + "/visa.py"
	if err := os.WriteFile(file, []byte(visaScript), 0o600); err != nil {
		t.Fatal(err)
	}
	linux := runtime.GOOS == "linux"
	b := start(t, virtual.Config{TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{PTY: linux}, Source: virtual.InstrumentConfig{PTY: linux}})
	socket := func(addr string) string { return "TCPIP0::" + strings.Replace(addr, ":", "::", 1) + "::SOCKET" }
	lines := map[string][]string{"socket": {socket(b.AnalyzerAddr()), socket(b.SourceAddr())}}
	if linux {
		lines["serial"] = []string{"ASRL" + b.AnalyzerPTY() + "::INSTR", "ASRL" + b.SourcePTY() + "::INSTR"}
	}
	for name, resources := range lines {
		t.Run(name, func(t *testing.T) {
			if name == "serial" && !has("serial") {
				t.Skip("pyserial is not installed for " + python + " (Debian package python3-serial)")
			}
			out, err := exec.CommandContext(t.Context(), python, append([]string{file}, resources...)...).CombinedOutput()
			want := "BENCH,VIRTUAL-ANALYZER,A0001,1.0\n1001 -30 500\n1001 -30\n0,\"No error\"\n"
			if err != nil || string(out) != want {
				t.Errorf("%v:\n%s", err, out)
			}
		})
	}
}
