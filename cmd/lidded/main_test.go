package main

import (
	"os"
	"testing"

	"lidded/store/lab/labtest"
)

// asProgram in the environment makes the test binary be the program itself, for
// tests that need it as a process of its own.
const asProgram = "LIDDED_TEST_AS_PROGRAM"

// TestMain lets the test binary stand for the program: as a process started by
// a test, and as the guardian that a daemon under test starts.
func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" || len(os.Args) == 2 && os.Args[1] == guardianName {
		main()
		return
	}
	labtest.Main(m)
}
