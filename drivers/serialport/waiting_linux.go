package serialport

import (
	"errors"
	"os"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// waiting is a port that is read by the descriptor of our own. The library blocks a
// thread in each read, which costs Go another one to take its place, and somebody who
// watches it. It waits by an epoll of its own, for which Go's network poller waits in turn:
// on the port itself that would wake the program also when it takes bytes again, and
// each deadline would wake it, met or not.
type waiting struct {
	port
	hold *hold
	wait time.Duration

	epoll *os.File // of the port and the timer
	timer *os.File // goes off at until; it is not read
	conn  syscall.RawConn

	try    func(fd uintptr) (done bool) // once, made once: a read allocates nothing
	p      []byte                       // what once reads into,
	n      int                          // and what came of it
	failed error
	until  time.Time // where it gives up
}

// waited has the port read without blocking a thread. Where it fails, the port is
// returned as it was.
func (h *hold) waited(p port) (port, error) {
	w := &waiting{port: p, hold: h}
	w.try = w.once
	epoll, err := aside(unix.EpollCreate1(unix.EPOLL_CLOEXEC))
	if err != nil {
		return p, err
	}
	timer, err := aside(unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_CLOEXEC))
	if err != nil {
		return p, errors.Join(err, unix.Close(epoll))
	}
	err = unix.SetNonblock(epoll, true) // which has Go's network poller take it
	w.epoll, w.timer = os.NewFile(uintptr(epoll), h.file.Name()), os.NewFile(uintptr(timer), h.file.Name())
	for _, fd := range []int{h.fd, timer} {
		err = errors.Join(err, unix.EpollCtl(epoll, unix.EPOLL_CTL_ADD, fd, &unix.EpollEvent{Events: unix.EPOLLIN, Fd: int32(fd)}))
	}
	if err == nil {
		w.conn, err = w.epoll.SyscallConn()
	}
	if err != nil {
		return p, errors.Join(err, w.epoll.Close(), w.timer.Close())
	}
	return w, nil
}

// aside gives a new descriptor a number that the library could not have, and so leaves
// the low ones to ports. Where the system grants none so high, it keeps its own.
func aside(fd int, err error) (int, error) {
	if err != nil {
		return fd, err
	}
	if high, err := unix.FcntlInt(uintptr(fd), unix.F_DUPFD_CLOEXEC, maxDescriptor); err == nil {
		return high, unix.Close(fd)
	}
	return fd, nil
}

// Close ends a Read, and then closes the port.
func (w *waiting) Close() error {
	return errors.Join(w.epoll.Close(), w.timer.Close(), w.port.Close())
}

// SetReadTimeout bounds how long Read waits.
func (w *waiting) SetReadTimeout(d time.Duration) error {
	w.wait = d
	return nil
}

// Read reads what has come; (0, nil) says that nothing came in time.
func (w *waiting) Read(p []byte) (n int, err error) {
	if n, err = readAtOnce(w.hold.fd, p); errors.Is(err, unix.EAGAIN) && w.wait > 0 {
		n, err = w.await(p)
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

// await reads what comes, or says EAGAIN. It leaves no timer behind, which would wake
// the program for nothing.
func (w *waiting) await(p []byte) (int, error) {
	w.p, w.until = p, time.Now().Add(w.wait)
	defer func() { w.p = nil }()
	if err := w.alarm(w.wait); err != nil {
		return 0, err
	}
	if err := w.conn.Read(w.try); err != nil {
		return 0, err
	}
	if errors.Is(w.failed, unix.EAGAIN) {
		return 0, w.failed // it has gone off
	}
	return w.n, errors.Join(w.failed, w.alarm(0))
}

// once reads what has come, and is done if anything has or it is time to give up.
func (w *waiting) once(uintptr) (done bool) {
	w.n, w.failed = readAtOnce(w.hold.fd, w.p)
	return !errors.Is(w.failed, unix.EAGAIN) || !time.Now().Before(w.until)
}

// alarm has the timer go off after a time; none: not at all.
func (w *waiting) alarm(after time.Duration) error {
	at := unix.ItimerSpec{Value: unix.NsecToTimespec(int64(after))}
	_, _, errno := syscall.RawSyscall6(unix.SYS_TIMERFD_SETTIME, w.timer.Fd(), 0, uintptr(unsafe.Pointer(&at)), 0, 0, 0)
	if errno != 0 {
		return errno
	}
	return nil
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
