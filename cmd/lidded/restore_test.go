package main

import (
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestTheStoreIsLost: a backup is made while a run goes on, the store is lost, the
// doctor says so, the backup is restored, and the next daemon shows the same
// results and goes on with the run that went on.
func TestTheStoreIsLost(t *testing.T) {
	dir, safe := t.TempDir(), t.TempDir()
	config, path, backup := filepath.Join(dir, "lidded.yaml"), filepath.Join(dir, "lidded.db"), filepath.Join(safe, "backup.db")
	s := serveBench(t, dir, 4)
	start := func(plan string) string {
		var r wireRun
		if code := s.call("POST", "/v1/runs", map[string]any{"plan": plan, "specimens": []string{"otter"}}, &r); code != http.StatusCreated {
			t.Fatalf("start: %d %+v", code, r)
		}
		return r.ID
	}
	done := start("quick")
	if r := s.operate(done); r.State != "completed" {
		t.Fatalf("ended %s", r.State)
	}
	shows := func() string {
		body, _ := fetch(t, s.base+"/v1/runs/"+done+"/results")
		return string(body)
	}
	before := shows()
	going := start("long")
	s.until("the first hold point waits", func() bool {
		var now wireRun
		s.call("GET", "/v1/runs/"+going, nil, &now)
		return now.Hold != nil
	})
	s.bench.Place("front", "vertical")
	s.call("POST", "/v1/runs/"+going+"/holds/0/release", nil, nil)
	captures := func() (n int) {
		var list struct{ Captures []any }
		s.call("GET", "/v1/runs/"+going+"/captures?limit=500", nil, &list)
		return len(list.Captures)
	}
	s.until("some points are captured", func() bool { return captures() > 3 })
	prints(t, 0, "backup", backup, "--store", path)
	saved := captures()
	if code, log := s.stop(); code != exitOK {
		t.Fatalf("the end of the daemon: %d\n%s", code, log)
	}

	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, st.Size()/2); err != nil {
		t.Fatal(err)
	}
	if out := prints(t, 1, "doctor", "--config", config); !strings.Contains(out, "FAULT  store: "+path) || !strings.Contains(out, "lidded restore BACKUP --to "+path) {
		t.Errorf("the doctor says\n%s", out)
	}
	if out := prints(t, 1, "serve", "--config", config); !strings.Contains(out, "corrupt") || !strings.Contains(out, "lidded restore BACKUP --to "+path) {
		t.Errorf("serve says %s", out)
	}
	if out := prints(t, 1, "restore", backup, "--to", path); !strings.Contains(out, "the file exists already; stop the daemon and move aside what is there: mv "+path) {
		t.Errorf("over the damaged store: %s", out)
	}
	rest := filepath.Join(safe, "rest.db")
	if out := prints(t, 0, "doctor", "--salvage", rest, "--config", config); !strings.Contains(out, "captures") || !strings.Contains(out, "Compare it with the newest backup") {
		t.Errorf("salvage says %s", out)
	}
	prints(t, 0, "keyings", "--store", rest)
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Rename(path+suffix, path+suffix+".damaged"); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
	}
	if out := prints(t, 0, "restore", backup, "--to", path); !strings.Contains(out, path+": restored from "+backup+"\nIt ends with ") {
		t.Errorf("restore says %s", out)
	}

	s = serveBench(t, dir, 4)
	if after := shows(); after != before {
		t.Errorf("the results differ:\n%s\n%s", before, after)
	}
	var r wireRun
	s.until("the run that went on is said to be interrupted", func() bool {
		s.call("GET", "/v1/runs/"+going, nil, &r)
		return r.State == "interrupted"
	})
	have := captures()
	if have < 4 || have > saved {
		t.Errorf("the run that went on has %d captures, %d soon after the backup", have, saved)
	}
	if code := s.call("POST", "/v1/runs/"+going+"/resume", nil, nil); code/100 != 2 {
		t.Fatalf("resume: %d", code)
	}
	s.until("it captures more", func() bool {
		var now wireRun
		s.call("GET", "/v1/runs/"+going, nil, &now)
		if now.Hold != nil {
			s.bench.Place("front", "vertical")
			s.call("POST", now.Hold.Release, nil, nil)
		}
		return captures() > have
	})
	s.call("POST", "/v1/runs/"+going+"/stop", nil, nil)
	s.until("it has stopped", func() bool {
		s.call("GET", "/v1/runs/"+going, nil, &r)
		return r.State == "stopped"
	})
}
