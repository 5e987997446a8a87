package acquire

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"sync"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// mostTimers bounds the descriptors that are taken: beside those of ports and
// visitors they must stay far below 1 000, above which a serial port cannot be read.
// Whoever comes when all are taken waits by Go's own timer, a millisecond less exact.
const mostTimers = 128

// precise has the kernel wake the poller at an absolute instant, by a timerfd that
// Go's own network poller waits for. The thread that hears of it runs the poller at
// once: handing the slot over from a thread that serves all would cost a second
// wake-up, which on this path is as long as the first. clock_nanosleep would be later
// by the kernel's slack for threads, and Go watches a thread that blocks for so long
// some sixty times. No more than the processors can run at once sleep for one
// instant: of many probes on one schedule the others would only queue for a
// processor, so they wait in Go for the first of those to wake, which is cheap.
type precise struct {
	base   time.Time // an instant,
	kernel int64     // and what the kernel's clock said just after it, in ns
	crowds *crowds   // since base

	mu     sync.Mutex
	free   []*kernelTimer
	timers int // there are, free or not
}

// PreciseSleeper is the most exact Sleeper this system has: on Linux timers of the
// kernel (timerfd, CLOCK_MONOTONIC, TFD_TIMER_ABSTIME), elsewhere Timers. It keeps a
// descriptor for each that sleeps at once, 128 at most. It is not for testing/synctest, whose clock
// the kernel does not know.
func PreciseSleeper() Sleeper {
	// Go's monotonic clock is the kernel's with another beginning. Of some looks at
	// both the one counts that had the least time between.
	best := &precise{crowds: newCrowds(runtime.GOMAXPROCS(0))}
	least := time.Hour
	for range 16 {
		base := time.Now()
		var t unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
			return Timers{}
		}
		if gap := time.Since(base); gap < least {
			least, best.base, best.kernel = gap, base, t.Nano()
		}
	}
	return best
}

// SleepUntil implements Sleeper.
func (p *precise) SleepUntil(ctx context.Context, at time.Time) error {
	return p.crowds.sleep(ctx, at, at.Sub(p.base), func() error { return p.sleep(ctx, at) })
}

// sleep waits for the kernel's timer. Where none can be had, Go's has to do.
func (p *precise) sleep(ctx context.Context, at time.Time) error {
	switch {
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case time.Until(at) <= 0:
		return nil
	}
	t, err := p.take()
	if err != nil {
		return Timers{}.SleepUntil(ctx, at)
	}
	stop := context.AfterFunc(ctx, t.close)
	err = t.wait(p.kernel + int64(at.Sub(p.base)))
	if !stop() {
		p.drop(t)
		return context.Cause(ctx)
	}
	if err != nil {
		p.drop(t)
		return Timers{}.SleepUntil(ctx, at)
	}
	p.put(t)
	return nil
}

// take hands out a timer that nobody waits for.
func (p *precise) take() (*kernelTimer, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if last := len(p.free) - 1; last >= 0 {
		t := p.free[last]
		p.free = p.free[:last]
		return t, nil
	}
	if p.timers >= mostTimers {
		return nil, errors.New("there are as many timers as may be")
	}
	t, err := newKernelTimer()
	if err == nil {
		p.timers++
	}
	return t, err
}

func (p *precise) drop(t *kernelTimer) {
	t.close()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.timers--
}

func (p *precise) put(t *kernelTimer) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.free = append(p.free, t)
}

// kernelTimer is a timerfd that one goroutine at a time waits for. What is
// forgotten is closed with the garbage, as any os.File.
type kernelTimer struct {
	file *os.File
	conn syscall.RawConn
	told [8]byte // how often it went off; nobody asks
}

func newKernelTimer() (*kernelTimer, error) {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return nil, fmt.Errorf("making a timer: %w", err)
	}
	t := &kernelTimer{file: os.NewFile(uintptr(fd), "timer")}
	if t.conn, err = t.file.SyscallConn(); err != nil {
		t.close()
		return nil, fmt.Errorf("making a timer: %w", err)
	}
	return t, nil
}

// wait returns once the kernel's clock has come to at, in ns, or the timer was closed.
func (t *kernelTimer) wait(at int64) error {
	var failed error
	err := t.conn.Control(func(fd uintptr) {
		spec := unix.ItimerSpec{Value: unix.NsecToTimespec(at)}
		// Raw, as below.
		if _, _, errno := syscall.RawSyscall6(unix.SYS_TIMERFD_SETTIME, fd, unix.TFD_TIMER_ABSTIME, uintptr(unsafe.Pointer(&spec)), 0, 0, 0); errno != 0 {
			failed = errno
		}
	})
	if err != nil || failed != nil {
		return errors.Join(err, failed)
	}
	err = t.conn.Read(func(fd uintptr) (done bool) {
		for failed = unix.EINTR; failed == unix.EINTR; {
			// Raw, for it does not block: Go would else wake somebody to watch this thread.
			_, _, errno := syscall.RawSyscall(unix.SYS_READ, fd, uintptr(unsafe.Pointer(&t.told)), uintptr(len(t.told)))
			if failed = nil; errno != 0 {
				failed = errno
			}
		}
		return failed != unix.EAGAIN
	})
	return errors.Join(err, failed)
}

func (t *kernelTimer) close() { _ = t.file.Close() }
