package acquire

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/drivers"
)

// talker is a probe that talks by itself, ten times a second.
type talker struct{ n int }

func (p *talker) dial(context.Context) (drivers.Link, error) { return p, nil }

func (p *talker) Send([]byte, time.Time) (time.Time, int, error) { return time.Now(), 0, nil }

func (p *talker) Receive(split func([]byte) (int, []byte), _ time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	<-time.After(100 * time.Millisecond)
	p.n++
	_, frame := split([]byte([]string{"0.31\n", "0.32\n"}[p.n%2]))
	return append(dst, drivers.Frame{Bytes: frame, Arrived: time.Now()}), nil
}

func (p *talker) Close() error { return nil }

// A probe that is not asked is heard all the same, through one opening of its
// port.
func TestProbeThatTalksByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		post := aPost(&fakeProbe{})
		post.Probe.Dial, post.Probe.Period = (&talker{}).dial, 0
		s, err := New(Options{Posts: []Post{post}, Recorder: newMemory(), Log: discard(), Now: time.Now,
			Past: func(int) (Past, error) { return Past{}, nil }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		at(10 * time.Second)
		st := s.Stats()[0]
		if st.Condition.Blind() || st.Last.Seq < 95 || st.Counts.Connects != 1 {
			t.Errorf("after 10 s: %s, %d samples, %d openings; want it heard, about 100, 1", st.Condition, st.Last.Seq, st.Counts.Connects)
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}
