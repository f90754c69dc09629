// Command lidded measures the shielding effectiveness of RF-shielded boxes: it
// keys a signal source over a frequency plan, reads an analyzer with and
// without the box, and says how many decibels the box takes off, at which
// frequencies, and how surely.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"lidded/cmd/lidded/internal/command"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := command.Run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}
