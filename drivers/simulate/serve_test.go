package simulate

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/drivers"
)

// lines splits at LF, as a text protocol would.
func lines(buf []byte) (int, []byte) {
	i := bytes.IndexByte(buf, '\n')
	if i < 0 {
		return 0, nil
	}
	return i + 1, bytes.TrimRight(buf[:i], "\r")
}

// running starts a kitchen in process, in a synctest bubble, and gives a link
// to its first probe; the test's end stops it and checks its error.
func running(t *testing.T, o Options) (*Kitchen, drivers.Dialer) {
	t.Helper()
	o.InProcess = true
	k := build(t, o)
	if err := k.Listen(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- k.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	path, dial := k.Port(k.probes[0].spec.ID)
	if path != "" || dial == nil || !k.InProcess() {
		t.Fatalf("in process: path %q, dialer given: %v, says so: %v", path, dial != nil, k.InProcess())
	}
	return k, dial
}

func open(t *testing.T, dial drivers.Dialer) drivers.Link {
	t.Helper()
	l, err := dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// ask sends one request and returns the answers that come within a second.
func ask(t *testing.T, l drivers.Link, request string) []string {
	t.Helper()
	if _, _, err := l.Send([]byte(request), time.Now().Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	return hear(t, l)
}

func hear(t *testing.T, l drivers.Link) []string {
	t.Helper()
	frames, err := l.Receive(lines, time.Now().Add(time.Second), nil)
	if err != nil && !errors.Is(err, drivers.ErrTimeout) {
		t.Fatal(err)
	}
	var heard []string
	for _, f := range frames {
		heard = append(heard, string(f.Bytes))
	}
	return heard
}

func TestCommands(t *testing.T) {
	tests := []struct {
		name, request string
		want          string // of the answers, "V" for a reading, by blanks
	}{
		{"query", "READ?\n", "V"},
		{"query ended by CR LF", "READ?\r\n", "V"},
		{"query ended by CR", "READ?\r", "V"},
		{"small letters and blanks", " read? \n", "V"},
		{"two at once", "READ?\nREAD?\n", "V V"},
		{"empty lines", "\n\r\n\n", ""},
		{"half a query", "READ", ""},
		{"unknown", "MEAS?\n", "?"},
		{"bytes of no sense", "\x00\xff\x80\n", "?"},
		{"far too long", strings.Repeat("READ?", 300) + "\nREAD?\n", "? V"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				_, dial := running(t, Scripted(1, 1, Pattern{On: time.Second, Level: 50}))
				l := open(t, dial)
				if _, _, err := l.Send([]byte(test.request), time.Now().Add(time.Second)); err != nil {
					t.Fatal(err)
				}
				synctest.Wait() // for both answers, where there are two
				var got []string
				for _, line := range hear(t, l) {
					if line != "?" {
						decode(t, line)
						line = "V"
					}
					got = append(got, line)
				}
				if s := strings.Join(got, " "); s != test.want {
					t.Errorf("answers %q, want %q", s, test.want)
				}
			})
		})
	}
}

func TestRequestInPieces(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, dial := running(t, Scripted(1, 1, Pattern{On: time.Second, Level: 50}))
		l := open(t, dial)
		for _, piece := range []string{"R", "EA", "D"} {
			if got := ask(t, l, piece); got != nil {
				t.Fatalf("after %q: answer %q, want none", piece, got)
			}
		}
		if got := ask(t, l, "?\n"); len(got) != 1 {
			t.Fatalf("answers %q, want one", got)
		}
	})
}

func TestAnswersCarryTheirTruth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var answers []Answer
		o := ModelKitchen(1, 60) // a minute of the kitchen in each second
		o.OnAnswer = func(a Answer) { answers = append(answers, a) }
		o.Probes = o.Probes[1:2]
		k, dial := running(t, o)
		l := open(t, dial)
		for i := range 5 {
			before := time.Now()
			got := ask(t, l, "READ?\n")
			a := answers[i]
			if len(got) != 1 || a.Line != got[0] || a.Index != uint64(i) || a.Probe != "probe-2" || !a.Instant.Equal(before) {
				t.Fatalf("answer %q, told %+v", got, a)
			}
			if want := time.Duration(i) * 18 * time.Second; a.At != want {
				t.Errorf("answer %d at kitchen time %v, want %v: the kitchen runs 60 times as fast", i, a.At, want)
			}
			f, e := k.Probe("probe-2").Truth(k.Time(a.Instant))
			if a.True != f || a.Expected != e {
				t.Errorf("answer %d has %g and %g W/m², the kitchen %g and %g", i, a.True, a.Expected, f, e)
			}
			<-time.After(300 * time.Millisecond) // of the bubble's clock
		}
	})
}

func TestStreamKeepsItsSchedule(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		o := Scripted(1, 1, Pattern{On: time.Second, Level: 50})
		o.Probes[0].Stream = 10
		_, dial := running(t, o)
		synctest.Wait() // line 0 is said, and lost to a client that comes now
		l := open(t, dial)
		n := 1
		for time.Since(began) < time.Minute {
			frames, err := l.Receive(lines, time.Now().Add(time.Second), nil)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range frames {
				decode(t, string(f.Bytes))
				if want := began.Add(time.Duration(n) * 100 * time.Millisecond); !f.Arrived.Equal(want) {
					t.Fatalf("line %d came %v late", n, f.Arrived.Sub(want))
				}
				n++
			}
		}
		if n != 601 { // 1 to 600
			t.Errorf("%d lines in 60 s at 10 Hz, want 600 after the first", n-1)
		}
	})
}

