package link

import (
	"bytes"
	"context"
	"errors"
	"time"

	"lidded/driver"
)

// ReadLineOrPrompt reads the next line of a reply that ends with the prompt
// instead of after a known number of lines; atPrompt is true when the prompt
// came, which then ends the reply. It is as ReadLine otherwise. Options.Prompt
// must be set.
func (c *Conn) ReadLineOrPrompt(ctx context.Context, timeout time.Duration) (line []byte, atPrompt bool, err error) {
	o, err := c.begin(ctx, "read line")
	if err != nil {
		return nil, false, err
	}
	defer o.end()
	prompt := []byte(c.opts.Prompt)
	if len(prompt) == 0 {
		return nil, false, o.refuse(driver.KindFormat, c.command(), errNoPrompt, "")
	}
	c.compact()
	wait, end := c.firstByte(timeout), c.opts.ReadEnd[0]
	for {
		c.dropEnd()
		if bytes.HasPrefix(c.unread(), prompt) {
			c.r += len(prompt)
			c.promptDue, c.optional = false, 0
			o.received(nil, 0)
			return nil, true, nil
		}
		if i := bytes.IndexByte(c.unread(), end); i >= 0 {
			line := c.buf[c.r : c.r+i]
			c.r += i + 1
			if end == '\r' {
				c.optional = optionalLF
			} else if n := len(line); n > 0 && line[n-1] == '\r' {
				line = line[:n-1]
			}
			o.received(line, len(line))
			return line, false, nil
		}
		if c.w-c.r > c.opts.MaxReply {
			return nil, false, o.fail(driver.KindFraming, errNoLineEnd, c.unread(), "")
		}
		if err := o.fill(wait, "neither a line nor the prompt came"); err != nil {
			return nil, false, err
		}
	}
}

var (
	errNoPrompt  = errors.New("no prompt is set for this link")
	errNoLineEnd = errors.New("no line end and no prompt in the longest reply allowed")
)
