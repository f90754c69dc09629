package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// unit reads a unit: key to values, in order.
func unit(t *testing.T, name string) (text string, keys map[string][]string) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("systemd", name))
	if err != nil {
		t.Fatal(err)
	}
	keys = map[string][]string{}
	for line := range strings.Lines(string(data)) {
		if k, v, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(k, "#") {
			keys[k] = append(keys[k], v)
		}
	}
	return string(data), keys
}

// TestUnit: what the safety of the source rests on is in the unit.
func TestUnit(t *testing.T) {
	_, keys := unit(t, "lidded.service")
	one := func(key string) string {
		if len(keys[key]) != 1 {
			t.Errorf("%s: %q", key, keys[key])
			return ""
		}
		return keys[key][0]
	}
	for key, want := range map[string]string{
		"Type": "notify", "User": "lidded", "KillMode": "mixed", "NoNewPrivileges": "yes", "ProtectSystem": "strict", "CapabilityBoundingSet": "",
		"ExecStopPost": "/usr/bin/lidded off --config /etc/lidded/lidded.yaml", "DevicePolicy": "closed",
	} {
		if got := one(key); got != want {
			t.Errorf("%s is %q, want %q", key, got, want)
		}
	}
	seconds := func(key string) time.Duration {
		d, err := time.ParseDuration(one(key) + "s")
		if err != nil {
			t.Error(err)
		}
		return d
	}
	// Switching off at a dead link is tried for about a minute, and that must
	// end before the manager kills what tries.
	if d := seconds("TimeoutStopSec"); d < 75*time.Second {
		t.Errorf("TimeoutStopSec %v is too short to switch a source off", d)
	}
	if d := seconds("WatchdogSec"); d <= 0 || d > 2*time.Minute {
		t.Errorf("WatchdogSec %v", d)
	}
}

// TestLabUnits: the lab's units run as who may, without rights, and the timer's
// service is the one beside it.
func TestLabUnits(t *testing.T) {
	for name, want := range map[string]map[string]string{
		"lidded-lab.service":            {"Type": "notify", "User": "lidded", "ExecStart": "/usr/bin/lidded lab serve --config /etc/lidded/lab.yaml --log.format json", "WantedBy": "multi-user.target"},
		"lidded-lab-partitions.service": {"Type": "oneshot", "User": "postgres", "ExecStart": `/usr/bin/lidded lab partitions --dsn "host=/run/postgresql dbname=lab"`},
		"lidded-lab-partitions.timer":   {"OnCalendar": "weekly", "Persistent": "yes", "WantedBy": "timers.target"},
	} {
		_, keys := unit(t, name)
		if strings.HasSuffix(name, ".service") {
			want["NoNewPrivileges"], want["CapabilityBoundingSet"], want["ProtectSystem"], want["PrivateDevices"] = "yes", "", "strict", "yes"
		}
		for key, v := range want {
			if got := keys[key]; len(got) != 1 || got[0] != v {
				t.Errorf("%s: %s is %q, want %q", name, key, got, v)
			}
		}
	}
}

// TestUnitsVerify: the service manager's own check has nothing to say.
func TestUnitsVerify(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed: the units are checked by TestUnit and TestLabUnits alone")
	}
	dir := t.TempDir()
	names := []string{"lidded.service", "lidded-lab.service", "lidded-lab-partitions.service", "lidded-lab-partitions.timer"}
	args := []string{"verify", "--man=no"}
	for _, name := range names {
		text, _ := unit(t, name)
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(strings.ReplaceAll(text, "/usr/bin/lidded", "/bin/true")), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, path)
	}
	out, err := exec.Command(analyze, args...).CombinedOutput()
	for line := range strings.Lines(string(out)) {
		for _, name := range names {
			if strings.Contains(line, name) {
				t.Error(strings.TrimSpace(line))
			}
		}
	}
	if err != nil && !t.Failed() {
		t.Logf("systemd-analyze: %v: %s", err, out)
	}
}
