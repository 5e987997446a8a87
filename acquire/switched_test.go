package acquire

import (
	"context"
	"encoding/json"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/cycle"
)

// When an oven was switched to heat, by a contact's word, is kept once it is over:
// short pauses are part of it, a contact that is not read says nothing, an hour at most
// waits, and what is under way at the end is kept too.
func TestSwitchedTimesAreKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		power, m := &contact{}, newMemory()
		p := aPost(&fakeProbe{born: time.Now(), took: 4 * time.Millisecond, say: func(at time.Duration) string { return dither(0.01, at) }})
		p.RunGap = 90 * time.Second
		s, err := New(Options{Posts: []Post{p}, Recorder: m, Past: func(int) (Past, error) { return Past{}, nil }, Log: discard(), Now: time.Now,
			Inputs: []Input{{ID: "relay", Says: SaysPower, On: true, Every: time.Second, Delay: 200 * time.Millisecond, Source: power}}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		const min = time.Minute
		begin := time.Now()
		for _, step := range []struct {
			until time.Duration
			on    bool
			err   error
		}{
			{5 * min, true, nil}, {6 * min, false, nil}, {8 * min, true, nil}, // a pause shorter than the gap
			{11 * min, false, nil}, {13 * min, true, nil}, {15 * min, true, errors.New("no answer")}, {16 * min, true, nil},
			{20 * min, false, nil}, {150 * min, true, nil},
		} {
			power.set(step.on, step.err)
			at(step.until)
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		var all []cycle.Switched
		for _, e := range m.events {
			if e.Kind == KindPower {
				var one cycle.Switched
				if err := json.Unmarshal(e.Raw, &one); err != nil || one.Contact != "relay" || one.Oven != p.Oven || one.Lag != 1200*time.Millisecond || e.Post != p.ID || e.At.Before(one.To) {
					t.Errorf("%v: %s", err, e.Text)
				}
				all = append(all, one)
			}
		}
		if len(all) != 6 { // three, and one of 130 min in three pieces
			t.Errorf("%d events: %+v", len(all), all)
		}
		want := [][2]time.Duration{{0, 8 * min}, {11 * min, 13 * min}, {15 * min, 16 * min}, {20 * min, 150 * min}}
		joined := cycle.Join(all)
		if len(joined) != len(want) {
			t.Fatalf("kept %+v", joined)
		}
		for i, w := range want {
			from, to := joined[i].From.Sub(begin), joined[i].To.Sub(begin)
			if from < w[0] || from > w[0]+2*time.Second || to > w[1]+time.Second || to < w[1]-2*time.Second {
				t.Errorf("from %v to %v, want %v", from, to, w)
			}
		}
	})
}

// hanging is a contact that answers some times and then no more, until it is given up.
type hanging struct{ left int }

func (h *hanging) Read(ctx context.Context) (bool, error) {
	if h.left--; h.left < 0 {
		<-ctx.Done()
		return false, ctx.Err()
	}
	return true, nil
}

func (h *hanging) Close() error { return nil }

// A station that stops while it waits for a contact's answer keeps what that said before.
func TestSwitchedTimeIsKeptThoughTheContactHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		p := aPost(&fakeProbe{born: time.Now(), took: 4 * time.Millisecond, say: func(at time.Duration) string { return dither(0.01, at) }})
		s, err := New(Options{Posts: []Post{p}, Recorder: m, Past: func(int) (Past, error) { return Past{}, nil }, Log: discard(), Now: time.Now,
			Inputs: []Input{{ID: "relay", Says: SaysPower, On: true, Every: time.Second, Source: &hanging{left: 5}}}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		at(10 * time.Second)
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if n := len(m.texts(KindPower)); n != 1 {
			t.Errorf("%d times are kept, want 1", n)
		}
	})
}
