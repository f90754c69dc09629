//go:build unix

package virtual

import (
	"errors"
	"net"
	"os"
	"syscall"
)

// keeper holds a TCP port that is bound but not listened on: connections are
// refused, and nobody else can be given the port meanwhile.
type keeper struct{ fd int }

func keepPort(addr *net.TCPAddr) (*keeper, error) {
	domain := syscall.AF_INET6
	var sa syscall.Sockaddr
	if ip := addr.IP.To4(); ip != nil {
		domain = syscall.AF_INET
		sa = &syscall.SockaddrInet4{Port: addr.Port, Addr: [4]byte(ip)}
	} else {
		sa = &syscall.SockaddrInet6{Port: addr.Port, Addr: [16]byte(addr.IP.To16())}
	}
	syscall.ForkLock.RLock()
	fd, err := syscall.Socket(domain, syscall.SOCK_STREAM, 0)
	if err == nil {
		syscall.CloseOnExec(fd)
	}
	syscall.ForkLock.RUnlock()
	if err != nil {
		return nil, os.NewSyscallError("socket", err)
	}
	if err = syscall.SetsockoptInt(fd, syscall.SOL_SOCKET, syscall.SO_REUSEADDR, 1); err == nil {
		err = syscall.Bind(fd, sa)
	}
	if err != nil {
		syscall.Close(fd)
		return nil, os.NewSyscallError("bind", err)
	}
	return &keeper{fd: fd}, nil
}

// listen turns the held port into a listener. The keeper is used up.
func (k *keeper) listen() (net.Listener, error) {
	if k == nil {
		return nil, errors.New("the port was not held")
	}
	if err := syscall.Listen(k.fd, 128); err != nil {
		k.close()
		return nil, os.NewSyscallError("listen", err)
	}
	f := os.NewFile(uintptr(k.fd), "listener")
	defer f.Close()
	return net.FileListener(f)
}

func (k *keeper) close() {
	if k != nil {
		syscall.Close(k.fd)
	}
}
