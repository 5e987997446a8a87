//go:build unix

package driverstest

import (
	"bytes"
	"os"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// PTY is a raw pseudo-terminal: the instrument's end, and the path at which a
// port is opened on it.
type PTY struct {
	Master *os.File // takes deadlines; closing it wakes its reader
	Path   string

	tty    *os.File // held open, for a master without a terminal reads EIO
	unplug sync.Once
}

// OpenPTY opens a pair, which is closed at the end of t.
func OpenPTY(t testing.TB) *PTY {
	t.Helper()
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatalf("open a pty: %v", err)
	}
	if _, err := term.MakeRaw(int(tty.Fd())); err != nil {
		t.Fatalf("make the pty raw: %v", err)
	}
	p := &PTY{Path: tty.Name(), tty: tty}
	// pty.Open leaves the master blocking, and then Close does not end a Read.
	fd, err := syscall.Dup(int(master.Fd()))
	if err != nil {
		t.Fatalf("duplicate the master: %v", err)
	}
	syscall.CloseOnExec(fd)
	if err := syscall.SetNonblock(fd, true); err != nil {
		t.Fatalf("make the master non-blocking: %v", err)
	}
	p.Master = os.NewFile(uintptr(fd), master.Name())
	if err := master.Close(); err != nil {
		t.Fatalf("close the first master: %v", err)
	}
	t.Cleanup(func() {
		p.Unplug()
		_ = tty.Close()
	})
	return p
}

// Unplug closes the instrument's end, as pulling out an adapter does.
func (p *PTY) Unplug() {
	p.unplug.Do(func() { _ = p.Master.Close() })
}

// Send writes what the instrument says, and fails t when the port does not
// take it within 10 s.
func (p *PTY) Send(t testing.TB, said string) {
	t.Helper()
	if err := p.Master.SetWriteDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatalf("instrument: %v", err)
	}
	if _, err := p.Master.WriteString(said); err != nil {
		t.Fatalf("instrument: %v", err)
	}
}

// Exchange is one query that an instrument got, and when.
type Exchange struct {
	Query    string
	Read     time.Time // when the query was whole
	Answered time.Time // just before the answer was written
}

// Instrument answers queries.
type Instrument struct {
	mu   sync.Mutex
	seen []Exchange
}

// Seen returns the exchanges so far.
func (in *Instrument) Seen() []Exchange {
	in.mu.Lock()
	defer in.mu.Unlock()
	return append([]Exchange(nil), in.seen...)
}

// Answer plays an instrument on p until it is unplugged or t ends: answer gets
// the n-th query, counted from 0, without its end, and returns what to say; ""
// says nothing.
func Answer(t testing.TB, p *PTY, end string, answer func(n int, query string) string) *Instrument {
	in := &Instrument{}
	done := make(chan struct{})
	go func() {
		defer close(done)
		in.play(p, end, answer)
	}()
	t.Cleanup(func() {
		p.Unplug()
		<-done
	})
	return in
}

func (in *Instrument) play(p *PTY, end string, answer func(n int, query string) string) {
	var heard []byte
	chunk := make([]byte, 4096)
	for n := 0; ; {
		got, err := p.Master.Read(chunk)
		if err != nil {
			return // unplugged
		}
		heard = append(heard, chunk[:got]...)
		for {
			query, rest, found := bytes.Cut(heard, []byte(end))
			if !found {
				break
			}
			x := Exchange{Query: string(query), Read: time.Now()}
			said := answer(n, x.Query)
			n++
			heard = bytes.Clone(rest)
			x.Answered = time.Now()
			in.mu.Lock()
			in.seen = append(in.seen, x)
			in.mu.Unlock()
			if said == "" {
				continue
			}
			if _, err := p.Master.WriteString(said); err != nil {
				return
			}
		}
	}
}
