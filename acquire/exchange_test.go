package acquire

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/drivers"
)

// line is a scripted instrument: say is asked at each question, by its number
// from 0, and returns what comes when after it. Bytes that came wait, as in a
// port, and Send drops them.
type line struct {
	say    func(n int) []utterance
	timing drivers.Timing

	mu    sync.Mutex
	asked []time.Time
	queue []arriving
}

type utterance struct {
	after time.Duration
	text  string
}

type arriving struct {
	at   time.Time
	text string
}

func (l *line) dial(context.Context) (drivers.Link, error) { return l, nil }
func (l *line) Timing() drivers.Timing                     { return l.timing }
func (l *line) Close() error                               { return nil }

func (l *line) Send([]byte, time.Time) (time.Time, int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now, dropped := time.Now(), 0
	l.queue = slices.DeleteFunc(l.queue, func(a arriving) bool {
		if a.at.After(now) {
			return false
		}
		dropped += len(a.text)
		return true
	})
	for _, u := range l.say(len(l.asked)) {
		l.queue = append(l.queue, arriving{now.Add(u.after), u.text})
	}
	slices.SortFunc(l.queue, func(a, b arriving) int { return a.at.Compare(b.at) })
	l.asked = append(l.asked, now)
	return now, dropped, nil
}

func (l *line) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	l.mu.Lock()
	wake := deadline
	if len(l.queue) > 0 && l.queue[0].at.Before(deadline) {
		wake = l.queue[0].at
	}
	l.mu.Unlock()
	time.Sleep(time.Until(wake)) // the bubble's clock
	l.mu.Lock()
	defer l.mu.Unlock()
	had := len(dst)
	for len(l.queue) > 0 && !l.queue[0].at.After(time.Now()) {
		a := l.queue[0]
		l.queue = l.queue[1:]
		_, frame := split([]byte(a.text + "\n"))
		dst = append(dst, drivers.Frame{Bytes: frame, Arrived: a.at, Behind: len(a.text) + 1})
	}
	if len(dst) == had {
		return dst, drivers.ErrTimeout
	}
	return dst, nil
}

// conversing runs a station over l for d, and returns it when it has ended.
func conversing(t *testing.T, l *line, change func(*Post), d time.Duration, check func(t *testing.T, s *Station, m *memory)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		p := aPost(&fakeProbe{})
		p.Probe.Dial = l.dial
		if change != nil {
			change(&p)
		}
		m := newMemory()
		s, err := New(Options{Posts: []Post{p}, Recorder: m, Log: slog.New(slog.DiscardHandler), Now: time.Now,
			Past: func(int) (Past, error) { return Past{}, nil }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		at(d)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		check(t, s, m)
	})
}

