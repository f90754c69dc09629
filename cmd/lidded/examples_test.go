package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// example runs one of the client examples, with more in its environment; it
// gives its exit code and output.
func example(t *testing.T, base, input, key string, words []string, more ...string) (int, string) {
	t.Helper()
	c := exec.CommandContext(t.Context(), words[0], words[1:]...)
	c.Dir = "../../deploy/examples"
	c.Env = append(append(os.Environ(), "LIDDED_URL="+base, "KEY="+key, "USER=night shift"), more...)
	c.Stdin = strings.NewReader(input)
	out, err := c.CombinedOutput()
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), string(out)
}

// clients are the examples, and what they need.
var clients = map[string]struct {
	needs   []string
	command []string
}{
	"shell":  {[]string{"sh", "curl", "jq"}, []string{"sh", "run.sh"}},
	"python": {[]string{"python3"}, []string{"python3", "run.py"}},
}

// TestExamples: each client example starts a run once for a key, releases its
// hold points, waits for it and fetches what came of it; without anybody there
// it aborts, and what the daemon refuses it says.
func TestExamples(t *testing.T) {
	for name, client := range clients {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, n := range client.needs {
				peer(t, n)
			}
			d := newDepot(t, "hold_points: rule", "hold_points: operator", "count: 40", "count: 2")
			folder := t.TempDir()
			start := append(client.command, "spare-radio", "otter")
			code, out := example(t, d.base, strings.Repeat("\n", 20), "k1", append(start, folder))
			if code != 1 || !strings.Contains(out, "otter: falls short of") { // nobody put the receiver into the box
				t.Errorf("exit code %d: %s", code, out)
			}
			if !strings.Contains(out, "Put the receiver into otter at position front") || !strings.Contains(out, "caution: Nobody stays inside") {
				t.Errorf("no instruction or caution in %s", out)
			}
			files, err := os.ReadDir(folder)
			if err != nil || len(files) != 2 {
				t.Fatalf("%v, %v", files, err)
			}
			for _, f := range files {
				data, err := os.ReadFile(filepath.Join(folder, f.Name()))
				if err != nil {
					t.Fatal(err)
				}
				head := []byte("%PDF-")
				if strings.HasSuffix(f.Name(), ".csv") {
					head = []byte("run_id,")
				}
				if !bytes.HasPrefix(data, head) {
					t.Errorf("%s begins %q", f.Name(), data[:min(20, len(data))])
				}
			}
			again, out2 := example(t, d.base, "", "k1", append(start, folder))
			if again != 1 || firstLine(out2) != firstLine(out) {
				t.Errorf("the same key again: exit code %d: %s", again, out2)
			}
			if code, out := example(t, d.base, "", "k2", append(start, folder)); code != 2 || !strings.Contains(out, "nobody is there: aborted") {
				t.Errorf("without anybody there: exit code %d: %s", code, out)
			}
			if code, out := example(t, d.base, "", "k3", append(client.command, "spare-radio", "ottre")); code != 2 || !strings.Contains(out, `ottre`) || strings.Contains(out, "run \n") {
				t.Errorf("unknown specimen: exit code %d: %s", code, out)
			}
			if code, out := example(t, d.base, "", "k4", client.command); code != 2 || !strings.Contains(out, "usage:") {
				t.Errorf("no argument: exit code %d: %s", code, out)
			}
			data, _ := fetch(t, d.base+"/v1/runs")
			var list struct {
				Runs []struct{ State, Operator string }
			}
			if err := json.Unmarshal(data, &list); err != nil {
				t.Fatal(err)
			}
			if len(list.Runs) != 2 || list.Runs[1].State != "completed" || list.Runs[0].State != "aborted" || list.Runs[1].Operator != "night shift" {
				t.Errorf("runs of the daemon: %+v", list.Runs)
			}
		})
	}
}

func firstLine(s string) string { line, _, _ := strings.Cut(s, "\n"); return line }

// TestExamplesFromAnotherRoom: each client does the same over TLS with a token,
// which no argument of a program shows; without one it says what is wanted.
func TestExamplesFromAnotherRoom(t *testing.T) {
	for name, client := range clients {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, n := range client.needs {
				peer(t, n)
			}
			h := newHouse(t)
			secret, folder := h.secrets["the operate one"], t.TempDir()
			file := filepath.Join(folder, "token")
			if err := os.WriteFile(file, []byte(secret+"\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			// A curl that writes down its arguments.
			if curl, err := exec.LookPath("curl"); err == nil {
				text := "#!/bin/sh\nprintf '%s\\n' \"$@\" >>" + folder + "/arguments\nexec " + curl + " \"$@\"\n"
				if err := os.WriteFile(filepath.Join(folder, "curl"), []byte(text), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			env := []string{"LIDDED_CA=" + h.certs.CA, "LIDDED_TOKEN_FILE=" + file, "PATH=" + folder + ":" + os.Getenv("PATH")}
			start := append(client.command, "quick", "otter", filepath.Join(folder, "out"))
			code, out := example(t, h.base, strings.Repeat("\n", 20), "k1", start, env...)
			if code != 1 || !strings.Contains(out, "otter: ") { // nobody moved the receiver
				t.Errorf("exit code %d: %s", code, out)
			}
			if files, err := os.ReadDir(filepath.Join(folder, "out")); err != nil || len(files) != 2 {
				t.Errorf("%v, %v", files, err)
			}
			if code, out := example(t, h.base, "", "k2", start, "LIDDED_CA="+h.certs.CA); code != 2 || !strings.Contains(out, "this daemon wants a token") {
				t.Errorf("without a token: %d %s", code, out)
			}
			if code, out := example(t, h.base, "", "k3", start, "LIDDED_CA=", "LIDDED_TOKEN="+secret); code != 2 || !strings.Contains(strings.ToLower(out), "certificate") {
				t.Errorf("without trust: %d %s", code, out)
			}
			arguments, _ := os.ReadFile(filepath.Join(folder, "arguments"))
			if name == "shell" && !strings.Contains(string(arguments), "/v1/runs") {
				t.Errorf("curl was called with %q", arguments)
			}
			if strings.Contains(string(arguments)+out, secret) {
				t.Error("the token is shown")
			}
		})
	}
}
