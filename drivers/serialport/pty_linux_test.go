package serialport

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
)

// slack is how much longer than its deadline a call may take: 20 ms of its own,
// the rest for a machine that runs other tests too.
const slack = 150 * time.Millisecond

func open(t testing.TB, o Options) drivers.Link {
	t.Helper()
	l, err := Dial(o)(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	return l
}

func soon() time.Time { return time.Now().Add(10 * time.Second) }

// receive waits for want frames, in one call or more.
func receive(t testing.TB, l drivers.Link, want ...string) []drivers.Frame {
	t.Helper()
	var all []drivers.Frame
	for len(all) < len(want) {
		frames, err := l.Receive(lines, soon(), nil)
		if err != nil {
			t.Fatalf("Receive: %v, want %q", err, want)
		}
		for _, f := range frames {
			if len(all) >= len(want) || string(f.Bytes) != want[len(all)] {
				t.Fatalf("Receive: frame %d is %q, want %q", len(all), f.Bytes, want)
			}
			all = append(all, f)
		}
	}
	return all
}

func TestPolledExchange(t *testing.T) {
	p := driverstest.OpenPTY(t)
	in := driverstest.Answer(t, p, "\r", func(n int, _ string) string { return fmt.Sprintf("%d.50\n", n) })
	l := open(t, Options{Path: p.Path, Baud: 115200, DataBits: 7, Parity: "even", StopBits: "2"})
	for n := range 50 {
		departed, dropped, err := l.Send([]byte("MEAS?\r"), soon())
		if err != nil || dropped != 0 {
			t.Fatalf("Send: dropped %d, %v", dropped, err)
		}
		f := receive(t, l, fmt.Sprintf("%d.50", n))[0]
		x := in.Seen()[n]
		if x.Query != "MEAS?" {
			t.Errorf("the instrument heard %q", x.Query)
		}
		if f.Departed != departed || departed.After(x.Read) || f.Arrived.Before(x.Answered) {
			t.Errorf("exchange %d: departed %v, heard %v, answered %v, arrived %v, want them in this order",
				n, departed, x.Read, x.Answered, f.Arrived)
		}
	}
}

func TestFirstByteStampSurvivesATimeout(t *testing.T) {
	p := driverstest.OpenPTY(t)
	l := open(t, Options{Path: p.Path})
	p.Send(t, "0\n1.")
	receive(t, l, "0")
	if _, err := l.Receive(lines, time.Now().Add(30*time.Millisecond), nil); !errors.Is(err, drivers.ErrTimeout) {
		t.Fatalf("Receive: %v, want ErrTimeout", err)
	}
	rest := time.Now()
	p.Send(t, "5\n")
	if f := receive(t, l, "1.5")[0]; !f.Arrived.Before(rest) {
		t.Errorf("arrived %v after the rest was sent, want the instant of the first byte", f.Arrived.Sub(rest))
	}
}

func TestReceiveKeepsItsDeadline(t *testing.T) {
	p := driverstest.OpenPTY(t)
	l := open(t, Options{Path: p.Path})
	for _, wait := range []time.Duration{-time.Second, 0, 300 * time.Microsecond, 50 * time.Millisecond} {
		start := time.Now()
		_, err := l.Receive(lines, start.Add(wait), nil)
		took := time.Since(start)
		if !errors.Is(err, drivers.ErrTimeout) || took < wait || took > max(wait, 0)+slack {
			t.Errorf("deadline in %v: %v after %v, want ErrTimeout then", wait, err, took)
		}
	}
	// What has come by a deadline that is past is still handed out.
	p.Send(t, "1\n")
	waitFor(t, func() bool {
		frames, err := l.Receive(lines, time.Now(), nil)
		return err == nil && len(frames) == 1
	})
}

// waitFor tries until ok, and fails t after 10 s.
func waitFor(t testing.TB, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	late := time.NewTimer(10 * time.Second)
	defer late.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-late.C:
			t.Fatal("it did not come about within 10 s")
		}
	}
}

func TestSendDropsWhatCameUnasked(t *testing.T) {
	p := driverstest.OpenPTY(t)
	l := open(t, Options{Path: p.Path})
	p.Send(t, "0\nhal") // "hal" stays in the link's buffer
	receive(t, l, "0")
	p.Send(t, "f\nlate answer\n")
	waitFor(t, func() bool { n, err := pending(p.Path); return err == nil && n == 14 })
	_, dropped, err := l.Send([]byte("?"), soon())
	if err != nil || dropped != 17 {
		t.Errorf("Send: dropped %d, %v, want 17 bytes", dropped, err)
	}
	p.Send(t, "1\n")
	receive(t, l, "1")
	if _, dropped, err := l.Send(nil, soon()); err != nil || dropped != 0 {
		t.Errorf("Send of nothing: dropped %d, %v, want 0", dropped, err)
	}
	p.Send(t, "2\n")
	if f := receive(t, l, "2")[0]; !f.Departed.IsZero() {
		t.Errorf("departed %v, want none after an empty request", f.Departed)
	}
}

