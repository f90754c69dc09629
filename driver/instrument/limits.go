package instrument

import (
	"fmt"
	"math"

	"lidded/driver"
	"lidded/driver/dialect"
)

// stated turns "not stated" into the zero that stands for unknown.
func stated(v float64) float64 {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return 0
	}
	return v
}

// commands returns what sets a numeric item, refusing a value outside what the
// dialect or the instrument states.
func (t *talker) commands(s *dialect.Setting, v float64) ([]dialect.Command, float64, error) {
	l, q := t.limits[s.Item], s.Item.Quantity()
	cmds, sent, err := s.Number(v)
	zero := s.Item == dialect.Span && v == 0
	switch {
	case err != nil:
	case l == (limit{}): // not asked yet
	case v < l.min && !zero:
		err = fmt.Errorf("%s %s is below the %s the instrument states as its least", s.Item, q.Text(v), q.Text(l.min))
	case v > l.max:
		err = fmt.Errorf("%s %s is above the %s the instrument states as its most", s.Item, q.Text(v), q.Text(l.max))
	}
	if err != nil {
		return nil, 0, t.fail("set", "", driver.KindDeviceSettings, err, "", "")
	}
	return cmds, sent, nil
}