func TestNobodyReads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		told := 0
		o := Scripted(1, 1, Pattern{On: time.Second, Level: 50})
		o.Probes[0].Stream = 100
		o.OnAnswer = func(Answer) { told++ }
		_, dial := running(t, o)
		l := open(t, dial)        // and never reads
		<-time.After(time.Minute) // of the bubble's clock
		synctest.Wait()
		if told != 6001 {
			t.Errorf("%d lines in a minute at 100 Hz that nobody reads, want 6001", told)
		}
		if n := len(hear(t, l)); n == 0 || n > mostUnread/17 {
			t.Errorf("%d lines waited, want some, at most 2048 bytes of them", n)
		}
	})
}

func TestClientsComeAndGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, dial := running(t, Scripted(1, 1, Pattern{On: time.Second, Level: 50}))
		l := open(t, dial)
		if _, err := dial(t.Context()); !errors.Is(err, drivers.ErrBusy) {
			t.Errorf("a second client: error %v, want ErrBusy", err)
		}
		if _, _, err := l.Send([]byte("READ?\n"), time.Now().Add(time.Second)); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		for range 2 {
			if err := l.Close(); err != nil {
				t.Error(err)
			}
		}
		if _, err := l.Receive(lines, time.Now().Add(time.Second), nil); !errors.Is(err, drivers.ErrGone) {
			t.Errorf("a closed link: error %v, want ErrGone", err)
		}
		next := open(t, dial)
		if got := hear(t, next); got != nil {
			t.Errorf("the next client finds %q", got)
		}
		if got := ask(t, next, "READ?\n"); len(got) != 1 {
			t.Errorf("the next client's answers: %q, want one", got)
		}
	})
}

func TestLinkStampsAndDrops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line, dial := Pipe(nil)
		l := open(t, dial)
		began := time.Now()
		say := func(text string) {
			t.Helper()
			if _, err := io.WriteString(line, text); err != nil {
				t.Fatal(err)
			}
		}
		say("fir")
		if got := hear(t, l); got != nil { // a second passes
			t.Fatalf("heard %q before it was whole", got)
		}
		say("st\nsecond\nthi")
		frames, err := l.Receive(lines, time.Now().Add(time.Second), nil)
		if err != nil || len(frames) != 2 {
			t.Fatalf("frames %v, error %v, want two", frames, err)
		}
		if string(frames[0].Bytes) != "first" || !frames[0].Arrived.Equal(began) {
			t.Errorf("%q arrived %v after the start, want at once", frames[0].Bytes, frames[0].Arrived.Sub(began))
		}
		if string(frames[1].Bytes) != "second" || !frames[1].Arrived.Equal(began.Add(time.Second)) {
			t.Errorf("%q arrived %v after the start, want 1 s", frames[1].Bytes, frames[1].Arrived.Sub(began))
		}
		say("rd\nmore")
		departed, dropped, err := l.Send([]byte("x"), time.Now().Add(time.Second))
		if err != nil || dropped != len("third\nmore") || !departed.Equal(time.Now()) {
			t.Errorf("departed %v, dropped %d, error %v; want now, 10 and none", departed, dropped, err)
		}
		if _, _, err := l.Send([]byte("x"), time.Now()); !errors.Is(err, drivers.ErrTimeout) {
			t.Errorf("sent after its deadline: error %v, want ErrTimeout", err)
		}
		if err := line.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := l.Receive(lines, time.Now().Add(time.Second), nil); !errors.Is(err, drivers.ErrGone) {
			t.Errorf("the instrument's end closed: error %v, want ErrGone", err)
		}
		if _, err := dial(t.Context()); !errors.Is(err, drivers.ErrAbsent) {
			t.Errorf("dialled after that: error %v, want ErrAbsent", err)
		}
	})
}

// broken is a line whose writes fail.
type broken struct{ io.ReadWriteCloser }

func (broken) Write([]byte) (int, error) { return 0, errors.New("the wire is cut") }

func TestServeTellsOfABrokenLine(t *testing.T) {
	for name, stream := range map[string]float64{"polled": 0, "streaming": 10} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := Scripted(1, 1, Pattern{On: time.Second, Level: 50})
				o.Probes[0].Stream = stream
				line, dial := Pipe(nil)
				l := open(t, dial)
				if _, _, err := l.Send([]byte("READ?\n"), time.Now().Add(time.Second)); err != nil {
					t.Fatal(err)
				}
				err := build(t, o).Probe("probe-1").Serve(t.Context(), broken{line})
				if err == nil || !strings.Contains(err.Error(), "the wire is cut") {
					t.Errorf("error %v, want the line's", err)
				}
			})
		})
	}
	if err := build(t, Scripted(1, 1, Pattern{On: 1})).Probe("probe-1").Serve(t.Context(), struct {
		io.Reader
		io.Writer
		io.Closer
	}{strings.NewReader(""), io.Discard, io.NopCloser(nil)}); !errors.Is(err, io.EOF) {
		t.Errorf("a line that ends: error %v, want EOF", err)
	}
}

func TestKitchenRunsOnce(t *testing.T) {
	k := build(t, ModelKitchen(1, 1))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := k.Run(ctx); err != nil {
		t.Errorf("ended at once: %v", err)
	}
	if err := k.Run(ctx); err == nil {
		t.Error("it ran twice")
	}
	if err := k.Close(); err != nil {
		t.Error(err)
	}
	unrun := build(t, ModelKitchen(1, 1))
	if err := unrun.Listen(); err != nil {
		t.Fatal(err)
	}
	if err := unrun.Close(); err != nil {
		t.Error(err)
	}
	if path, dial := unrun.Port("probe-9"); path != "" || dial != nil {
		t.Error("a probe that is not there has a port")
	}
}
