package virtual_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"testing"

	"lidded/driver/virtual"
)

func TestSmoke(t *testing.T) {
	w, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	b, err := virtual.Start(context.Background(), virtual.Config{World: w, Seed: 1, TimeScale: 480})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	a := dial(t, b.AnalyzerAddr())
	s := dial(t, b.SourceAddr())
	fmt.Println(a("*IDN?"), s("*IDN?"))
	fmt.Println(s("FREQ 200 MHZ;:POW 0 DBM;:OUTP ON;*OPC?"))
	fmt.Println(a("*RST;:INIT:CONT OFF;:FREQ:CENT 200MHZ;SPAN 100kHz;:BAND 1 KHZ;:DET POS;:SWE:POIN 101;:SYST:ERR?"))
	fmt.Println(a("INIT;*OPC?"), a("CALC:MARK:MAX;X?;Y?"))
	fmt.Println(a("TRAC? TRACE1"))
	fmt.Println(a("SYST:ERR?"), b.Nominal(), b.Status())
}

func dial(t *testing.T, addr string) func(string) string {
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	r := bufio.NewReader(c)
	return func(q string) string {
		fmt.Fprintf(c, "%s\n", q)
		l, err := r.ReadString('\n')
		if err != nil {
			return err.Error()
		}
		return l[:len(l)-1]
	}
}
