package daemon

import (
	"net"
	"time"

	"golang.org/x/sys/unix"
)

// peerOf is the process that listens on a socket, 0 if it cannot be told.
func peerOf(name string) (pid int) {
	d := net.Dialer{Timeout: time.Second}
	c, err := d.Dial("unix", name)
	if err != nil {
		return 0
	}
	defer c.Close()
	raw, err := c.(*net.UnixConn).SyscallConn()
	if err != nil {
		return 0
	}
	_ = raw.Control(func(fd uintptr) {
		if cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED); err == nil {
			pid = int(cred.Pid)
		}
	})
	return pid
}
