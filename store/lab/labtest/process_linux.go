package labtest

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// enter moves the thread, which must be locked, into a name space of the network.
func enter(network string) error {
	if network == "" {
		return nil
	}
	f, err := os.Open(network)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := unix.Setns(int(f.Fd()), unix.CLONE_NEWNET); err != nil {
		return fmt.Errorf("enter network %s: %w", network, err)
	}
	return nil
}

// children are the processes that a process started (proc_pid_task(5)).
func children(pid int) (out []int) {
	lists, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", pid))
	for _, l := range lists {
		text, _ := os.ReadFile(l)
		for f := range strings.FieldsSeq(string(text)) {
			if n, err := strconv.Atoi(f); err == nil {
				out = append(out, n)
			}
		}
	}
	return out
}

// alive reports whether a process is there and no zombie (proc_pid_stat(5)).
func alive(pid int) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	_, after, _ := strings.Cut(string(text), ") ")
	return !strings.HasPrefix(after, "Z") && !strings.HasPrefix(after, "X")
}
