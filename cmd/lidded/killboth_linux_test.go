package main

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// How often both are killed; more by the environment.
const bothVariable, fewBoth = "LIDDED_BOTH", 1

// offByItself is when a source is off that nobody is left to switch off: its
// timer is set to twice what a keying should take and ten seconds.
const offByItself = 20 * time.Second

// TestBothKilled: the daemon and its guardian are killed at once while the source
// is on. Its own timer switches it off; the next daemon takes the run up.
func TestBothKilled(t *testing.T) {
	a := newAssault(t, "source-timer", 0)
	var after []time.Duration
	for range times(t, bothVariable, fewBoth) {
		a.serve()
		a.goOn()
		guardian := a.stopBoth()
		at := time.Now()
		for _, pid := range []int{guardian, a.cmd.Process.Pid} {
			if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
		}
		<-a.exited
		if !a.bench.SourceOn() {
			t.Fatal("the source is not on: nothing is tried")
		}
		a.wait(offByItself, "end of the source's transmission with nobody left", func() bool { return !a.bench.SourceOn() })
		after = append(after, time.Since(at))
		a.compare()
	}
	a.serve()
	id := a.goOn()
	a.wait(30*time.Second, "end of the run", func() bool { return a.state(id) == "completed" })
	slices.Sort(after)
	t.Logf("both killed %d times with the source on: off by itself after %v to %v", len(after), after[0].Round(time.Millisecond), after[len(after)-1].Round(time.Millisecond))
}

// stopBoth stops the daemon while it transmits, and its guardian before that can
// notice, and returns the guardian's process.
func (a *assault) stopBoth() (guardian int) {
	a.t.Helper()
	a.wait(20*time.Second, "guardian", func() bool { guardian = childOf(a.cmd.Process.Pid); return guardian > 0 })
	for range 1000 {
		a.poll(20*time.Second, 200*time.Microsecond, a.bench.SourceOn)
		for _, pid := range []int{a.cmd.Process.Pid, guardian} {
			if err := syscall.Kill(pid, syscall.SIGSTOP); err != nil {
				a.t.Fatal(err)
			}
		}
		// What the daemon had sent is carried out by now, or a moment later.
		settled := time.NewTimer(50 * time.Millisecond)
		<-settled.C
		if a.bench.SourceOn() {
			return guardian
		}
		for _, pid := range []int{a.cmd.Process.Pid, guardian} {
			if err := syscall.Kill(pid, syscall.SIGCONT); err != nil {
				a.t.Fatal(err)
			}
		}
	}
	a.t.Fatal("never stopped with the source on")
	return 0
}

// childOf is the only child of a process, 0 if there is none.
func childOf(pid int) int {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	if err != nil || strings.TrimSpace(string(text)) == "" {
		tasks, _ := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
		for _, task := range tasks {
			if text, err = os.ReadFile(fmt.Sprintf("/proc/%d/task/%s/children", pid, task.Name())); err == nil && strings.TrimSpace(string(text)) != "" {
				break
			}
		}
	}
	fields := strings.Fields(string(text))
	if len(fields) == 0 {
		return 0
	}
	n, _ := strconv.Atoi(fields[0])
	return n
}
