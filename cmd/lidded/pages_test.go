package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// TestPages: a manual page for every command that is shown, the same for the
// same date.
func TestPages(t *testing.T) {
	first, second := t.TempDir(), t.TempDir()
	for _, dir := range []string{first, second} {
		prints(t, exitOK, "manual", dir, "--date", "1700000000")
	}
	var see func(c *cobra.Command)
	see = func(c *cobra.Command) {
		if !c.IsAvailableCommand() && c.HasParent() {
			return
		}
		name := strings.ReplaceAll(c.CommandPath(), " ", "-") + ".1"
		page, err := os.ReadFile(filepath.Join(first, name))
		if err != nil {
			t.Error(err)
			return
		}
		again, _ := os.ReadFile(filepath.Join(second, name))
		if string(page) != string(again) {
			t.Errorf("%s differs from one time to the next", name)
		}
		if !strings.Contains(string(page), "Nov 2023") {
			t.Errorf("%s does not have the date given", name)
		}
		for _, s := range c.Commands() {
			see(s)
		}
	}
	see(rootCommand())
}

var (
	execLine = regexp.MustCompile(`(?m)^Exec\w+=/usr/bin/lidded (.*)$`)
	advice   = regexp.MustCompile(`\blidded ((?:[a-z]+|--?[a-z.]+|latest|RUN|/[a-z/.]+)(?: (?:--?[a-z.]+|[0-9]+|latest|RUN|FILE|/[a-z/.]+))*)`)
)

// TestDeployedCommands: what the service unit runs, and what alerts and the
// package advise to run, are commands of this program with flags that they have.
func TestDeployedCommands(t *testing.T) {
	n := 0
	try := func(file, line string) {
		n++
		c, rest, err := rootCommand().Find(strings.Fields(line))
		if err != nil || c == c.Root() {
			t.Errorf("%s: no such command: lidded %s", file, line)
			return
		}
		if err := c.ParseFlags(rest); err != nil {
			t.Errorf("%s: lidded %s: %v", file, line, err)
		}
		if args := c.Flags().Args(); c.Args != nil {
			if err := c.Args(c, args); err != nil {
				t.Errorf("%s: lidded %s: %v", file, line, err)
			}
		}
	}
	unit, err := os.ReadFile("../../deploy/systemd/lidded.service")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range execLine.FindAllStringSubmatch(string(unit), -1) {
		try("lidded.service", m[1])
	}
	for _, file := range []string{"prometheus/lidded.rules.yml", "debian/lidded.yaml", "debian/scripts/postinst"} {
		text, err := os.ReadFile("../../deploy/" + file)
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.Split(string(text), "\n") {
			if !strings.Contains(line, "action:") && !strings.Contains(line, "'lidded ") && !strings.Contains(line, "\tlidded ") {
				continue
			}
			for _, m := range advice.FindAllStringSubmatch(line, -1) {
				m[1] = strings.TrimSuffix(m[1], " 2") // of 2>/dev/null
				if m[1] == "says" || strings.HasPrefix(line, "\t\techo") {
					continue
				}
				try(file, strings.TrimSuffix(m[1], " says"))
			}
		}
	}
	if n < 12 {
		t.Errorf("only %d commands found", n)
	}
}
