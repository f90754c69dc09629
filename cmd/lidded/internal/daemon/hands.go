package daemon

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"strings"
	"time"

	"lidded/cmd/lidded/internal/config"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// handsOf returns who releases hold points of plans that leave it to a rule,
// nil for a person.
func handsOf(h config.Hands) engine.Hands {
	switch h.Rule {
	case "unattended":
		return unattended{}
	case "virtual":
		return virtualHands{h.Control}
	}
	return nil
}

// unattended releases every hold point at once: nothing needs moving, as when
// one closed box is measured night after night.
type unattended struct{}

func (unattended) Perform(ctx context.Context, _ sweep.Step) error { return ctx.Err() }

// virtualHands work the virtual bench through its control socket.
type virtualHands struct{ address string }

const handsTimeout = 5 * time.Second

func (h virtualHands) Perform(ctx context.Context, s sweep.Step) error {
	ctx, cancel := context.WithTimeout(ctx, handsTimeout)
	defer cancel()
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", h.address)
	if err != nil {
		return fmt.Errorf("virtual bench's control socket: %w", err)
	}
	defer conn.Close()
	if end, ok := ctx.Deadline(); ok {
		if err := conn.SetDeadline(end); err != nil {
			return err
		}
	}
	r := bufio.NewReader(conn)
	for _, cmd := range handsCommands(s) {
		if _, err := fmt.Fprintf(conn, "%s\n", cmd); err != nil {
			return fmt.Errorf("virtual bench: %s: %w", cmd, err)
		}
		reply, err := r.ReadString('\n')
		if err != nil {
			return fmt.Errorf("virtual bench: %s: %w", cmd, err)
		}
		if reply = strings.TrimSpace(reply); reply != "ok" && !strings.HasPrefix(reply, "ok ") {
			return fmt.Errorf("virtual bench: %s: %s", cmd, reply)
		}
	}
	return nil
}

// handsCommands is what an operator would do at a hold point: what an earlier
// one fitted comes off first.
func handsCommands(s sweep.Step) []string {
	return append(fittingCommands(s), placeCommands(s)...)
}

func fittingCommands(s sweep.Step) []string {
	terminate, load, pad := "off", "off", unit.DB(0)
	switch s.Fitting {
	case sweep.ReceiverTerminated:
		terminate = "on"
	case sweep.SourceLoaded:
		load = "on"
	case sweep.StepAttenuator:
		pad = s.Lower
	}
	return []string{"terminate " + terminate, "load " + load, fmt.Sprintf("pad %g", float64(pad))}
}

func placeCommands(s sweep.Step) []string {
	place := fmt.Sprintf("place %s %s", word(s.At.Position), word(string(s.At.Polarization)))
	switch {
	case s.Lid == sweep.LidOpens, s.At.Specimen == "":
		return []string{"open", place}
	case s.Lid == sweep.LidCloses:
		return []string{"open", place, "seal " + word(s.At.Specimen)}
	}
	return []string{"open", place, "link " + word(s.At.Specimen)}
}

// word keeps a name one word on the control socket.
func word(s string) string { return strings.ReplaceAll(s, " ", "_") }
