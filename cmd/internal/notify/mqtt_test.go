package notify

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// hall is a real MQTT broker on a real port, over TLS and with a password.
type hall struct {
	*broker.Server
	address string
	door    *doorkeeper
	mu      sync.Mutex
	got     []heard
}

type heard struct {
	topic, payload string
	retain         bool
}

func newHall(t *testing.T, cert tls.Certificate) *hall {
	t.Helper()
	h := &hall{door: new(doorkeeper), Server: broker.New(&broker.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})}
	if err := h.AddHook(h.door, nil); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h.address = l.Addr().String()
	if err := h.AddListener(listeners.NewNet("tls", tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{cert}}))); err != nil {
		t.Fatal(err)
	}
	if err := h.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		// Closed while a connection ends the broker may lock itself out for good.
		for _, c := range h.Clients.GetAll() {
			if !c.Net.Inline {
				c.Stop(context.Canceled)
			}
		}
		until(t, "the broker to let go of its clients", func() bool { return h.Clients.Len() <= 1 }) // its own stays
		h.Close()
	})
	return h
}

// doorkeeper lets one user in, and to all topics but one.
type doorkeeper struct {
	broker.HookBase
	forbidden atomic.Value // string
	refused   atomic.Int64
}

func (*doorkeeper) ID() string { return "doorkeeper" }

func (*doorkeeper) Provides(b byte) bool {
	return b == broker.OnConnectAuthenticate || b == broker.OnACLCheck
}

func (*doorkeeper) OnConnectAuthenticate(_ *broker.Client, p packets.Packet) bool {
	return string(p.Connect.Username) == "ovenward" && string(p.Connect.Password) == "a-secret"
}

func (d *doorkeeper) OnACLCheck(_ *broker.Client, topic string, _ bool) bool {
	if topic != d.forbidden.Load() {
		return true
	}
	d.refused.Add(1)
	return false
}

// listen hears what comes to a topic, retained messages first.
func (h *hall) listen(t *testing.T, filter string) {
	t.Helper()
	err := h.Subscribe(filter, 1, func(_ *broker.Client, _ packets.Subscription, p packets.Packet) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.got = append(h.got, heard{p.TopicName, string(p.Payload), p.FixedHeader.Retain})
	})
	if err != nil {
		t.Fatal(err)
	}
}

// retained returns what the broker keeps for a topic.
func (h *hall) retained(topic string) string {
	for _, p := range h.Topics.Messages(topic) {
		return string(p.Payload)
	}
	return ""
}

func until(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.After(deadline); !is(); {
		select {
		case <-time.After(2 * time.Millisecond):
		case <-end:
			t.Fatalf("not within %s: %s", deadline, what)
		}
	}
}

func (h *hall) heard(topic string) []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	var out []string
	for _, x := range h.got {
		if x.topic == topic {
			out = append(out, x.payload)
		}
	}
	return out
}

// A line that the test can cut, as a crash or a pulled plug does: without a word.
type line struct {
	address string
	mu      sync.Mutex
	conns   []net.Conn
}

func newLine(t *testing.T, to string) *line {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	n := &line{address: l.Addr().String()}
	var all sync.WaitGroup
	all.Go(func() {
		for {
			a, err := l.Accept()
			if err != nil {
				return
			}
			b, err := net.Dial("tcp", to)
			if err != nil {
				a.Close()
				continue
			}
			n.mu.Lock()
			n.conns = append(n.conns, a, b)
			n.mu.Unlock()
			for _, pair := range [][2]net.Conn{{a, b}, {b, a}} {
				all.Go(func() {
					buf := make([]byte, 4096)
					for {
						k, err := pair[0].Read(buf)
						if err != nil {
							pair[1].Close()
							return
						}
						if _, err := pair[1].Write(buf[:k]); err != nil {
							return
						}
					}
				})
			}
		}
	})
	t.Cleanup(func() {
		l.Close()
		n.cut()
		all.Wait()
	})
	return n
}

func (n *line) cut() {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, c := range n.conns {
		c.Close()
	}
	n.conns = nil
}

// stands is a changing present.
type stands struct {
	mu sync.Mutex
	s  Snapshot
}

