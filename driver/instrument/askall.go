package instrument

import (
	"context"
	"fmt"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/scpi"
)

// askAll asks several queries and returns their replies in order. An
// instrument that takes compound queries is asked with as few lines as its
// line length allows.
func (t *talker) askAll(ctx context.Context, cmds []dialect.Command) ([]string, error) {
	out := make([]string, 0, len(cmds))
	for len(cmds) > 0 {
		n, line := t.compound(cmds)
		c := cmds[0]
		c.Send = line
		reply, err := t.do(ctx, c)
		if err != nil {
			return nil, err
		}
		if n == 1 {
			out = append(out, string(reply))
		} else {
			parts := scpi.Split(reply, ';')
			if len(parts) != n {
				return nil, t.distrust("read back", c, driver.KindFraming, fmt.Errorf("%d replies to %d queries", len(parts), n), string(reply))
			}
			for _, p := range parts {
				out = append(out, string(p))
			}
		}
		cmds = cmds[n:]
	}
	return out, nil
}

// compound joins as many queries from the front as one line may hold.
func (t *talker) compound(cmds []dialect.Command) (int, string) {
	line := cmds[0].Send
	if !t.dialect.Link.Compound || !plainQuery(cmds[0]) {
		return 1, line
	}
	limit := t.opts.MaxLine
	if limit == 0 {
		limit = safeLine
	}
	n := 1
	for ; n < len(cmds) && plainQuery(cmds[n]); n++ {
		next := line + ";" + rooted(cmds[n].Send)
		if len(next)+len(t.opts.WriteEnd) > limit {
			break
		}
		line = next
	}
	return n, line
}

// safeLine is how many bytes a compound may have when the dialect states no
// limit (common practice, no source: input buffers of 256 bytes are usual).
const safeLine = 200

// plainQuery reports whether a query has nothing of its own that would be lost
// in a compound.
func plainQuery(c dialect.Command) bool {
	return c.Expect == dialect.Line && c.Match == nil && c.Timeout == 0 && c.Settle == 0
}
