package notify

import (
	"fmt"
	"strings"
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
