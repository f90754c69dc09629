package store_test

import (
	"fmt"
	"os"
	"testing"

	"lidded/sweep"
)

// TestMain lets the test binary be a process that is killed, or one of another
// user.
func TestMain(m *testing.M) {
	var err error
	switch {
	case os.Getenv("LIDDED_TEST_COMMIT") != "":
		err = commitForever(os.Getenv("LIDDED_TEST_COMMIT"), sweep.RunID(os.Getenv("LIDDED_TEST_RUN")))
	case os.Getenv("LIDDED_TEST_PRUNE") != "":
		err = pruneAll(os.Getenv("LIDDED_TEST_PRUNE"))
	case os.Getenv("LIDDED_TEST_OPEN") != "":
		err = openAsNobody(os.Getenv("LIDDED_TEST_OPEN"), os.Getenv("LIDDED_TEST_READ_ONLY") == "yes")
	default:
		os.Exit(m.Run())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}
