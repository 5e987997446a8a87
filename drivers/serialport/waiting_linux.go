package serialport

import (
	"errors"
	"os"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// waiting is a port that is read by the descriptor of our own, which Go's network
// poller waits for. The library blocks a thread in each read, which costs Go another
// one to take its place, and somebody who watches it.
type waiting struct {
	port
	hold *hold
	wait time.Duration

	try    func(fd uintptr) (done bool) // once, made once: a read allocates nothing
	p      []byte                       // what once reads into,
	n      int                          // and what came of it
	failed error
}

// waited has the port read without blocking a thread.
func (h *hold) waited(p port) port {
	w := &waiting{port: p, hold: h}
	w.try = w.once
	return w
}

// SetReadTimeout bounds how long Read waits.
func (w *waiting) SetReadTimeout(d time.Duration) error {
	w.wait = d
	return nil
}

// Read reads what has come; (0, nil) says that nothing came in time.
func (w *waiting) Read(p []byte) (n int, err error) {
	if w.wait > 0 {
		n, err = w.await(p)
	}
	if w.wait <= 0 || errors.Is(err, os.ErrDeadlineExceeded) { // which may have passed before the first look
		n, err = readAtOnce(w.hold.fd, p)
	}
	switch {
	case errors.Is(err, unix.EAGAIN):
		return 0, nil
	case err != nil:
		return 0, err
	case n == 0:
		return 0, unix.EIO // hung up
	}
	return n, nil
}

// await leaves no deadline behind, which would wake the program for nothing.
func (w *waiting) await(p []byte) (int, error) {
	if err := w.hold.file.SetReadDeadline(time.Now().Add(w.wait)); err != nil {
		return 0, err
	}
	w.p = p
	err := w.hold.conn.Read(w.try)
	if w.p = nil; err == nil {
		err = w.failed
	}
	return w.n, errors.Join(err, w.hold.file.SetReadDeadline(time.Time{}))
}

// once reads what has come, and is done if anything has.
func (w *waiting) once(fd uintptr) (done bool) {
	w.n, w.failed = readAtOnce(int(fd), w.p)
	return !errors.Is(w.failed, unix.EAGAIN)
}

// readAtOnce reads what has come by fd, which does not block.
func readAtOnce(fd int, p []byte) (int, error) {
	return retry(func() (int, error) { return atOnce(unix.SYS_READ, fd, p) })
}

// writeAtOnce writes what fd, which does not block, takes.
func writeAtOnce(fd int, p []byte) (int, error) { return atOnce(unix.SYS_WRITE, fd, p) }

// atOnce reads or writes by a descriptor that does not block, without telling Go's
// scheduler of it: told, it would wake somebody to watch this thread, for each poll. While
// somebody else sets the terminal's modes the kernel may hold the call up, and with it the program:
// for as long as the adapter takes to answer, which drivers bound by some seconds.
func atOnce(call uintptr, fd int, p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	n, _, errno := syscall.RawSyscall(call, uintptr(fd), uintptr(unsafe.Pointer(&p[0])), uintptr(len(p)))
	if errno != 0 {
		return 0, errno
	}
	return int(n), nil
}