func TestUnplug(t *testing.T) {
	t.Run("while waiting", func(t *testing.T) {
		p := driverstest.OpenPTY(t)
		l := open(t, Options{Path: p.Path})
		first := make(chan struct{})
		done := make(chan struct{})
		go func() {
			defer close(done)
			<-first
			p.Unplug()
		}()
		split := func(b []byte) (int, []byte) { // called once the first byte is in
			select {
			case <-first:
			default:
				close(first)
			}
			return 0, nil
		}
		p.Send(t, "1")
		_, err := l.Receive(split, soon(), nil)
		<-done
		checkGone(t, "Receive", err)
		_, err = l.Receive(lines, soon(), nil)
		checkGone(t, "a second Receive", err)
		_, _, err = l.Send([]byte("?"), soon())
		checkGone(t, "Send", err)
	})
	t.Run("before a request", func(t *testing.T) {
		p := driverstest.OpenPTY(t)
		l := open(t, Options{Path: p.Path})
		p.Unplug()
		_, _, err := l.Send([]byte("?"), soon())
		checkGone(t, "Send", err)
	})
	t.Run("in the midst of a request", func(t *testing.T) {
		p := driverstest.OpenPTY(t)
		l := open(t, Options{Path: p.Path})
		done := make(chan struct{})
		go func() {
			defer close(done)
			_, _ = p.Master.Read(make([]byte, 1))
			p.Unplug()
		}()
		_, _, err := l.Send(make([]byte, 1<<20), soon())
		<-done
		checkGone(t, "Send", err)
	})
}

func checkGone(t *testing.T, what string, err error) {
	t.Helper()
	if !errors.Is(err, drivers.ErrGone) || errors.Is(err, drivers.ErrTimeout) {
		t.Errorf("%s: %v, want ErrGone", what, err)
	}
}

