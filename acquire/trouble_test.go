package acquire

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/drivers"
)

// grumbling is plain with a list of errors: an entry is "!text", "!" its end.
type grumbling struct{ plain }

func (grumbling) TroubleRequest() []byte { return []byte("ERR?\n") }

func (grumbling) ParseTrouble(frame []byte) (string, error) {
	text, ok := bytes.CutPrefix(frame, []byte("!"))
	if !ok {
		return "", errors.New("no entry")
	}
	return string(text), nil
}

// grumbler answers polls, and questions for its errors, in a synctest bubble.
type grumbler struct {
	born     time.Time
	say      func(time.Duration) string          // to a poll
	grumbles func(d time.Duration, n int) string // to the n-th question of a connect; "" is no answer
	took     time.Duration
	opened   int // only looked at while no station runs

	mu    sync.Mutex
	times []time.Duration // when it was asked for its errors
	said  string
}

func (g *grumbler) dial(context.Context) (drivers.Link, error) {
	g.opened++
	return g, nil
}

func (g *grumbler) Send(request []byte, _ time.Time) (time.Time, int, error) {
	d := time.Since(g.born)
	if string(request) == "ERR?\n" {
		g.mu.Lock()
		g.times = append(g.times, d)
		n := len(g.times) - 1
		g.mu.Unlock()
		g.said = g.grumbles(d, n)
	} else {
		g.said = g.say(d)
	}
	if g.said == "gone" {
		return time.Time{}, 0, drivers.ErrGone
	}
	return time.Now(), 0, nil
}

func (g *grumbler) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	if g.said == "" || time.Until(deadline) < g.took {
		time.Sleep(time.Until(deadline)) // the bubble's clock
		return dst, drivers.ErrTimeout
	}
	time.Sleep(g.took) // the bubble's clock
	_, frame := split([]byte(g.said + "\n"))
	g.said = ""
	return append(dst, drivers.Frame{Bytes: frame, Arrived: time.Now()}), nil
}

func (g *grumbler) Close() error { return nil }

// asked says when it was asked for its errors.
func (g *grumbler) asked() []time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	return slices.Clone(g.times)
}

// sampled counts the samples of the first post.
func (m *memory) sampled() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.samples[0])
}

