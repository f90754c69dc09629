package virtual

import (
	"io"
	"os"
	"syscall"
	"unsafe"
)

// makeRaw sets a terminal to pass every byte unchanged, as cfmakeraw does.
func makeRaw(f *os.File) error {
	var t syscall.Termios
	if err := ioctl(f, syscall.TCGETS, &t); err != nil {
		return err
	}
	t.Iflag &^= syscall.IGNBRK | syscall.BRKINT | syscall.PARMRK | syscall.ISTRIP | syscall.INLCR | syscall.IGNCR | syscall.ICRNL | syscall.IXON
	t.Oflag &^= syscall.OPOST
	t.Lflag &^= syscall.ECHO | syscall.ECHONL | syscall.ICANON | syscall.ISIG | syscall.IEXTEN
	t.Cflag = t.Cflag&^(syscall.CSIZE|syscall.PARENB) | syscall.CS8
	t.Cc[syscall.VMIN], t.Cc[syscall.VTIME] = 1, 0
	return ioctl(f, syscall.TCSETS, &t)
}

func ioctl(f *os.File, request uintptr, t *syscall.Termios) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var errno syscall.Errno
	if err := conn.Control(func(fd uintptr) {
		_, _, errno = syscall.Syscall(syscall.SYS_IOCTL, fd, request, uintptr(unsafe.Pointer(t)))
	}); err != nil {
		return err
	}
	if errno != 0 {
		return os.NewSyscallError("ioctl", errno)
	}
	return nil
}

// tcflsh is TCFLSH of asm-generic/ioctls.h, which the package syscall lacks.
const tcflsh = 0x540B

// flush throws away what clients have written and the bench has not yet read:
// what is on its way (which TCFLSH reaches) and what has arrived (which it does
// not). The master must be in non-blocking mode.
func flush(master, slave *os.File) {
	if conn, err := slave.SyscallConn(); err == nil {
		conn.Control(func(fd uintptr) {
			syscall.Syscall(syscall.SYS_IOCTL, fd, tcflsh, syscall.TCOFLUSH)
		})
	}
	if conn, err := master.SyscallConn(); err == nil {
		conn.Control(func(fd uintptr) {
			var buf [4096]byte
			for {
				if n, err := syscall.Read(int(fd), buf[:]); n <= 0 && err != syscall.EINTR {
					return
				}
			}
		})
	}
}

// gate is the master side of a pty whose cable can be unplugged: what arrives
// while the server is offline is lost.
type gate struct {
	*os.File
	srv *server
}

// Read reads and decides about the cable in one step, so that nothing sent
// before the cable is back is taken for something sent after.
func (g gate) Read(p []byte) (n int, err error) {
	conn, err := g.SyscallConn()
	if err != nil {
		return 0, err
	}
	var failed error
	err = conn.Read(func(fd uintptr) bool {
		g.srv.mu.Lock()
		defer g.srv.mu.Unlock()
		for {
			n, failed = syscall.Read(int(fd), p)
			switch {
			case failed == syscall.EINTR:
			case failed == syscall.EAGAIN:
				return false
			case failed == nil && n > 0 && len(g.srv.off) > 0:
			default:
				return true
			}
		}
	})
	switch {
	case err != nil:
		return 0, err
	case failed != nil:
		return 0, os.NewSyscallError("read", failed)
	case n <= 0:
		return 0, io.EOF
	}
	return n, nil
}

// pollable returns the same terminal in non-blocking mode, so that reads obey
// deadlines and Close; f is closed.
func pollable(f *os.File) (*os.File, error) {
	defer f.Close()
	conn, err := f.SyscallConn()
	if err != nil {
		return nil, err
	}
	fd := -1
	var failed error
	if err := conn.Control(func(old uintptr) {
		syscall.ForkLock.RLock()
		defer syscall.ForkLock.RUnlock()
		if fd, failed = syscall.Dup(int(old)); failed == nil {
			syscall.CloseOnExec(fd)
			failed = syscall.SetNonblock(fd, true)
		}
	}); err != nil {
		return nil, err
	}
	if failed != nil {
		return nil, os.NewSyscallError("dup", failed)
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}
