package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// unit reads the service unit: key to values, in order.
func unit(t *testing.T) (text string, keys map[string][]string) {
	t.Helper()
	data, err := os.ReadFile("systemd/lidded.service")
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
	_, keys := unit(t)
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

// TestUnitVerifies: the service manager's own check has nothing to say.
func TestUnitVerifies(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed: the unit is checked by TestUnit alone")
	}
	text, _ := unit(t)
	text = strings.NewReplacer("/usr/bin/lidded", "/bin/true", "Documentation=man:lidded(1)\n", "").Replace(text)
	path := filepath.Join(t.TempDir(), "lidded.service")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(analyze, "verify", "--man=no", path).CombinedOutput()
	for line := range strings.Lines(string(out)) {
		if strings.Contains(line, "lidded.service") {
			t.Error(strings.TrimSpace(line))
		}
	}
	if err != nil && !t.Failed() {
		t.Logf("systemd-analyze: %v: %s", err, out)
	}
}
