package simulate

import (
	"os"
	"syscall"
	"unsafe"
)

// Requests to a Linux tty, from asm-generic/ioctls.h; the syscall package has
// not all of them on every architecture.
const (
	tcflsh   = 0x540b
	tiocnxcl = 0x540d
)

// breakable returns the file with reads and writes that keep to deadlines and
// end with Close, in place of f, which it closes. (pty.Open leaves its files
// blocking for ever, though they take a deadline without complaint.)
func breakable(f *os.File) (*os.File, error) {
	raw, err := f.SyscallConn()
	if err != nil {
		return nil, err
	}
	var twin int
	var failed error
	err = raw.Control(func(fd uintptr) {
		syscall.ForkLock.RLock() // no child may get the twin
		defer syscall.ForkLock.RUnlock()
		if twin, failed = syscall.Dup(int(fd)); failed == nil {
			syscall.CloseOnExec(twin)
		}
	})
	if err == nil {
		err = failed
	}
	if err != nil {
		return nil, err
	}
	if err := syscall.SetNonblock(twin, true); err != nil {
		_ = syscall.Close(twin) // the first error says more
		return nil, err
	}
	if err := f.Close(); err != nil {
		_ = syscall.Close(twin) // the first error says more
		return nil, err
	}
	return os.NewFile(uintptr(twin), f.Name()), nil
}

// shareTTY lets others open the tty again after a client that had asked for
// exclusive use is gone.
func shareTTY(fd uintptr) error {
	return ioctl(fd, tiocnxcl, 0)
}

// dropUnread throws away what waits to be read on the tty when that is more
// than most bytes.
func dropUnread(fd uintptr, most int) error {
	var unread int32
	if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, fd, syscall.TIOCINQ, uintptr(unsafe.Pointer(&unread))); errno != 0 {
		return errno
	}
	if int(unread) <= most {
		return nil
	}
	return ioctl(fd, tcflsh, syscall.TCIFLUSH)
}

func ioctl(fd, request, argument uintptr) error {
	if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, fd, request, argument); errno != 0 {
		return errno
	}
	return nil
}