// TestFaultLateAnswers holds that an answer after its time-out is a sample of its
// own question, once, that no question is asked while one is open, and that
// slots that pass are counted. The answer's text is its question's number.
func TestFaultLateAnswers(t *testing.T) {
	const ms = time.Millisecond
	number := func(n int) string { return string(rune('0'+n%10)) + "." + string(rune('0'+n/10%10)) }
	for name, c := range map[string]struct {
		timeout  time.Duration
		after    func(n int) time.Duration // 0: never
		every    time.Duration             // from question to question, on average
		answered float64                   // share of questions that become samples
		late     float64                   // share of answers that are late
	}{
		"in time":                       {100 * ms, func(int) time.Duration { return 4 * ms }, 100 * ms, 1, 0},
		"late, still in the slot":       {40 * ms, func(int) time.Duration { return 70 * ms }, 100 * ms, 1, 1},
		"always into the next slot":     {100 * ms, func(int) time.Duration { return 170 * ms }, 200 * ms, 1, 1},
		"just into the next slot":       {100 * ms, func(int) time.Duration { return 120 * ms }, 400 * ms / 3, 1, 1}, // three on a slot up to half a period late, then a slot on time
		"each fifth into the next slot": {100 * ms, func(n int) time.Duration { return 4*ms + time.Duration(b2i(n%5 == 0))*160*ms }, 120 * ms, 1, 0.2},
		"each fifth lost":               {100 * ms, func(n int) time.Duration { return time.Duration(b2i(n%5 != 0)) * 4 * ms }, 120 * ms, 0.8, 0},
		"each fifth lost, short wait":   {50 * ms, func(n int) time.Duration { return time.Duration(b2i(n%5 != 0)) * 4 * ms }, 100 * ms, 0.8, 0},
	} {
		t.Run(name, func(t *testing.T) {
			l := &line{say: func(n int) []utterance {
				if d := c.after(n); d > 0 {
					return []utterance{{d, number(n)}}
				}
				return nil
			}}
			const span = 60 * time.Second
			conversing(t, l, func(p *Post) { p.Probe.Timeout = c.timeout }, span, func(t *testing.T, s *Station, m *memory) {
				n := s.Stats()[0].Counts
				samples := m.samples[0]
				near(t, "questions", float64(len(l.asked)), float64(span/c.every))
				near(t, "samples", float64(len(samples)), c.answered*float64(len(l.asked)))
				near(t, "late", float64(n.Late), c.late*float64(len(samples)))
				near(t, "missed slots", float64(n.Missed), float64(span/(100*ms))-float64(len(l.asked)))
				if n.DroppedBytes != 0 {
					t.Errorf("%d bytes dropped: an answer was lost", n.DroppedBytes)
				}
				next := 0
				for i, g := range samples {
					for next < len(l.asked) && number(next) != m.said[0][i] {
						next++
					}
					if next == len(l.asked) {
						t.Fatalf("sample %d says %q, out of order or twice", i, m.said[0][i])
					}
					half := c.after(next) / 2
					if want := l.asked[next].Add(half); !g.At.Equal(want.Round(0).UTC()) || g.AtU != half {
						t.Fatalf("sample %d of question %d is at %v ± %v, want %v ± %v", i, next, g.At, g.AtU, want, half)
					}
					next++
				}
				for i := 1; i < len(l.asked); i++ {
					if gap := l.asked[i].Sub(l.asked[i-1]); gap < 50*ms {
						t.Fatalf("questions %v apart: bunched up", gap)
					}
				}
			})
		})
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// near allows for the ends of a run.
func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if d := got - want; d > 3+want/100 || d < -3-want/100 {
		t.Errorf("%v %s, want about %v", got, what, want)
	}
}

// TestFaultTooLateIsDropped holds what becomes of an answer too
// late to be told from another's: it is dropped, and the ones after it are
// stamped by their own questions.
func TestFaultTooLateIsDropped(t *testing.T) {
	l := &line{say: func(n int) []utterance {
		if n == 10 {
			return []utterance{{295 * time.Millisecond, "7.7"}}
		}
		return []utterance{{4 * time.Millisecond, "1.1"}}
	}}
	conversing(t, l, nil, 5*time.Second, func(t *testing.T, s *Station, m *memory) {
		for _, g := range m.samples[0] {
			if g.AtU > 2*time.Millisecond {
				t.Errorf("sample at %v ± %v, want ± 2 ms", g.At, g.AtU)
			}
		}
		if slices.Contains(m.said[0], "7.7") || s.Stats()[0].Counts.DroppedBytes != 3 {
			t.Errorf("dropped %d bytes, want the 3 of the answer that came too late", s.Stats()[0].Counts.DroppedBytes)
		}
	})
}

func TestOneQuestionOneAnswer(t *testing.T) {
	l := &line{say: func(n int) []utterance {
		return []utterance{{4 * time.Millisecond, "1.1"}, {4 * time.Millisecond, "2.2"}, {9 * time.Millisecond, "3.3"}}
	}}
	conversing(t, l, nil, 5*time.Second, func(t *testing.T, s *Station, m *memory) {
		for _, said := range m.said[0] {
			if said != "1.1" {
				t.Fatalf("%q became a sample", said)
			}
		}
		// Of each question but the last, 2.2 is dropped at once and 3.3 at the next.
		near(t, "bytes dropped", float64(s.Stats()[0].Counts.DroppedBytes), float64(6*len(l.asked)))
	})
}

func TestDelays(t *testing.T) {
	const ms = time.Millisecond
	l := &line{say: func(n int) []utterance {
		return []utterance{{2 * ms, "9.9"}, {30 * ms, "1.1"}} // an echo that reads like a number, and the answer
	}}
	conversing(t, l, func(p *Post) { p.Probe.AnswerDelay, p.Probe.AskDelay = 10*ms, 80*ms }, 10*time.Second,
		func(t *testing.T, s *Station, m *memory) {
			if len(m.said[0]) < 80 || slices.Contains(m.said[0], "9.9") {
				t.Errorf("samples %q…, want 1.1 only", m.said[0][:min(3, len(m.said[0]))])
			}
			for i := 1; i < len(l.asked); i++ {
				if gap := l.asked[i].Sub(l.asked[i-1]); gap < 110*ms { // 30 ms to the answer, 80 ms of rest
					t.Fatalf("questions %v apart, want at least 110 ms", gap)
				}
			}
			if n := s.Stats()[0].Counts.DroppedBytes; n < 3*80 {
				t.Errorf("%d bytes dropped, want the echoes", n)
			}
		})
}

func TestSensed(t *testing.T) {
	const ms = time.Millisecond
	t0 := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	asked := drivers.Frame{Departed: t0, Arrived: t0.Add(40 * ms), Behind: 10}
	talked := drivers.Frame{Arrived: t0.Add(40 * ms), Behind: 10}
	slow := drivers.Timing{ByteTime: ms, Latency: 16 * ms}
	for name, c := range map[string]struct {
		frame  drivers.Frame
		line   drivers.Timing
		offset time.Duration
		at, u  time.Duration // after t0
	}{
		"asked":                     {asked, drivers.Timing{}, 0, 20 * ms, 20 * ms},
		"asked, averaged":           {asked, drivers.Timing{}, -250 * ms, -230 * ms, 20 * ms},
		"asked, over an adapter":    {asked, slow, 0, 20 * ms, 28 * ms},
		"talking":                   {talked, drivers.Timing{}, 0, 40 * ms, ms},
		"talking, averaged":         {talked, drivers.Timing{}, -250 * ms, -210 * ms, ms},
		"talking on a slow line":    {talked, drivers.Timing{ByteTime: ms}, 0, 30 * ms, ms},
		"talking, over an adapter":  {talked, slow, 0, 22 * ms, 9 * ms},
		"talking, nothing known of": {drivers.Frame{Arrived: t0.Add(40 * ms)}, drivers.Timing{ByteTime: ms}, 0, 40 * ms, ms},
	} {
		at, u := sensed(&c.frame, &c.line, c.offset)
		if at.Sub(t0) != c.at || u != c.u {
			t.Errorf("%s: %v ± %v, want %v ± %v", name, at.Sub(t0), u, c.at, c.u)
		}
	}
}

func TestTimingOfTheLinkIsUsed(t *testing.T) {
	l := &line{timing: drivers.Timing{Latency: 16 * time.Millisecond},
		say: func(int) []utterance { return []utterance{{4 * time.Millisecond, "1.1"}} }}
	conversing(t, l, func(p *Post) { p.Probe.Offset = -250 * time.Millisecond }, 2*time.Second, func(t *testing.T, s *Station, m *memory) {
		g := m.samples[0][5]
		if late := g.At.Sub(l.asked[5]); late != -248*time.Millisecond || g.AtU != 10*time.Millisecond {
			t.Errorf("stamped %v after its question ± %v, want -248 ms ± 10 ms", late, g.AtU)
		}
	})
}

// TestFaultClockSteps moves what the station remembers of the wall clock, which is
// what a step of the clock comes to.
func TestFaultClockSteps(t *testing.T) {
	for _, step := range []time.Duration{time.Hour, time.Second, -time.Second, -time.Hour} {
		t.Run(step.String(), func(t *testing.T) {
			watching(t, func(d time.Duration) string { return dither(0.4, d) }, Past{}, func(t *testing.T, s *Station, m *memory) {
				at(5 * time.Second)
				s.mu.Lock()
				stepped(&s.line, step)
				s.mu.Unlock()
				s.watches[0].mu.Lock()
				stepped(&s.watches[0].line, step)
				s.watches[0].mu.Unlock()
				at(8 * time.Second)
				said := m.texts(KindClock)
				way := map[bool]string{true: "forward by ", false: "back by "}[step > 0]
				if len(said) != 1 || !strings.Contains(said[0], way+step.Abs().String()) {
					t.Errorf("events %q, want one step %s", said, step)
				}
				m.mu.Lock()
				defer m.mu.Unlock()
				for i, g := range m.samples[0] {
					if i > 0 && (g.At.Before(m.samples[0][i-1].At) || g.Mono <= m.samples[0][i-1].Mono) {
						t.Fatalf("sample %d at %v, after one at %v", i, g.At, m.samples[0][i-1].At)
					}
					// Set back by a second, the stamps have caught up after two.
					unsure := step < 0 && i >= 49 && (i < 68 || step < -time.Second)
					if near := i >= 48 && i <= 71; !near && (g.Quality&ClockUnsure != 0) != unsure {
						t.Errorf("sample %d: %v, want unsure: %v", i, g.Quality, unsure)
					}
				}
				if n := len(m.samples[0]); n < 78 || s.Stats()[0].Condition.Blind() {
					t.Errorf("%d samples, %v: the step touched the reading", n, s.Stats()[0].Condition)
				}
			})
		})
	}
}

// stepped makes the wall clock, as c sees it from now on, one that was set by d.
func stepped(c *clockLine, d time.Duration) {
	c.wall = c.wall.Add(-d)
	c.line = c.line.Add(-d)
}

// TestFaultClockSlewIsNoStep holds that a clock slewed by 500 parts in a million, the
// most a kernel slews (common practice, no source), is followed quietly.
func TestFaultClockSlewIsNoStep(t *testing.T) {
	for _, ppm := range []int{500, -500} {
		var c clockLine
		wall := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
		for i := range 3600 {
			mono := time.Duration(i) * time.Second
			at, unsure, step := c.look(wall.Add(mono+time.Duration(i*ppm)*time.Microsecond), mono)
			if want := wall.Add(mono + time.Duration(i*ppm)*time.Microsecond); unsure != 0 || step != 0 || !at.Equal(want) {
				t.Fatalf("%d ppm, after %v: %v, unsure %v, step %v; want %v", ppm, mono, at, unsure, step, want)
			}
		}
	}
}

func TestCheckedClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		state, fails := ClockState{Synchronised: true, MaxError: 7 * time.Millisecond}, error(nil)
		set := func(s ClockState, err error) { mu.Lock(); state, fails = s, err; mu.Unlock() }
		f := &fakeProbe{born: time.Now(), took: 4 * time.Millisecond, say: func(d time.Duration) string { return dither(6, d) }}
		m := newMemory()
		s, err := New(Options{Posts: []Post{aPost(f)}, Recorder: m, Log: slog.New(slog.DiscardHandler), Now: time.Now,
			Past:  func(int) (Past, error) { return Past{}, nil },
			Clock: func() (ClockState, error) { mu.Lock(); defer mu.Unlock(); return state, fails }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		newest := func() Sample { return s.Stats()[0].Newest }
		at(2 * time.Second)
		if g := newest(); g.Quality != 0 || g.AtU != 9*time.Millisecond {
			t.Errorf("synchronised: %v ± %v, want good ± 2 ms and the clock's 7 ms", g.Quality, g.AtU)
		}
		set(ClockState{MaxError: 16 * time.Second}, nil)
		at(4 * time.Second)
		if g := newest(); g.Quality != ClockUnsure || g.AtU < 16*time.Second {
			t.Errorf("not synchronised: %v ± %v", g.Quality, g.AtU)
		}
		if v := s.Stats()[0].Verdict.Outcome; v != "exceeds" {
			t.Errorf("verdict %v: an unsure clock touched it", v)
		}
		set(ClockState{Synchronised: true}, errors.New("no such call"))
		at(6 * time.Second)
		if g := newest(); g.Quality != ClockUnsure {
			t.Errorf("cannot be asked: %v", g.Quality)
		}
		set(ClockState{Synchronised: true, MaxError: time.Millisecond}, nil)
		at(8 * time.Second)
		if g := newest(); g.Quality != 0 {
			t.Errorf("synchronised again: %v", g.Quality)
		}
		if said := m.texts(KindClock); len(said) != 3 || !strings.Contains(said[1], "not synchronised") {
			t.Errorf("events %q, want three changes", said)
		}
		cancel()
		<-done
	})
}
