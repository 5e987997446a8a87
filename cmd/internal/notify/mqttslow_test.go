package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// slow is a broker that takes its time for each state of a post.
type slow struct {
	broker.HookBase
	took time.Duration
	n    atomic.Int64
	at   func(n int64) // the n-th has come
}

func (*slow) ID() string { return "slow" }

func (*slow) Provides(b byte) bool { return b == broker.OnPublish }

func (s *slow) OnPublish(_ *broker.Client, p packets.Packet) (packets.Packet, error) {
	if strings.Contains(p.TopicName, topicPost) {
		s.at(s.n.Add(1))
		<-time.After(s.took)
	}
	return p, nil
}

// Many posts at a slow broker take longer than one attempt may: all are retained
// all the same, and a line that is cut in between has nobody wait behind those that
// the broker has.
func TestSlowBrokerGetsRoundToAllPosts(t *testing.T) {
	cert, ca := certified(t)
	h := newHall(t, cert)
	wire := newLine(t, h.address)
	s := &slow{took: 100 * time.Millisecond, at: func(n int64) {
		if n == 15 {
			wire.cut()
		}
	}}
	if err := h.AddHook(s, nil); err != nil {
		t.Fatal(err)
	}
	h.listen(t, "larkfield/post/#")
	const posts = 40
	now := &stands{}
	for i := range posts {
		now.s.Posts = append(now.s.Posts, PostState{ID: fmt.Sprintf("post-%d", i), Condition: "seeing", Verdict: "not decided"})
	}
	stop := startMQTT(t, newOutbox(), MQTTOptions{Server: wire.address, TLS: true, CAFile: ca, User: "ovenward", Password: secretFile(t, "a-secret"),
		Topic: "larkfield", Timeout: 2 * time.Second}, now)
	until(t, "all posts are retained", func() bool {
		for i := range posts {
			if h.retained(fmt.Sprintf("larkfield/post/post-%d", i)) == "" {
				return false
			}
		}
		return true
	})
	if n := s.n.Load(); n > posts+5 {
		t.Errorf("%d states were published before all of %d posts were retained", n, posts)
	}
	stop()
}

