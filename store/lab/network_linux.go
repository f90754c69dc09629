package lab

import (
	"errors"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// giveUp makes the kernel end a connection when what was sent is not
// acknowledged (tcp(7), TCP_USER_TIMEOUT).
func giveUp(network, _ string, c syscall.RawConn) (err error) {
	if !strings.HasPrefix(network, "tcp") {
		return nil
	}
	cerr := c.Control(func(fd uintptr) {
		err = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(deadTime.Milliseconds()))
	})
	return errors.Join(err, cerr)
}