// TestSecondOpenIsBusy runs as any user, root too, whom the exclusive mode of a
// terminal does not stop. A link to the port is the same port.
func TestSecondOpenIsBusy(t *testing.T) {
	p := driverstest.OpenPTY(t)
	l := open(t, Options{Path: p.Path})
	link := filepath.Join(t.TempDir(), "probe")
	if err := os.Symlink(p.Path, link); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{p.Path, link} {
		_, err := Dial(Options{Path: path})(context.Background())
		if !errors.Is(err, drivers.ErrBusy) || !strings.Contains(err.Error(), path+" is held by another process") {
			t.Errorf("Dial(%s): %v, want ErrBusy with the path", path, err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, Options{Path: link})
}

func TestWriteKeepsItsDeadline(t *testing.T) {
	p := driverstest.OpenPTY(t)
	l := open(t, Options{Path: p.Path})
	before := runtime.NumGoroutine()
	start := time.Now()
	_, _, err := l.Send(make([]byte, 1<<20), start.Add(60*time.Millisecond))
	if took := time.Since(start); !errors.Is(err, drivers.ErrTimeout) || took < 60*time.Millisecond || took > 60*time.Millisecond+slack {
		t.Fatalf("Send: %v after %v, want ErrTimeout after 60 ms", err, took)
	}
	if after := runtime.NumGoroutine(); after > before {
		t.Errorf("%d goroutines, %d before: one is stuck", after, before)
	}
	// Half a request is not sent after all; once the reader is back, the next
	// request arrives whole.
	heard := driverstest.Answer(t, p, "\r", func(_ int, query string) string { return "1\n" })
	if _, _, err := l.Send([]byte("\rMEAS?\r"), soon()); err != nil {
		t.Fatal(err)
	}
	waitFor(t, func() bool { return len(heard.Seen()) >= 2 })
	var took int
	_, tail, _ := strings.Cut(err.Error(), "the port ")
	if _, scanErr := fmt.Sscanf(tail, "took %d of", &took); scanErr != nil {
		t.Fatalf("%q does not tell how much the port took", err)
	}
	if late := len(heard.Seen()[0].Query); late >= took {
		t.Errorf("%d bytes came of the request that was given up, want fewer than the %d that the port took", late, took)
	}
	if got := heard.Seen()[1].Query; got != "MEAS?" {
		t.Errorf("the instrument heard %q, want MEAS?", got)
	}
	start = time.Now()
	if err := l.Close(); err != nil || time.Since(start) > slack {
		t.Errorf("Close: %v after %v", err, time.Since(start))
	}
	if _, _, err := l.Send([]byte("?"), time.Now().Add(-time.Second)); !errors.Is(err, os.ErrClosed) {
		t.Errorf("Send after Close: %v, want fs.ErrClosed", err)
	}
	if _, err := l.Receive(lines, soon(), nil); !errors.Is(err, os.ErrClosed) || errors.Is(err, drivers.ErrGone) {
		t.Errorf("Receive after Close: %v, want fs.ErrClosed", err)
	}
}

func TestDeadlineThatIsPastWritesNothing(t *testing.T) {
	p := driverstest.OpenPTY(t)
	l := open(t, Options{Path: p.Path})
	if _, _, err := l.Send([]byte("A\r"), time.Now().Add(-time.Second)); !errors.Is(err, drivers.ErrTimeout) {
		t.Errorf("Send: %v, want ErrTimeout", err)
	}
	in := driverstest.Answer(t, p, "\r", func(int, string) string { return "" })
	if _, _, err := l.Send([]byte("B\r"), soon()); err != nil {
		t.Fatal(err)
	}
	waitFor(t, func() bool { return len(in.Seen()) > 0 })
	if got := in.Seen()[0].Query; got != "B" {
		t.Errorf("the instrument heard %q first, want B", got)
	}
}

// TestFastStream loses no line of a hundred thousand, and splits none.
func TestFastStream(t *testing.T) {
	const count = 100_000
	p := driverstest.OpenPTY(t)
	l := open(t, Options{Path: p.Path, Baud: 921600})
	done := make(chan error, 1)
	go func() {
		var b []byte
		for n := range count {
			b = fmt.Appendf(b, "%d.25 mW/cm2\n", n)
		}
		_, err := p.Master.Write(b)
		done <- err
	}()
	var frames []drivers.Frame
	var last time.Time
	var want []byte
	for n := 0; n < count; {
		var err error
		if frames, err = l.Receive(lines, soon(), frames[:0]); err != nil {
			t.Fatalf("after %d lines: %v", n, err)
		}
		for _, f := range frames {
			if want = fmt.Appendf(want[:0], "%d.25 mW/cm2", n); string(f.Bytes) != string(want) {
				t.Fatalf("line %d is %q, want %q", n, f.Bytes, want)
			}
			if f.Arrived.Before(last) {
				t.Fatalf("line %d arrived before the one before it", n)
			}
			last = f.Arrived
			n++
		}
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// TestOpenDropsWhatCameBefore: bytes of before the opening have no honest stamp.
func TestOpenDropsWhatCameBefore(t *testing.T) {
	p := driverstest.OpenPTY(t)
	p.Send(t, "old\n")
	waitFor(t, func() bool { n, err := pending(p.Path); return err == nil && n == 4 })
	start := time.Now()
	l := open(t, Options{Path: p.Path, Settle: 20 * time.Millisecond})
	if took := time.Since(start); took < 20*time.Millisecond {
		t.Errorf("opened after %v, want 20 ms for settling", took)
	}
	p.Send(t, "new\n")
	receive(t, l, "new")
}

func TestSettleEndsWithTheContext(t *testing.T) {
	p := driverstest.OpenPTY(t)
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Millisecond)
	defer cancel()
	_, err := Dial(Options{Path: p.Path, Settle: time.Hour})(ctx)
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Dial: %v, want the context's error", err)
	}
	open(t, Options{Path: p.Path}) // and the port is free
}

// TestControlLines: a pty has none, so asking for one is refused by name, and
// not asking opens.
func TestControlLines(t *testing.T) {
	p := driverstest.OpenPTY(t)
	on := true
	for name, o := range map[string]Options{"dtr": {Path: p.Path, DTR: &on}, "rts": {Path: p.Path, RTS: &on}} {
		if _, err := Dial(o)(context.Background()); err == nil || !strings.Contains(err.Error(), "set "+name) {
			t.Errorf("%s: %v, want an error that names it", name, err)
		}
	}
	open(t, Options{Path: p.Path})
}

func TestNotASerialPort(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Dial(Options{Path: path})(context.Background()); err == nil || !strings.Contains(err.Error(), "not a serial port") {
		t.Errorf("Dial: %v, want 'not a serial port'", err)
	}
	if _, err := Dial(Options{Path: path})(context.Background()); errors.Is(err, drivers.ErrBusy) {
		t.Errorf("Dial again: %v, the lock was kept", err)
	}
}

func TestHighDescriptorsAreRefused(t *testing.T) {
	p := driverstest.OpenPTY(t)
	for range maxDescriptor {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatalf("%v; this test needs 'ulimit -n' above %d", err, maxDescriptor+50)
		}
		defer f.Close()
	}
	_, err := Dial(Options{Path: p.Path})(context.Background())
	if err == nil || !strings.Contains(err.Error(), "too high for the serial library") {
		t.Errorf("Dial: %v, want a refusal of the descriptor", err)
	}
}
