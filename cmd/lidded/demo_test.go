package main

import (
	"bytes"
	"regexp"
	"strings"
	"testing"
)

// The demonstration's conclusions do not depend on the noise: another seed
// gives other figures and the same verdicts, over TCP and over serial lines.
func TestDemoConcludesTheSameWithAnySeed(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	verdict := regexp.MustCompile(`(?m)^(heron|otter|kingfisher): (meets|falls short of|undecided)`)
	var conclusions, outputs []string
	for seed, more := range map[string][]string{"1": nil, "2": {"--serial"}} {
		var stdout, stderr bytes.Buffer
		args := append([]string{"demo", "--once", "--seed", seed, "--listen", "127.0.0.1:0"}, more...)
		if code := run(t.Context(), args, &stdout, &stderr); code != exitOK {
			t.Fatalf("seed %s: exit code %d: %s", seed, code, stderr.String())
		}
		out := stdout.String()
		found := verdict.FindAllString(out, -1)
		if len(found) != 3 {
			t.Fatalf("seed %s: %d verdicts in\n%s", seed, len(found), out)
		}
		for _, want := range []string{"heron: meets", "otter: falls short of", "kingfisher: falls short of"} {
			if !strings.Contains(out, want) {
				t.Errorf("seed %s: no %q in\n%s", seed, want, out)
			}
		}
		if n := strings.Count(out, "at least"); n < 30 {
			t.Errorf("seed %s: %d bounds: the deep locker should drive the signal into the noise at most frequencies", seed, n)
		}
		if progress := out[:strings.Index(out, "\nheron\n")]; strings.Contains(progress, "unknown") {
			t.Errorf("progress speaks of something unknown:\n%s", progress)
		}
		conclusions = append(conclusions, strings.Join(found, "; "))
		outputs = append(outputs, out[strings.Index(out, "\nheron\n"):strings.Index(out, "\nrun ")])
	}
	if conclusions[0] != conclusions[1] {
		t.Errorf("one seed: %s\nthe other: %s", conclusions[0], conclusions[1])
	}
	if outputs[0] == outputs[1] {
		t.Error("two seeds gave the same figures")
	}
}
