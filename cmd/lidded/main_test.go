package main

import (
	"os"
	"testing"

	"lidded/cmd/lidded/internal/command"
	"lidded/store/lab/labtest"
)

// What the tests take from the commands, under short names.
var (
	run           = command.Run
	rootCommand   = command.Root
	newClient     = command.NewClient
	newRunID      = command.NewRunID
	notifyService = command.NotifyService
)

type (
	client      = command.Client
	ledgerEntry = command.LedgerEntry
)

const (
	exitOK     = command.ExitOK
	exitFailed = command.ExitFailed
	exitUsage  = command.ExitUsage
	envToken   = command.EnvToken
)

// asProgram in the environment makes the test binary be the program itself, for
// tests that need it as a process of its own.
const asProgram = "LIDDED_TEST_AS_PROGRAM"

// TestMain lets the test binary stand for the program: as a process started by
// a test, and as the guardian that a daemon under test starts.
func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" || len(os.Args) == 2 && os.Args[1] == command.GuardianName {
		main()
		return
	}
	labtest.Main(m)
}