func listening(t *testing.T, g *grumbler, check func(t *testing.T, s *Station, m *memory)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		g.born = time.Now()
		if g.took == 0 {
			g.took = 4 * time.Millisecond
		}
		post := aPost(&fakeProbe{})
		post.Probe.Protocol, post.Probe.Dial = grumbling{}, g.dial
		m := newMemory()
		s, err := New(Options{Posts: []Post{post}, Recorder: m, Log: slog.New(slog.DiscardHandler), Now: time.Now,
			Past: func(int) (Past, error) { return Past{}, nil }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		check(t, s, m)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func well(d time.Duration) string { return dither(0.4, d) }

func TestTroubleIsReadAfterAConnectAndEveryTenMinutes(t *testing.T) {
	g := &grumbler{say: well, grumbles: func(d time.Duration, n int) string {
		switch {
		case n == 0:
			return "!-113, Undefined header"
		case n == 1:
			return "!-410, Query INTERRUPTED"
		case d > 9*time.Minute && n == 3:
			return "!-240, Hardware error"
		}
		return "!"
	}}
	listening(t, g, func(t *testing.T, s *Station, m *memory) {
		at(time.Second)
		want := []string{"probe probe reports of itself: -113, Undefined header", "probe probe reports of itself: -410, Query INTERRUPTED"}
		if got := m.texts(KindInstrument); !slices.Equal(got, want) {
			t.Errorf("after a second: %q, want %q", got, want)
		}
		at(9 * time.Minute)
		if n := len(g.asked()); n != 3 {
			t.Errorf("asked %d times in 9 min, want 3: two entries and the end", n)
		}
		at(11 * time.Minute)
		want = append(want, "probe probe reports of itself: -240, Hardware error")
		if got := m.texts(KindInstrument); !slices.Equal(got, want) || len(g.asked()) != 5 {
			t.Errorf("after 11 min: %q, asked %d times, want %q, 5", got, len(g.asked()), want)
		}
		if n := s.Stats()[0].Counts.Missed; n != 0 {
			t.Errorf("missed %d slots: the questions cost polls", n)
		}
		if n := m.sampled(); n != 6599 { // the first slot is at 100 ms, and the last answer is on its way
			t.Errorf("%d samples in 11 min at 10 Hz, want 6599", n)
		}
	})
}

func TestTroubleIsReadWhenAReadingFails(t *testing.T) {
	for name, answer := range map[string]string{"nonsense": "?!", "silence": ""} {
		t.Run(name, func(t *testing.T) {
			g := &grumbler{grumbles: func(time.Duration, int) string { return "!" }}
			g.say = func(d time.Duration) string {
				if d > 15*time.Second && d < 45*time.Second {
					return answer
				}
				return well(d)
			}
			listening(t, g, func(t *testing.T, s *Station, m *memory) {
				at(2 * time.Minute)
				// At once, then every 10 s at most, while it lasts.
				if n := len(g.asked()); n < 4 || n > 5 || g.asked()[1] < 15*time.Second || g.asked()[1] > 15300*time.Millisecond {
					t.Errorf("asked at %v, want at the connect, just after 15 s, and every 10 s until 45 s", g.asked())
				}
			})
		})
	}
}

func TestTroubleIsBounded(t *testing.T) {
	g := &grumbler{say: func(d time.Duration) string { return "?!" }, took: time.Millisecond}
	g.grumbles = func(_ time.Duration, n int) string { return fmt.Sprintf("!-%d, x", 100+n%2) } // without end
	listening(t, g, func(t *testing.T, s *Station, m *memory) {
		at(5 * time.Minute)
		if n := len(g.asked()); n > 20*31 || n < 20*25 {
			t.Errorf("asked %d times in 5 min, want about 20 each 10 s", n)
		}
		if got := m.texts(KindInstrument); len(got) != 2 {
			t.Errorf("%d events in 5 min, want one of each trouble: %q", len(got), got)
		}
		at(11 * time.Minute)
		got := m.texts(KindInstrument)
		if len(got) != 4 || !strings.HasSuffix(got[2], " more since the last such event") {
			t.Errorf("%q, want each once more after 10 min, with a count", got)
		}
	})
}

// TestTroubleOfAnInstrumentThatKeepsNone: no answer, a refusal, a line that
// goes away in the middle. The polls go on, and it is asked again much later.
func TestTroubleOfAnInstrumentThatKeepsNone(t *testing.T) {
	for name, answer := range map[string]string{"silence": "", "refusal": "?"} {
		t.Run(name, func(t *testing.T) {
			g := &grumbler{say: well, grumbles: func(time.Duration, int) string { return answer }}
			listening(t, g, func(t *testing.T, s *Station, m *memory) {
				at(9 * time.Minute)
				st := s.Stats()[0]
				if len(g.asked()) != 1 || st.Counts.Missed != 0 || m.sampled() != 5399 {
					t.Errorf("asked %d times, missed %d slots, %d samples, want 1, 0, 5399", len(g.asked()), st.Counts.Missed, m.sampled())
				}
			})
		})
	}
	g := &grumbler{say: well, grumbles: func(time.Duration, int) string { return "gone" }}
	listening(t, g, func(t *testing.T, s *Station, m *memory) {
		at(5 * time.Second)
		if got := m.texts(KindLink); !strings.Contains(strings.Join(got, " "), "went away") {
			t.Errorf("the line went away, and of it is told: %q", got)
		}
	})
}

// TestTroubleFindsNoGap: a slow instrument leaves no time between polls, so that
// one poll is given up for the question, a minute late.
func TestTroubleFindsNoGap(t *testing.T) {
	g := &grumbler{say: well, took: 85 * time.Millisecond, grumbles: func(_ time.Duration, n int) string {
		if n == 0 {
			return "!-240, Hardware error"
		}
		return "!"
	}}
	listening(t, g, func(t *testing.T, s *Station, m *memory) {
		at(59 * time.Second)
		if len(g.asked()) != 0 {
			t.Errorf("asked at %v, where there is no gap", g.asked())
		}
		at(90 * time.Second)
		if got := m.texts(KindInstrument); len(got) != 1 {
			t.Errorf("asked at %v, told %q, want one trouble", g.asked(), got)
		}
		if n := s.Stats()[0].Counts.Missed; n == 0 || n > 2 {
			t.Errorf("missed %d slots, want the one given up to be counted", n)
		}
	})
}

// A port is not kept for the next station while an answer about errors may yet come.
func TestPortThatOwesItsTroublesIsNotKept(t *testing.T) {
	for name, answer := range map[string]string{"silent": "", "at an end": "!"} {
		synctest.Test(t, func(t *testing.T) {
			g := &grumbler{born: time.Now(), took: 60 * time.Millisecond}
			g.say = func(d time.Duration) string {
				if d > 10450*time.Millisecond && d < 10550*time.Millisecond {
					return "no reading" // so that it is asked for its errors
				}
				return "1.00"
			}
			g.grumbles = func(d time.Duration, _ int) string {
				if d < time.Second {
					return "!"
				}
				return answer
			}
			post := aPost(&fakeProbe{})
			post.Probe.Protocol, post.Probe.Dial, post.Probe.Timeout = grumbling{}, g.dial, 400*time.Millisecond
			h := ran(t, post)
			at(10970 * time.Millisecond) // asked at 10.9 s, answered at 10.96; the next poll is at 11
			if n := len(g.asked()); n != 2 {
				t.Fatalf("asked at %v, want after the connect and just before 11 s", g.asked())
			}
			s := h.changed(t)
			was, want := g.opened, g.opened
			if answer == "" {
				want++
			}
			h.run(t, s)
			at(13 * time.Second)
			h.stop(t)
			if g.opened != want {
				t.Errorf("%s: the port was opened %d times, then %d", name, was, g.opened-was)
			}
		})
	}
}
