package wire

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"
)

// file is a WriteCloser in memory that may fail, or wait.
type file struct {
	bytes.Buffer
	fails error
	wait  chan struct{} // after the header
}

func (f *file) Write(p []byte) (int, error) {
	if f.Len() > 0 && f.wait != nil {
		<-f.wait
	}
	if f.Len() > 0 && f.fails != nil {
		return 0, f.fails
	}
	return f.Buffer.Write(p)
}
func (f *file) Close() error { return nil }

func header() Header {
	return Header{Name: "n", Obtained: "invented", Begun: time.Date(2025, 11, 25, 10, 0, 0, 0, time.UTC),
		Driver: "textline", Set: []string{"baud = 9600", `textline.query = "R\n"`}}
}

func TestRoundTrip(t *testing.T) {
	var f file
	h := header()
	r, err := NewRecorder(&f, h)
	if err != nil {
		t.Fatal(err)
	}
	said := []byte("\xff\x00\"1.2\r\n")
	r.Remark("the port\nis open", h.Begun)
	r.Tap(true, []byte("R\n"), h.Begun)
	r.Tap(false, said, h.Begun.Add(12345678*time.Nanosecond))
	clear(said) // the caller's buffer is used again
	if err := errors.Join(r.Close(), r.Close()); err != nil {
		t.Fatal(err)
	}
	r.Tap(true, []byte("late"), h.Begun) // a link that outlives its recording
	c, err := Parse(&f.Buffer)
	if err != nil {
		t.Fatal(err)
	}
	if c.Header.Driver != "textline" || len(c.Header.Set) != 2 || !c.Header.Begun.Equal(h.Begun) || c.Header.Date.Day() != 25 {
		t.Errorf("header %+v", c.Header)
	}
	want := []Line{{Sent: true, Bytes: []byte("R\n"), Timed: true}, {Bytes: []byte("\xff\x00\"1.2\r\n"), At: 12346 * time.Microsecond, Timed: true}}
	if len(c.Lines) != 2 {
		t.Fatalf("%d lines, want 2", len(c.Lines))
	}
	for i, w := range want {
		if g := c.Lines[i]; g.Sent != w.Sent || !bytes.Equal(g.Bytes, w.Bytes) || g.At != w.At || !g.Timed {
			t.Errorf("line %d: %+v, want %+v", i, g, w)
		}
	}
}

// TestSlowDisk: what cannot be written in time is lost and told, and nobody
// waits for it.
func TestSlowDisk(t *testing.T) {
	f := file{wait: make(chan struct{})}
	r, err := NewRecorder(&f, header())
	if err != nil {
		t.Fatal(err)
	}
	for range backlog + 2000 {
		r.Tap(false, []byte("x"), header().Begun)
	}
	close(f.wait)
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	c, err := Parse(strings.NewReader(f.String()))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(c.Lines); n < backlog || n > backlog+1000 || !strings.Contains(f.String(), "pieces were lost here") {
		t.Errorf("%d lines, want about %d, and the loss told", n, backlog)
	}
}

func TestFailedDisk(t *testing.T) {
	full := errors.New("no space left on device")
	f := file{fails: full}
	r, err := NewRecorder(&f, header())
	if err != nil {
		t.Fatal(err)
	}
	r.Tap(true, []byte("R\n"), header().Begun)
	if err := r.Close(); !errors.Is(err, full) {
		t.Errorf("Close: %v, want %v", err, full)
	}
}

func TestParseRefuses(t *testing.T) {
	for text, says := range map[string]string{
		"# date: today\n":                   "1: ",
		"# set: baud\n":                     "1: want key = value",
		"\n> R\n":                           "2: want a Go string",
		"< \"x\" 0.1\n":                     "want nothing or @ and seconds",
		"< \"x\" @-1\n":                     "want nothing or @ and seconds",
		"< \"x\" @NaN\n":                    "want nothing or @ and seconds",
		"! \"x\"\n":                         "want a line that starts with",
		"< \"" + strings.Repeat("x", 2<<20): "too long",
	} {
		if _, err := Parse(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("Parse(%.20q): %v, want %q in it", text, err, says)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("# name: n\n# set: a = 1\n> \"R\" @0.5\n< \"\\xff\"\n# remark\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := Parse(strings.NewReader(text))
		if err != nil {
			return
		}
		for _, l := range c.Lines {
			again, err := ParseLine(l.String())
			if err != nil || again.Sent != l.Sent || !bytes.Equal(again.Bytes, l.Bytes) || again.Timed != l.Timed ||
				(again.At-l.At).Abs() > time.Microsecond {
				t.Fatalf("%q came back as %+v, %v, want %+v", l.String(), again, err, l)
			}
		}
	})
}
