package link

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"lidded/driver"
)

var parities = map[string]serial.Parity{
	"none": serial.NoParity, "odd": serial.OddParity, "even": serial.EvenParity,
	"mark": serial.MarkParity, "space": serial.SpaceParity,
}

// serialPort is a serial port as a transport.
//
// The serial package sets the port up, holds it against other openers and
// flushes it. Bytes go through a second, non-blocking descriptor on Go's
// poller, because the package's own Read reports a time-out as "no bytes, no
// error" and panics on descriptors from 1024 up, and because its Write has no
// time-out and outlives Close. The second descriptor also holds an advisory
// lock, since the package's hold on the port does not bind root.
type serialPort struct {
	*os.File
	port serial.Port
}

// openSerial opens the device the path leads to now: a link below
// /dev/serial/by-id is followed anew each time.
func openSerial(addr Address) (_ transport, err error) {
	path, err := filepath.EvalSymlinks(addr.Path)
	if err != nil {
		return nil, serialError(addr, err)
	}
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, serialError(addr, err)
	}
	defer func() {
		if err != nil {
			f.Close()
		}
	}()
	if err := f.SetDeadline(time.Time{}); err != nil {
		return nil, serialError(addr, unix.ENOTTY)
	}
	raw, err := f.SyscallConn()
	if err != nil {
		return nil, err
	}
	var lockErr error
	if err := raw.Control(func(fd uintptr) { lockErr = unix.Flock(int(fd), unix.LOCK_EX|unix.LOCK_NB) }); err != nil {
		return nil, err
	}
	if lockErr != nil {
		return nil, serialError(addr, lockErr)
	}
	stop := serial.OneStopBit
	if addr.Stop == 2 {
		stop = serial.TwoStopBits
	}
	// The initial state of the modem lines is left alone: a pty has none.
	port, err := serial.Open(path, &serial.Mode{BaudRate: addr.Baud, DataBits: addr.Data, Parity: parities[addr.Parity], StopBits: stop})
	if err != nil {
		return nil, serialError(addr, err)
	}
	return &serialPort{File: f, port: port}, nil
}

// serialError says what an error of opening means and what to do.
func serialError(addr Address, err error) error {
	refused := func(what, hint string) error {
		return &dialError{driver.KindRefused, fmt.Errorf("%s: %s", addr.Path, what), hint}
	}
	code := serial.PortErrorCode(-1)
	var p *serial.PortError
	if errors.As(err, &p) {
		code = p.Code()
	}
	switch {
	case errors.Is(err, os.ErrNotExist) || code == serial.PortNotFound:
		return refused("no such device", "is the adapter plugged in? A name below /dev/serial/by-id stays the same")
	case errors.Is(err, os.ErrPermission) || code == serial.PermissionDenied:
		return refused("permission denied", "the daemon's user must be in the group that owns the device, often dialout")
	case errors.Is(err, syscall.EBUSY) || errors.Is(err, unix.EWOULDBLOCK) || code == serial.PortBusy:
		return refused("in use by another program", "close the other program first")
	case errors.Is(err, unix.ENOTTY) || code == serial.InvalidSerialPort:
		return refused("not a serial port, or one that does not take these settings", "check the path, baud, data, parity and stop")
	case code == serial.InvalidSpeed || code == serial.InvalidDataBits || code == serial.InvalidParity || code == serial.InvalidStopBits:
		return refused(err.Error(), "check baud, data, parity and stop")
	}
	return refused(err.Error(), "")
}

// flushInput drops what the system has received and nobody read.
func (s *serialPort) flushInput() error { return s.port.ResetInputBuffer() }

// Close closes both descriptors; what was written is still sent.
func (s *serialPort) Close() error {
	return errors.Join(s.File.Close(), s.port.Close())
}

// abandon drops unsent output first: closing would wait for it, for ever if
// the other end does not read.
func (s *serialPort) abandon() error {
	return errors.Join(s.port.ResetOutputBuffer(), s.Close())
}