func (p *stands) snapshot() Snapshot {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.s
	s.At, s.Posts = time.Now(), slices.Clone(s.Posts)
	return s
}

func (p *stands) set(condition string, blind bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	sight := acquire.Sees
	if blind {
		sight = acquire.IsBlind
	}
	p.s.Posts = []PostState{{ID: "post-0", Condition: condition, Blind: blind, Verdict: "not decided", Sight: []acquire.Regard{sight}, Detail: string(sight)}}
}

// exceed makes post-0 one that exceeds.
func (p *stands) exceed() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.s.Posts = []PostState{{ID: "post-0", Condition: "seeing", Verdict: "exceeds", Sight: []acquire.Regard{acquire.Exceeding}, Detail: "exceeds: as ever", Standing: []string{"exceeds"}}}
}

func startMQTT(t *testing.T, box *outbox, o MQTTOptions, now *stands) (stop func() Stats) {
	t.Helper()
	carrier, err := NewMQTT(o)
	if err != nil {
		t.Fatal(err)
	}
	box.cursors["webhook.first"] = 1
	c, err := New(Options{Outbox: box, Carrier: carrier, Machine: true, Site: "Larkfield House", Posts: larkfield(), Snapshot: now.snapshot, Heartbeat: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	c.wait = func(int) time.Duration { return time.Millisecond }
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	return func() Stats {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		return c.Stats()
	}
}

// The broker keeps the state of each post and whether anybody watches: online,
// offline after an unclean end by the broker's own doing, and after a clean one
// by ours. Changes of alarms come in their order, across a cut line.
func TestMQTT(t *testing.T) {
	cert, ca := certified(t)
	h := newHall(t, cert)
	h.listen(t, "larkfield/#")
	wire := newLine(t, h.address)
	now := &stands{}
	now.set("seeing", false)
	box := newOutbox()
	stop := startMQTT(t, box, MQTTOptions{Server: wire.address, TLS: true, CAFile: ca, User: "ovenward", Password: secretFile(t, "a-secret"),
		Topic: "larkfield", Timeout: 2 * time.Second}, now)
	post := func() (r retained) {
		_ = json.Unmarshal([]byte(h.retained("larkfield/post/post-0")), &r)
		return r
	}
	until(t, "online, and post-0 seeing", func() bool {
		return h.retained("larkfield/status") == "online" && post().Condition == "seeing"
	})
	until(t, "a heartbeat", func() bool { return len(h.heard("larkfield/heartbeat")) == 1 })
	if b := h.heard("larkfield/heartbeat")[0]; !strings.Contains(b, `"seeing":1`) || h.retained("larkfield/heartbeat") != "" {
		t.Errorf("heartbeat %s", b)
	}
	now.set("silent", true)
	until(t, "post-0 silent", func() bool { r := post(); return r.Condition == "silent" && r.Blind && !r.At.IsZero() })
	box.happen(raised(0, alarm.Silent, at(0)))
	settled(t, box, 1)

	wire.cut()
	until(t, "offline by the will", func() bool { return slices.Contains(h.heard("larkfield/status"), "offline") })
	for i := range 5 {
		box.happen(change(0, alarm.Silent, alarm.Unacknowledged, alarm.RaisedAgain, at(i+1)))
	}
	settled(t, box, 6)
	until(t, "online again", func() bool { return h.retained("larkfield/status") == "online" })
	var ids []int64
	until(t, "six events", func() bool { // the broker has them before its listener does
		ids = nil
		for _, p := range h.heard("larkfield/alarm/post-0") {
			var m Message
			if err := json.Unmarshal([]byte(p), &m); err != nil {
				t.Fatal(err)
			}
			ids = append(ids, m.EventID)
		}
		return slices.Contains(ids, 6)
	})
	if !slices.IsSorted(ids) || len(slices.Compact(slices.Clone(ids))) != 6 {
		t.Errorf("events %v, want 1 to 6 in order", ids)
	}
	if h.retained("larkfield/alarm/post-0") != "" {
		t.Error("a change of an alarm is retained: it would come again and again")
	}
	if s := stop(); s.Sent != 6 || s.Dead != 0 {
		t.Errorf("stats %+v", s)
	}
	if h.retained("larkfield/status") != "offline" {
		t.Errorf("after a clean end the status is %q", h.retained("larkfield/status"))
	}
	if r := post(); r.Condition != "not watched" || !r.Blind || r.Verdict != "not decided" || !r.Until.IsZero() {
		t.Errorf("after a clean end the post is %+v: nobody watches it", r)
	}
}

// Who hears of a post by its own topic alone is not misled: what is retained says
// until when it holds, and is published anew before. So 'within' of a daemon that
// was killed is past soon; and a stop mends no exceedance.
func TestMQTTStatesHoldForAWhile(t *testing.T) {
	cert, ca := certified(t)
	h := newHall(t, cert)
	h.listen(t, "larkfield/#")
	now := &stands{}
	now.set("seeing", false)
	carrier, err := NewMQTT(MQTTOptions{Server: h.address, TLS: true, CAFile: ca, User: "ovenward", Password: secretFile(t, "a-secret"),
		Topic: "larkfield", Timeout: deadline})
	if err != nil {
		t.Fatal(err)
	}
	b := carrier.(*publisher)
	b.every, b.holds = time.Second, 3*time.Second
	c, err := New(Options{Outbox: newOutbox(), Carrier: carrier, Machine: true, Site: "Larkfield House", Posts: larkfield(), Snapshot: now.snapshot})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	post := func() (r retained) {
		_ = json.Unmarshal([]byte(h.retained("larkfield/post/post-0")), &r)
		return r
	}
	until(t, "post-0", func() bool { return post().Condition == "seeing" })
	first := post()
	if holds := first.Until.Sub(first.At); holds != 3*time.Second {
		t.Errorf("it holds for %s", holds)
	}
	until(t, "post-0 anew, though nothing changed", func() bool { return post().At.After(first.At) })
	if again := post(); !again.At.Before(first.Until) {
		t.Errorf("published anew at %s, and the last one held until %s", again.At, first.Until)
	}
	now.exceed()
	until(t, "post-0 exceeding", func() bool { return slices.Contains(post().Sight, acquire.Exceeding) })
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if r := post(); r.Condition != "not watched" || !r.Blind || r.Verdict != "exceeds" || !slices.Equal(r.Sight, []acquire.Regard{acquire.Exceeding, acquire.IsBlind}) ||
		!slices.Equal(r.Standing, []string{"exceeds"}) || r.Detail != "Ovenward has stopped; before, exceeds: as ever" {
		t.Errorf("after a clean end an exceeding post is %+v", r)
	}
}

// A test disturbs no running daemon, and a wrong password is told.
func TestMQTTTest(t *testing.T) {
	cert, ca := certified(t)
	h := newHall(t, cert)
	h.listen(t, "larkfield/#")
	for password, wants := range map[string]string{"a-secret": "", "an0ther": "not Authorized"} {
		c, err := NewMQTT(MQTTOptions{Server: h.address, TLS: true, CAFile: ca, User: "ovenward", Password: secretFile(t, password), Topic: "larkfield", Timeout: deadline})
		if err != nil {
			t.Fatal(err)
		}
		answer, err := Test(t.Context(), c, TestMessage("Larkfield House", "building", "", at(0), nil))
		if wants == "" && (err != nil || answer == "") || wants != "" && (err == nil || !strings.Contains(strings.ToLower(err.Error()), strings.ToLower(wants)) || strings.Contains(err.Error(), password)) {
			t.Errorf("%s: %q, %v", password, answer, err)
		}
	}
	until(t, "the test at the broker", func() bool { return len(h.heard("larkfield/test")) > 0 })
	if got := h.heard("larkfield/test"); len(got) != 1 || !strings.Contains(got[0], "TEST, nothing has happened.") {
		t.Errorf("tests heard: %v", got)
	}
	if got := h.heard("larkfield/status"); len(got) > 0 {
		t.Errorf("a test says that somebody watches: %v", got)
	}
	if _, err := NewMQTT(MQTTOptions{Server: "broker", Topic: "x"}); err == nil {
		t.Error("a server without a port passes")
	}
	if _, err := NewMQTT(MQTTOptions{Server: "broker:1883"}); err == nil {
		t.Error("no topic passes")
	}
}
