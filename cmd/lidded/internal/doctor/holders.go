package doctor

import (
	"encoding/hex"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// processText names a process by its number and command.
func processText(pid int) string {
	name, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "comm"))
	if err != nil {
		return fmt.Sprintf("process %d", pid)
	}
	return fmt.Sprintf("process %d (%s)", pid, strings.TrimSpace(string(name)))
}

// opened gives, for every open file of every process that may be looked at,
// what it leads to. Processes of other users show theirs to root alone.
func opened(see func(pid int, to string)) {
	dirs, err := filepath.Glob("/proc/[0-9]*/fd")
	if err != nil {
		return
	}
	for _, dir := range dirs {
		pid, err := strconv.Atoi(filepath.Base(filepath.Dir(dir)))
		if err != nil || pid == os.Getpid() {
			continue
		}
		links, err := os.ReadDir(dir)
		if err != nil {
			continue
		}
		for _, l := range links {
			if to, err := os.Readlink(filepath.Join(dir, l.Name())); err == nil {
				see(pid, to)
			}
		}
	}
}

// openedBy lists who has a device file open.
func openedBy(path string) []string {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil
	}
	var out []string
	opened(func(pid int, to string) {
		if who := processText(pid); to == real && !slices.Contains(out, who) {
			out = append(out, who)
		}
	})
	return out
}

// connected lists who on this computer is connected to host:port.
func connected(hostPort string) []string {
	host, port, err := net.SplitHostPort(hostPort)
	if err != nil {
		return nil
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		return nil
	}
	addrs, err := net.LookupIP(host)
	if err != nil {
		return nil
	}
	sockets := map[string]bool{}
	for _, table := range []string{"/proc/net/tcp", "/proc/net/tcp6"} {
		data, err := os.ReadFile(table)
		if err != nil {
			continue
		}
		for _, inode := range connections(string(data), addrs, number) {
			sockets["socket:["+inode+"]"] = true
		}
	}
	var out []string
	opened(func(pid int, to string) {
		if who := processText(pid); sockets[to] && !slices.Contains(out, who) {
			out = append(out, who)
		}
	})
	return out
}

// connections reads the kernel's table of TCP sockets: columns separated by
// blanks, the third the remote address, the fourth the state (01: established),
// the tenth the socket's number (proc(5)).
func connections(table string, addrs []net.IP, port int) []string {
	var out []string
	for line := range strings.Lines(table) {
		f := strings.Fields(line)
		if len(f) < 10 || f[3] != "01" {
			continue
		}
		host, p, ok := strings.Cut(f[2], ":")
		if !ok {
			continue
		}
		if n, err := strconv.ParseUint(p, 16, 16); err != nil || int(n) != port {
			continue
		}
		ip := kernelIP(host)
		if slices.ContainsFunc(addrs, ip.Equal) {
			out = append(out, f[9])
		}
	}
	return out
}

// kernelIP reads an address of the table: words of four bytes, each in the
// order of a little-endian machine, as all that this program is built for are.
func kernelIP(s string) net.IP {
	b, err := hex.DecodeString(s)
	if err != nil || len(b)%4 != 0 {
		return nil
	}
	for i := 0; i < len(b); i += 4 {
		slices.Reverse(b[i : i+4])
	}
	return b
}
