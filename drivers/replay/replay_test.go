package replay

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/drivers"
)

func lines(buf []byte) (int, []byte) {
	if i := bytes.IndexByte(buf, '\n'); i >= 0 {
		return i + 1, buf[:i]
	}
	return 0, nil
}

const polled = `# name: a polled probe; the second answer is cut off, the third question is not answered
> "R\n" @0.000000
< "1." @0.030000
< "0\n" @0.040000
> "R\n" @1.000000
< "2." @1.020000
> "R\n" @2.000000
> "R\n" @3.000000
< "4.0\n" @3.010000
`

func recording(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// heard is a frame with its instants since the beginning.
type heard struct {
	text              string
	departed, arrived time.Duration
}

// listen takes all that a replay says by itself, and how it ends.
func listen(t *testing.T, o Options) (out []heard, took time.Duration, err error) {
	t.Helper()
	l, err := Dial(o)(t.Context())
	if err != nil {
		return nil, 0, err
	}
	defer l.Close()
	begun := time.Now()
	for {
		frames, err := l.Receive(lines, time.Now().Add(200*time.Millisecond), nil)
		for _, f := range frames {
			out = append(out, heard{string(f.Bytes), f.Departed.Sub(begun), f.Arrived.Sub(begun)})
		}
		if err != nil && !errors.Is(err, drivers.ErrTimeout) {
			return out, time.Since(begun), err
		}
	}
}

func TestPace(t *testing.T) {
	path := recording(t, "polled.wire", polled)
	for _, c := range []struct {
		speed float64
		took  time.Duration
		want  []heard
	}{
		{1, 3010 * time.Millisecond, []heard{{"1.0", 0, 30 * time.Millisecond}, {"4.0", 3 * time.Second, 3010 * time.Millisecond}}},
		{10, 301 * time.Millisecond, []heard{{"1.0", 0, 3 * time.Millisecond}, {"4.0", 300 * time.Millisecond, 301 * time.Millisecond}}},
		{AsFastAsTaken, 0, []heard{{"1.0", 0, 0}, {"4.0", 0, 0}}},
	} {
		synctest.Test(t, func(t *testing.T) {
			got, took, err := listen(t, Options{File: path, Speed: c.speed})
			if !slices.Equal(got, c.want) || took != c.took || !errors.Is(err, ErrEnded) || !errors.Is(err, drivers.ErrGone) {
				t.Errorf("at speed %g: %v in %v, %v, want %v in %v", c.speed, got, took, err, c.want, c.took)
			}
		})
	}
}

// TestAsked: each question meets what followed the next one in the recording,
// after as long as then, whenever it is asked.
func TestAsked(t *testing.T) {
	path := recording(t, "polled.wire", polled)
	synctest.Test(t, func(t *testing.T) {
		dial := Dial(Options{File: path, Speed: 1})
		l, err := dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for n, want := range []string{"1.0", "", "", "4.0"} {
			if n == 2 { // the port is opened anew meanwhile
				if _, err := dial(t.Context()); !errors.Is(err, drivers.ErrBusy) {
					t.Errorf("a second opening: %v, want ErrBusy", err)
				}
				if err := errors.Join(l.Close(), l.Close()); err != nil {
					t.Fatal(err)
				}
				if l, err = dial(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			asked := time.Now()
			departed, _, err := l.Send([]byte("R\n"), asked.Add(100*time.Millisecond))
			if err != nil || !departed.Equal(asked) {
				t.Fatalf("question %d: %v, %v", n+1, departed, err)
			}
			frames, err := l.Receive(lines, asked.Add(100*time.Millisecond), nil)
			switch {
			case want == "" && (!errors.Is(err, drivers.ErrTimeout) || time.Since(asked) != 100*time.Millisecond):
				t.Errorf("question %d: %v, %v after %v, want ErrTimeout after 100 ms", n+1, frames, err, time.Since(asked))
			case want != "" && (err != nil || string(frames[0].Bytes) != want || !frames[0].Departed.Equal(asked)):
				t.Errorf("question %d: %v, %v, want %q", n+1, frames, err, want)
			}
			time.Sleep(7 * time.Second) // a question may come late
		}
		if _, _, err := l.Send([]byte("R\n"), time.Now()); !errors.Is(err, ErrEnded) || !errors.Is(err, drivers.ErrGone) {
			t.Errorf("after the last: %v, want ErrEnded", err)
		}
		if _, err := l.Receive(lines, time.Now(), nil); !errors.Is(err, drivers.ErrTimeout) {
			t.Errorf("after the last: %v, want ErrTimeout", err)
		}
		l.Close()
		if _, err := dial(t.Context()); !errors.Is(err, ErrEnded) {
			t.Errorf("opened after its end: %v, want ErrEnded", err)
		}
	})
}

func TestExport(t *testing.T) {
	path := recording(t, "hatch.csv", "utc,said,quality\r\n"+
		"2025-11-25T10:00:00.000000000Z,\"0.1,mW/cm2\",good\r\n2025-11-25T10:00:00.500000000Z,OVER,over-range\r\n")
	synctest.Test(t, func(t *testing.T) {
		got, took, err := listen(t, Options{File: path, Speed: 1})
		want := []heard{{"0.1,mW/cm2", 0, 0}, {"OVER", 500 * time.Millisecond, 500 * time.Millisecond}}
		if !slices.Equal(got, want) || took != 500*time.Millisecond || !errors.Is(err, ErrEnded) {
			t.Errorf("%v in %v, %v, want %v", got, took, err, want)
		}
	})
}

func TestRefused(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"a.csv":  {"at,text\n", "want the columns utc and said"},
		"b.csv":  {"utc,said\n2025-11-25T10:00:01Z,1\n2025-11-25T10:00:00Z,2\n", ":3: utc: "},
		"c.csv":  {"utc,said\nyesterday,1\n", ":2: utc: "},
		"d.csv":  {"utc,said\n2025-11-25T10:00:01Z\n", ":2: 1 columns, want 2"},
		"e.csv":  {"", ":1: want a line with the names"},
		"f.wire": {"# name: n\n", "nothing was said"},
		"g.wire": {"hello\n", ":1: want a line"},
	} {
		_, err := Dial(Options{File: recording(t, name, c.text)})(t.Context())
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q in it", name, err, c.says)
		}
	}
	if _, err := Dial(Options{File: "/nonexistent.wire"})(t.Context()); !errors.Is(err, drivers.ErrAbsent) {
		t.Errorf("%v, want ErrAbsent", err)
	}
}

func TestParsePort(t *testing.T) {
	for port, want := range map[string]struct {
		file  string
		speed float64
	}{
		"replay:a.wire": {"a.wire", 1}, "replay:/x/a.csv?speed=10": {"/x/a.csv", 10}, "replay:a?speed=max": {"a", AsFastAsTaken},
		"replay:": {}, "a.wire": {}, "replay:a?speed=0": {}, "replay:a?speed=NaN": {}, "replay:a?pace=1": {}, "replay:a?speed=1e9": {},
	} {
		if file, speed, err := ParsePort(port); file != want.file || speed != want.speed || (err == nil) != (want.file != "") {
			t.Errorf("ParsePort(%q) = %q, %g, %v, want %+v", port, file, speed, err, want)
		}
	}
}
