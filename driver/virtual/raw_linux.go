package virtual

import (
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
