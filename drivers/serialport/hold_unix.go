//go:build unix

package serialport

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/drivers"
)

// maxDescriptor is the lowest file descriptor that is refused: where the serial
// library waits, it does so by select(2), which fails from 1024 on.
const maxDescriptor = 1000

// hold is a descriptor of our own on the port. It carries the lock, since the
// exclusive mode of a terminal does not stop root, and it writes, since it does
// not block and so can keep a deadline. On Linux it reads, too.
type hold struct {
	fd       int
	file     *os.File // owns fd
	reserved [3]int   // the descriptors that the library gets: port and pipe
}

// holdPort opens the port and locks it against every other holder.
func holdPort(path string) (*hold, error) {
	fd, err := retry(func() (int, error) {
		return unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	})
	if err != nil {
		return nil, err
	}
	// Go's network poller would take a descriptor that does not block, and wake the
	// program whenever the port takes bytes again: after each question.
	err = unix.SetNonblock(fd, false)
	h := &hold{fd: fd, file: os.NewFile(uintptr(fd), path)}
	if err = errors.Join(err, unix.SetNonblock(fd, true)); err != nil {
		return nil, errors.Join(err, h.close())
	}
	_, err = retry(func() (int, error) { return 0, unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB) })
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = errHeld
	}
	if err != nil {
		return nil, errors.Join(err, h.close())
	}
	return h, nil
}

// reserve finds the descriptors that the next opening will get, and refuses
// those that the library cannot wait on.
func (h *hold) reserve() error { return h.reserveBelow(maxDescriptor) }

func (h *hold) reserveBelow(limit int) (err error) {
	highest, got := h.fd, 0
	for ; got < len(h.reserved) && err == nil; got++ {
		if h.reserved[got], err = unix.FcntlInt(uintptr(h.fd), unix.F_DUPFD_CLOEXEC, 0); err != nil {
			break
		}
		highest = max(highest, h.reserved[got])
	}
	for _, fd := range h.reserved[:got] {
		err = errors.Join(err, unix.Close(fd))
	}
	if err == nil && highest >= limit {
		err = fmt.Errorf("file descriptor %d is %d or more, too high for the serial library; "+
			"bound the number of connections, or restart ovenward", highest, limit)
	}
	return err
}

// closeOnExec keeps the library's descriptors from any child process: it opens
// them inheritable. Should another goroutine have got one of the numbers, the
// mark is on it already, as on all that Go opens.
func (h *hold) closeOnExec() {
	for _, fd := range h.reserved {
		unix.CloseOnExec(fd)
	}
}

// write writes what the port takes, and waits no longer than wait for it to
// take anything.
func (h *hold) write(_ port, p []byte, wait time.Duration) (int, error) {
	n, err := writeAtOnce(h.fd, p)
	switch {
	case errors.Is(err, unix.EINTR):
		return 0, nil
	case !errors.Is(err, unix.EAGAIN):
		return max(n, 0), err
	}
	fds := [1]unix.PollFd{{Fd: int32(h.fd), Events: unix.POLLOUT}}
	// Rounded up, so that the last millisecond does not spin.
	ready, err := unix.Poll(fds[:], int((wait+time.Millisecond-1)/time.Millisecond))
	switch {
	case errors.Is(err, unix.EINTR):
		return 0, nil
	case err != nil:
		return 0, err
	case ready == 0:
		return 0, drivers.ErrTimeout
	case fds[0].Revents&unix.POLLOUT == 0:
		return 0, unix.EIO // hung up
	}
	return 0, nil
}

// close gives up the lock.
func (h *hold) close() error { return h.file.Close() }

func retry(call func() (int, error)) (int, error) {
	for {
		if n, err := call(); !errors.Is(err, unix.EINTR) {
			return n, err
		}
	}
}

// shortestWait is the least read time-out that the system keeps.
const shortestWait = 0
