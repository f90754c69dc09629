package instrument_test

import (
	"fmt"
	"testing"

	"lidded/driver"
	"lidded/driver/virtual"
)

// An identity that was garbled on its way is no other instrument: a run would
// end over it.
func TestGarbledIdentityIsNoOtherInstrument(t *testing.T) {
	for _, m := range media {
		for _, fault := range []virtual.Kind{virtual.FaultEcho, virtual.FaultGarbage, virtual.FaultTruncate} {
			t.Run(fmt.Sprint(m.name, "/", fault), func(t *testing.T) {
				t.Parallel()
				l := newLab(t, "modern-opc", "source-scpi", m.serial)
				a, err := l.analyzer(t.Context(), "analyzer-opc")
				check(t, err)
				defer a.Close()
				if fault == virtual.FaultEcho { // when it is first asked for, too
					check(t, l.bench.Fault(virtual.RoleSource, virtual.Fault{Kind: fault, Match: "*IDN?"}))
					if _, err := l.source(t.Context(), "source-scpi"); driver.KindOf(err) != driver.KindFraming {
						t.Errorf("an echo for a name: %v", err)
					}
				}
				src, err := l.source(t.Context(), "source-scpi")
				check(t, err)
				defer src.Close()
				for _, role := range []virtual.Role{virtual.RoleAnalyzer, virtual.RoleSource} {
					check(t, l.bench.Fault(role, virtual.Fault{Kind: fault, Match: "*IDN?"}))
				}
				check(t, a.Recover(t.Context()))
				check(t, src.Recover(t.Context()))
				if l.bench.Struck(virtual.RoleAnalyzer)[fault] != 1 || l.bench.Struck(virtual.RoleSource)[fault] == 0 {
					t.Error("the fault did not strike")
				}
			})
		}
	}
}
