package stream

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"ovenward/drivers"
)

// script is a Line on a clock of its own: reads wait by moving the clock.
type script struct {
	at      time.Time
	comes   []time.Duration // when bytes come, after the start
	start   time.Time
	written []time.Time
}

func (s *script) now() time.Time { return s.at }

func (s *script) Read(p []byte, wait time.Duration) (int, error) {
	until := s.at.Add(wait)
	if len(s.comes) > 0 && !s.start.Add(s.comes[0]).After(until) {
		if t := s.start.Add(s.comes[0]); t.After(s.at) {
			s.at = t
		}
		s.comes = s.comes[1:]
		return copy(p, "x"), nil
	}
	s.at = until
	return 0, nil
}

func (s *script) Write(p []byte, _ time.Duration) (int, error) {
	s.written = append(s.written, s.at)
	return len(p), nil
}
func (s *script) Drop()        {}
func (s *script) Close() error { return nil }

// TestQuiet holds the silence before a request, after either side spoke.
func TestQuiet(t *testing.T) {
	begin := time.Date(2025, 11, 25, 12, 0, 0, 0, time.UTC)
	ms := func(n int) time.Duration { return time.Duration(n) * time.Millisecond }
	for name, c := range map[string]struct {
		comes   []time.Duration
		written []time.Duration // of two requests given at once; nil for one not written
		dropped int
	}{
		"after its own request":          {nil, []time.Duration{0, ms(4)}, 0},
		"after what came in the silence": {[]time.Duration{ms(3), ms(6)}, []time.Duration{0, ms(10)}, 2},
		"never silent": {func() (all []time.Duration) {
			for i := 1; i < 200; i++ {
				all = append(all, ms(i))
			}
			return all
		}(), []time.Duration{0}, 50},
	} {
		s := &script{at: begin, start: begin, comes: c.comes}
		l := New(Options{Name: "fake", Quiet: ms(4), Now: s.now}, s)
		dropped := 0
		var err error
		for range 2 {
			var n int
			_, n, err = l.Send([]byte("?"), begin.Add(ms(50)))
			dropped += n
		}
		if len(s.written) != len(c.written) || dropped != c.dropped {
			t.Errorf("%s: %d requests written, %d bytes dropped, %v, want %d and %d", name, len(s.written), dropped, err, len(c.written), c.dropped)
			continue
		}
		for i, want := range c.written {
			if got := s.written[i].Sub(begin); got != want {
				t.Errorf("%s: request %d written after %v, want %v", name, i+1, got, want)
			}
		}
		if len(c.written) < 2 && !errors.Is(err, drivers.ErrTimeout) {
			t.Errorf("%s: %v, want ErrTimeout", name, err)
		}
	}
}

// TestQuietDoesNotDelayTheFirst: a fresh line was not used by us.
func TestQuietDoesNotDelayTheFirst(t *testing.T) {
	s := &script{at: time.Date(2025, 11, 25, 12, 0, 0, 0, time.UTC)}
	l := New(Options{Quiet: time.Second, Now: s.now}, s)
	departed, _, err := l.Send([]byte("?"), s.at.Add(time.Millisecond))
	if err != nil || !departed.Equal(s.written[0]) {
		t.Errorf("Send: %v, %v", departed, err)
	}
	if _, err := l.Receive(func(b []byte) (int, []byte) { return bytes.IndexByte(b, '\n') + 1, nil }, s.at.Add(time.Millisecond), nil); !errors.Is(err, drivers.ErrTimeout) {
		t.Errorf("Receive: %v, want ErrTimeout", err)
	}
}
