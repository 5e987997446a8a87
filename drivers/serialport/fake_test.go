package serialport

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/stream"
)

// scripted is a port that gives what it is told to, one chunk a read.
type scripted struct {
	chunks   [][]byte
	then     func(p []byte) (int, error) // after the chunks
	now      func(step time.Duration) time.Time
	timeouts []time.Duration
	calls    []string // that drop output or close
}

func (s *scripted) Read(p []byte) (int, error) {
	if s.now != nil {
		s.now(time.Millisecond)
	}
	if len(s.chunks) == 0 {
		return s.then(p)
	}
	n := copy(p, s.chunks[0])
	s.chunks = s.chunks[1:]
	return n, nil
}

func (s *scripted) SetReadTimeout(d time.Duration) error {
	s.timeouts = append(s.timeouts, d)
	return nil
}
func (s *scripted) Write(p []byte) (int, error) { return len(p), nil }
func (s *scripted) ResetInputBuffer() error     { return nil }
func (s *scripted) SetDTR(bool) error           { return nil }
func (s *scripted) SetRTS(bool) error           { return nil }
func (s *scripted) ResetOutputBuffer() error    { s.calls = append(s.calls, "drop output"); return nil }
func (s *scripted) Close() error                { s.calls = append(s.calls, "close"); return nil }

// newLink is the link over p.
func newLink(o stream.Options, p port, h *hold) *stream.Link { return stream.New(o, newCarrier(p, h)) }

func nothing([]byte) (int, error) { return 0, nil }

// lines splits at "\n", and drops empty lines.
func lines(buf []byte) (int, []byte) {
	for i, c := range buf {
		switch {
		case c == '\n' && i == 0:
			return 1, nil
		case c == '\n':
			return i + 1, buf[:i]
		}
	}
	return 0, nil
}

// clock is a clock that the port moves.
func clock() (*time.Time, func() time.Time, func(time.Duration) time.Time) {
	at := time.Date(2025, 11, 25, 12, 0, 0, 0, time.UTC)
	return &at, func() time.Time { return at }, func(d time.Duration) time.Time { at = at.Add(d); return at }
}

func TestArrivalIsThatOfTheFirstByte(t *testing.T) {
	at, now, step := clock()
	begin := *at
	p := &scripted{now: step, then: nothing, chunks: [][]byte{
		[]byte("1.2"), []byte("3"), []byte("\n4\n5."), // read at 1, 2 and 3 ms
		[]byte("0\n\n6\n"), // at 4 ms
		[]byte("7"),        // at 5 ms
		[]byte("8\n"),      // at 6 ms
	}}
	l := newLink(stream.Options{Name: "fake", Now: now}, p, nil)
	type frame struct {
		text   string
		ms     int
		behind int // bytes of that read, from the first byte on
	}
	for i, want := range [][]frame{{{"1.23", 1, 3}, {"4", 3, 4}}, {{"5.0", 3, 2}, {"6", 4, 2}}, {{"78", 5, 1}}} {
		got, err := l.Receive(lines, at.Add(time.Second), nil)
		if err != nil || len(got) != len(want) {
			t.Fatalf("call %d: %d frames, %v, want %d", i, len(got), err, len(want))
		}
		for j, w := range want {
			if ms := int(got[j].Arrived.Sub(begin) / time.Millisecond); string(got[j].Bytes) != w.text || ms != w.ms {
				t.Errorf("call %d, frame %d: %q arrived at %d ms, want %q at %d ms", i, j, got[j].Bytes, ms, w.text, w.ms)
			}
			if got[j].Behind != w.behind {
				t.Errorf("call %d, frame %d: %d bytes behind, want %d", i, j, got[j].Behind, w.behind)
			}
			if !got[j].Departed.IsZero() {
				t.Errorf("call %d, frame %d departed at %v, want none without a request", i, j, got[j].Departed)
			}
		}
	}
}

// TestArrivalOfWhatSplitKeepsBack: a protocol may keep back what took several
// reads; each frame has the instant of its own first byte.
func TestArrivalOfWhatSplitKeepsBack(t *testing.T) {
	at, now, step := clock()
	begin := *at
	p := &scripted{now: step, then: nothing, chunks: [][]byte{[]byte("ab"), []byte("cd"), []byte("ef"), []byte("gh"), []byte("ij")}}
	l := newLink(stream.Options{Name: "fake", Now: now}, p, nil)
	pairs := func(b []byte) (int, []byte) {
		if len(b) < 6 {
			return 0, nil
		}
		return 2, b[:2]
	}
	for i, want := range []string{"ab", "cd", "ef"} {
		got, err := l.Receive(pairs, at.Add(time.Second), nil)
		if err != nil || len(got) != 1 || string(got[0].Bytes) != want {
			t.Fatalf("call %d: %+v, %v, want %q", i, got, err, want)
		}
		if ms := int(got[0].Arrived.Sub(begin) / time.Millisecond); ms != i+1 {
			t.Errorf("%q arrived at %d ms, want %d ms", want, ms, i+1)
		}
	}
}