// A broker that refuses the state of one post, and ends the connection for it, keeps
// those of the others true; that one is tried ever more seldom. At the end the others
// say that nobody watches.
func TestRefusedPostKeepsNoOtherBack(t *testing.T) {
	cert, ca := certified(t)
	h := newHall(t, cert)
	h.door.forbidden.Store("larkfield/post/post-1")
	b, _, now := publishing(t, h.address, ca, 3)
	defer b.close()
	state := func(i int) (r retained) {
		t.Helper()
		if err := json.Unmarshal([]byte(h.retained(fmt.Sprintf("larkfield/post/post-%d", i))), &r); err != nil {
			t.Fatal(err)
		}
		return r
	}
	begun := time.Now()
	for second := range 900 {
		at := begun.Add(time.Duration(second) * lookAtPosts)
		if err := b.show(t.Context(), now, at); err != nil {
			t.Fatalf("second %d: the broker is taken for one that does not answer: %v", second, err)
		}
		for _, i := range []int{0, 2} {
			if second > 1 && !state(i).Until.After(at) {
				t.Fatalf("second %d: what is retained of post %d held until %s", second, i, state(i).Until)
			}
		}
	}
	if n := h.door.refused.Load(); n < 8 || n > 14 {
		t.Errorf("the refused post was tried %d times in 15 min", n)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	b.keep(ended, now)
	for _, i := range []int{0, 2} {
		if got := state(i).Condition; got != "not watched" {
			t.Errorf("at the end post %d is %q", i, got)
		}
	}
}

// A state that the broker does not take is the courier's trouble, with what is known of
// why, until it is taken; so is a broker that lets nobody in. The log tells each once.
func TestRefusedStateIsTold(t *testing.T) {
	cert, ca := certified(t)
	h := newHall(t, cert)
	h.door.forbidden.Store("larkfield/post/post-1")
	b, _, c := publishing(t, h.address, ca, 3)
	var log bytes.Buffer
	c.log = slog.New(slog.NewTextHandler(&log, nil))
	ctx, cancel := context.WithCancel(t.Context())
	var ended sync.WaitGroup
	ended.Go(func() { b.keep(ctx, c) })
	until(t, "the refused state is told", func() bool { return c.Stats().NotShown != "" })
	const want = "the state of post post-1 is not taken: see whether the broker lets this user publish to larkfield/post/post-1: "
	if got := c.Stats().NotShown; !strings.HasPrefix(got, want) || len(got) == len(want) {
		t.Errorf("told is %q, want %q and why", got, want)
	}
	until(t, "it is tried again", func() bool { return h.door.refused.Load() > 1 })
	h.door.forbidden.Store("")
	until(t, "the state is taken", func() bool { return c.Stats().NotShown == "" })
	cancel()
	ended.Wait()
	b.close()
	if n, m := strings.Count(log.String(), "is not shown"), strings.Count(log.String(), "is shown again"); n != 1 || m != 1 || c.Stats().LastShown.IsZero() {
		t.Errorf("told %d times in the log, and %d times that it is over; last shown %s\n%s", n, m, c.Stats().LastShown, &log)
	}
	if err := os.WriteFile(b.o.Password.File, []byte("another"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel = context.WithCancel(t.Context())
	ended.Go(func() { b.keep(ctx, c) })
	until(t, "it is told that the broker lets nobody in", func() bool { return strings.Contains(c.Stats().NotShown, "uthorized") })
	cancel()
	ended.Wait()
}

// After a reload, and after a start, a broker that has not come round to all posts yet has
// not shown that it takes their states: the trouble of before goes on.
func TestFirstRoundEndsNoTrouble(t *testing.T) {
	cert, ca := certified(t)
	h := newHall(t, cert)
	h.door.forbidden.Store("larkfield/post/post-5")
	if err := h.AddHook(&slow{took: lookAtPosts / 3, at: func(int64) {}}, nil); err != nil {
		t.Fatal(err)
	}
	b, _, c := publishing(t, h.address, ca, 6)
	var log bytes.Buffer
	c.log = slog.New(slog.NewTextHandler(&log, nil))
	c.shown(errors.New("of before"), false)
	ctx, cancel := context.WithCancel(t.Context())
	var ended sync.WaitGroup
	ended.Go(func() { b.keep(ctx, c) })
	until(t, "the refused state is told", func() bool { return strings.Contains(c.Stats().NotShown, "post-5") })
	cancel()
	ended.Wait()
	b.close()
	if strings.Contains(log.String(), "shown again") || !c.Stats().LastShown.IsZero() {
		t.Errorf("the trouble ended before the round did:\n%s", &log)
	}
}

// A look ends after a second, so that what is so by then is published next; and a
// broker that came back may have forgotten all that it had.
func TestLookAtPostsIsShortAndAfreshAfterACut(t *testing.T) {
	cert, ca := certified(t)
	h := newHall(t, cert)
	wire := newLine(t, h.address)
	s := &slow{took: lookAtPosts / 4, at: func(int64) {}}
	if err := h.AddHook(s, nil); err != nil {
		t.Fatal(err)
	}
	b, is, now := publishing(t, wire.address, ca, 12)
	defer b.close()
	if err := b.show(t.Context(), now, time.Now()); err != nil || s.n.Load() > 4 {
		t.Errorf("one look published %d states, at 1/4 s each; %v", s.n.Load(), err)
	}
	const topic = "larkfield/post/post-0"
	if h.retained(topic) == "" {
		t.Fatal("the first post is not retained")
	}
	at := time.Now()
	is.s.Posts = is.s.Posts[:1]
	h.Topics.Retained.Delete(topic)
	wire.cut()
	until(t, "the state is published anew, though nothing changed", func() bool {
		return b.show(t.Context(), now, at) == nil && h.retained(topic) != ""
	})
}

// publishing is a publisher of the states of n posts, which nothing has it publish yet.
func publishing(t *testing.T, address, ca string, n int) (*publisher, *stands, *Courier) {
	t.Helper()
	c, err := NewMQTT(MQTTOptions{Server: address, TLS: true, CAFile: ca, User: "ovenward", Password: secretFile(t, "a-secret"), Topic: "larkfield"})
	if err != nil {
		t.Fatal(err)
	}
	is := &stands{}
	for i := range n {
		is.s.Posts = append(is.s.Posts, PostState{ID: fmt.Sprintf("post-%d", i), Condition: "seeing", Verdict: "not decided"})
	}
	now, err := New(Options{Outbox: newOutbox(), Carrier: c, Machine: true, Snapshot: is.snapshot})
	if err != nil {
		t.Fatal(err)
	}
	return c.(*publisher), is, now
}