// TestCloseDropsOutputFirst: the system waits at closing for output to leave,
// up to half a minute on some ports (from memory).
func TestCloseDropsOutputFirst(t *testing.T) {
	path := filepath.Join(t.TempDir(), "port")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	h, err := holdPort(path)
	if err != nil {
		t.Fatal(err)
	}
	p := &scripted{then: nothing}
	l := newLink(stream.Options{Name: path}, p, h)
	if err := errors.Join(l.Close(), l.Close()); err != nil {
		t.Fatal(err)
	}
	if want := []string{"drop output", "close"}; !slices.Equal(p.calls, want) {
		t.Errorf("the port saw %q, want %q", p.calls, want)
	}
}

func TestPanicOfTheLibraryIsGone(t *testing.T) {
	p := &scripted{then: func([]byte) (int, error) { panic("index out of range [16] with length 16") }}
	l := newLink(stream.Options{Name: "fake"}, p, nil)
	_, err := l.Receive(lines, time.Now().Add(time.Second), nil)
	if !errors.Is(err, drivers.ErrGone) || !strings.Contains(err.Error(), "index out of range") {
		t.Errorf("Receive: %v, want ErrGone with the panic's text", err)
	}
	if _, _, err := l.Send([]byte("?"), time.Now().Add(time.Second)); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("Send: %v, want ErrGone", err)
	}
}

// TestEmptyReadsAreGone: some systems answer for a pulled port with reads that
// return at once with nothing.
func TestEmptyReadsAreGone(t *testing.T) {
	at, now, _ := clock() // stands still: no read waits
	l := newLink(stream.Options{Name: "fake", Now: now}, &scripted{then: nothing}, nil)
	if _, err := l.Receive(lines, at.Add(time.Second), nil); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("Receive: %v, want ErrGone", err)
	}
}

func TestEmptyReadAtTheDeadlineIsATimeout(t *testing.T) {
	at, now, step := clock()
	p := &scripted{now: step, then: nothing, chunks: [][]byte{[]byte("half a fra")}}
	l := newLink(stream.Options{Name: "fake", Now: now}, p, nil)
	_, err := l.Receive(lines, at.Add(5*time.Millisecond), nil)
	if !errors.Is(err, drivers.ErrTimeout) || !strings.Contains(err.Error(), "10 bytes came") {
		t.Errorf("Receive: %v, want ErrTimeout that tells of 10 bytes", err)
	}
	if first := p.timeouts[0]; first != 5*time.Millisecond {
		t.Errorf("the first read waits %v, want the 5 ms to the deadline", first)
	}
}

// TestFullBufferIsHandedOut holds that a protocol which never finds a frame
// cannot stop the link, and that nothing received goes unseen.
func TestFullBufferIsHandedOut(t *testing.T) {
	p := &scripted{then: func(b []byte) (int, error) {
		for i := range b {
			b[i] = 'U'
		}
		return len(b), nil
	}, chunks: [][]byte{[]byte("\nUUU")}}
	l := newLink(stream.Options{Name: "fake"}, p, nil)
	frames, err := l.Receive(lines, time.Now().Add(10*time.Second), nil)
	if err != nil || len(frames) != 1 || len(frames[0].Bytes) != stream.BufferSize {
		t.Fatalf("Receive: %d frames, %v, want one of %d bytes", len(frames), err, stream.BufferSize)
	}
}

func TestSplitThatLiesIsHeld(t *testing.T) {
	p := &scripted{then: nothing, chunks: [][]byte{[]byte("abc")}}
	l := newLink(stream.Options{Name: "fake"}, p, nil)
	tooFar := func(b []byte) (int, []byte) { return len(b) + 7, b }
	if frames, err := l.Receive(tooFar, time.Now().Add(time.Second), nil); err != nil || len(frames) != 1 {
		t.Errorf("Receive: %d frames, %v, want 1", len(frames), err)
	}
	if _, dropped, err := l.Send(nil, time.Now()); err != nil || dropped != 0 {
		t.Errorf("%d bytes were left behind, %v, want none", dropped, err)
	}
}

func TestLinkDoesNotAllocatePerFrame(t *testing.T) {
	p := &scripted{then: func(b []byte) (int, error) { return copy(b, "2.5 mW/cm2\n12.40 mW/cm2\n1"), nil }}
	l := newLink(stream.Options{Name: "fake"}, p, nil)
	var dst []drivers.Frame
	receive := func() {
		var err error
		p.timeouts = p.timeouts[:0]
		if dst, err = l.Receive(lines, time.Now().Add(time.Second), dst[:0]); err != nil || len(dst) != 2 {
			t.Fatalf("Receive: %d frames, %v, want 2", len(dst), err)
		}
	}
	receive()
	if n := testing.AllocsPerRun(1000, receive); n != 0 {
		t.Errorf("%v allocations for 2 frames, want none", n)
	}
}
