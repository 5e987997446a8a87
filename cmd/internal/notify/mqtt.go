package notify

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"sort"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// MQTTOptions is how a broker is reached. Server and Topic are needed.
type MQTTOptions struct {
	Server   string // HOST:PORT
	TLS      bool
	CAFile   string // of authorities to trust in place of the system's
	User     string
	Password Secret
	ClientID string // default: ovenward; a broker lets each in once
	Topic    string // all topics begin with it
	Timeout  time.Duration
}

// The topics below MQTTOptions.Topic. All messages have QoS 1. A connection has one
// will, so that a broker can say of a daemon that died that it is offline, and not
// take back the state of each post. So each state says itself until when it holds:
// it is published anew well before, and what is past that is not known.
//
//	status        retained: online, or offline: by the broker itself when the daemon died
//	post/ID       retained: the PostState of a post, with at and until, as JSON
//	alarm/ID      each change of an alarm at a post, or station, as the webhook gets it
//	heartbeat     as the webhook gets it
//	test          as the webhook gets it
const (
	topicStatus = "/status"
	topicPost   = "/post/"
	online      = "online"
	offline     = "offline"
)

const (
	qos = 1
	// lookAtPosts is how often the posts are compared with what is retained.
	lookAtPosts = time.Second
	// postsAnew is when what is retained is sent again, though nothing changed, and
	// postsHold how long it holds: two may be lost.
	postsAnew = 30 * time.Second
	postsHold = 90 * time.Second
	// keepAlive is how soon a broker takes a silent connection for dead, after half
	// as long again.
	keepAlive = 20 * time.Second
)

// publisher publishes to an MQTT 3.1.1 broker. Each connection is a client of its
// own: one that was resumed would send what the courier sends again by itself,
// and so bring an alarm's changes out of order.
type publisher struct {
	o    MQTTOptions
	url  *url.URL
	turn chan mqtt.Client // holds the present client, or nil; who takes it has the turn

	connections atomic.Int64 // made so far by the daemon that watches

	every, holds time.Duration // postsAnew and postsHold, but in tests

	told map[string]kept // what is retained of each post; only keep touches it
}

// kept is what a broker has acknowledged to retain of a post.
type kept struct {
	key   string
	over  int64     // by which connection
	at    time.Time // of the state
	tried time.Time // when the newest attempt began
	fails int       // attempts that failed since
	next  time.Time // not tried before
	err   error     // of the newest attempt
}

// NewMQTT makes a Carrier that publishes to a broker. It opens no connection.
func NewMQTT(o MQTTOptions) (Carrier, error) {
	host, port, err := net.SplitHostPort(o.Server)
	if err != nil || host == "" || port == "" {
		return nil, fmt.Errorf("MQTT server %q: write HOST:PORT", o.Server)
	}
	if o.Topic == "" {
		return nil, errors.New("MQTT needs a topic to begin all topics with")
	}
	if o.Timeout <= 0 {
		o.Timeout = defaultTimeout
	}
	if o.ClientID == "" {
		o.ClientID = "ovenward"
	}
	b := &publisher{o: o, url: &url.URL{Scheme: "tcp", Host: o.Server}, turn: make(chan mqtt.Client, 1), told: map[string]kept{},
		every: postsAnew, holds: postsHold}
	if o.TLS {
		b.url.Scheme = "tls"
	}
	b.turn <- nil
	return b, nil
}

func (b *publisher) to() string { return b.url.String() }

// close says that nobody watches any more, and takes leave.
func (b *publisher) close() {
	select {
	case c := <-b.turn:
		if c != nil && c.IsConnectionOpen() {
			if b.connections.Load() > 0 {
				c.Publish(b.o.Topic+topicStatus, qos, true, offline).WaitTimeout(time.Second)
			}
			c.Disconnect(250)
		}
		b.turn <- nil
	case <-time.After(2 * time.Second): // an attempt hangs; the broker's will speaks for us
	}
}

func (b *publisher) send(ctx context.Context, m Message) result {
	topic := b.o.Topic + "/" + string(m.Kind)
	switch {
	case m.Kind == KindSeveral:
		for _, one := range m.Alarms {
			if r := b.send(ctx, one); r.outcome != accepted {
				return r
			}
		}
		return result{outcome: accepted, answer: "acknowledged by the broker"}
	case m.Kind == KindAlarm && m.Post == "":
		topic += "/station"
	case m.Kind == KindAlarm:
		topic += "/" + m.Post
	}
	body, err := json.Marshal(m)
	if err != nil {
		return result{outcome: retry, err: fmt.Errorf("writing the message as JSON: %w", err)}
	}
	ctx, cancel := context.WithTimeout(ctx, b.o.Timeout)
	defer cancel()
	if err := b.publish(ctx, topic, false, body, m.Kind != KindTest); err != nil {
		return result{outcome: unheard, err: fmt.Errorf("publishing to %s: %w", b.to(), err)}
	}
	return result{outcome: accepted, answer: "acknowledged by the broker"}
}

// publish waits for the broker's acknowledgement. watching says that this is the
// daemon that watches: it comes with the will and says that it is online.
func (b *publisher) publish(ctx context.Context, topic string, retain bool, body []byte, watching bool) error {
	var c mqtt.Client
	select {
	case c = <-b.turn:
	case <-ctx.Done():
		return fmt.Errorf("another message is still under way: %w", ctx.Err())
	}
	defer func() { b.turn <- c }()
	if c == nil || !c.IsConnectionOpen() {
		var err error
		if c, err = b.connect(ctx, watching); err != nil {
			return err
		}
	}
	err := wait(ctx, c.Publish(topic, qos, retain, body))
	if err != nil {
		// What the broker did with it is not known; a connection is never resumed.
		c.Disconnect(0)
		c = nil
	}
	return err
}

// connect makes a client and a connection. It returns nil with an error.
func (b *publisher) connect(ctx context.Context, watching bool) (mqtt.Client, error) {
	var trusted *tls.Config
	if b.o.TLS {
		var err error
		if trusted, err = clientTLS(b.o.CAFile, b.url.Hostname()); err != nil {
			return nil, err
		}
	}
	o := mqtt.NewClientOptions()
	o.Servers = []*url.URL{b.url}
	o.SetClientID(b.o.ClientID).SetCleanSession(true).SetProtocolVersion(4)
	o.SetAutoReconnect(false).SetConnectRetry(false).SetOrderMatters(true)
	o.SetKeepAlive(keepAlive).SetPingTimeout(b.o.Timeout).SetConnectTimeout(b.o.Timeout).SetWriteTimeout(b.o.Timeout)
	// Not the library's own, which takes a proxy from the environment.
	o.SetCustomOpenConnectionFn(func(_ *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
		d := net.Dialer{Timeout: b.o.Timeout}
		if trusted == nil {
			return d.DialContext(ctx, "tcp", b.o.Server)
		}
		return (&tls.Dialer{NetDialer: &d, Config: trusted}).DialContext(ctx, "tcp", b.o.Server)
	})
	if watching {
		o.SetWill(b.o.Topic+topicStatus, offline, qos, true)
	} else {
		o.SetClientID(b.o.ClientID + "-test") // the watching daemon stays connected
	}
	if b.o.User != "" {
		password, err := b.o.Password.read()
		if err != nil {
			return nil, err
		}
		o.SetUsername(b.o.User).SetPassword(password)
	}
	c := mqtt.NewClient(o)
	err := wait(ctx, c.Connect())
	if err == nil && watching {
		err = wait(ctx, c.Publish(b.o.Topic+topicStatus, qos, true, online))
	}
	if err != nil {
		c.Disconnect(0)
		return nil, err
	}
	if watching {
		b.connections.Add(1)
	}
	return c, nil
}

func wait(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return fmt.Errorf("the broker does not acknowledge: %w", ctx.Err())
	}
}

// keep holds the connection, so that its end is noticed, and keeps what is
// retained of each post true. At its end nobody watches, and each post says so.
func (b *publisher) keep(ctx context.Context, now present) {
	t := time.NewTicker(lookAtPosts)
	defer t.Stop()
	failures, next := 0, time.Time{}
	for ctx.Err() == nil {
		if at := time.Now(); !at.Before(next) {
			err, all := b.show(ctx, now, at), false
			if err != nil {
				failures++
				next = at.Add(backoff(failures, 0.5))
			} else {
				failures = 0
				all, err = b.amiss(now)
			}
			if ctx.Err() == nil && (all || err != nil) { // of a first round that is not over nobody knows
				now.shown(err, all)
			}
		}
		select {
		case <-t.C:
		case <-ctx.Done():
		}
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	s, _ := now.snapshot()
	for _, p := range s.Posts {
		if _ = b.retain(last, p.unwatched(), s, time.Now(), 0); last.Err() != nil {
			return // the broker's will speaks for the others
		}
	}
}

// show publishes what changed of the posts, and makes sure of the connection. Those
// tried longest ago come first, so that a slow broker gets round to all: each has
// its own time, and after a second the next look goes on with what is so by then.
func (b *publisher) show(ctx context.Context, now present, at time.Time) error {
	s, ok := now.snapshot()
	if !b.connected() {
		if err := b.within(ctx, b.o.Topic+topicStatus, []byte(online)); err != nil {
			return err
		}
	}
	if !ok {
		return nil
	}
	posts := slices.Clone(s.Posts)
	sort.SliceStable(posts, func(i, j int) bool { return b.told[posts[i].ID].tried.Before(b.told[posts[j].ID].tried) })
	for _, p := range posts {
		if at.Before(b.told[p.ID].next) {
			continue
		}
		// A broker may refuse one post and take the others, and end the connection for it:
		// that is between it and this post. Whether it answers at all shows the next look.
		if b.retain(ctx, p, s, at, b.holds) != nil || time.Since(at) >= lookAtPosts {
			return nil
		}
	}
	return nil
}

// amiss says whether the broker has taken a state of all posts, or which ones it does not
// take. MQTT 3.1.1 has no word for why: a broker ends the connection, or does not acknowledge.
func (b *publisher) amiss(now present) (all bool, first error) {
	all = true
	n := 0
	s, _ := now.snapshot()
	for _, p := range s.Posts {
		k := b.told[p.ID]
		all = all && k.key != "" && k.err == nil
		if k.err == nil {
			continue
		}
		if n++; first == nil {
			first = fmt.Errorf("the state of post %s is not taken: see whether the broker lets this user publish to %s%s%s: %w", p.ID, b.o.Topic, topicPost, p.ID, k.err)
		}
	}
	if n > 1 {
		first = fmt.Errorf("%w (so with %d posts)", first, n)
	}
	return all, first
}

// within retains something within the time of one attempt.
func (b *publisher) within(ctx context.Context, topic string, body []byte) error {
	ctx, cancel := context.WithTimeout(ctx, b.o.Timeout)
	defer cancel()
	return b.publish(ctx, topic, true, body, true)
}

func (b *publisher) connected() bool {
	select {
	case c := <-b.turn:
		defer func() { b.turn <- c }()
		return c != nil && c.IsConnectionOpen()
	default:
		return true // somebody is sending
	}
}

// retain publishes the state of a post, where another one is retained, or this one for
// long, or by a connection before this: a broker that came back may have forgotten.
// It holds for a time; 0: until the next one.
func (b *publisher) retain(ctx context.Context, p PostState, s Snapshot, at time.Time, holds time.Duration) error {
	key, err := json.Marshal(p)
	if err != nil {
		return err
	}
	last := b.told[p.ID]
	if last.key == string(key) && last.over == b.connections.Load() && at.Sub(last.at) < b.every {
		return nil
	}
	body, err := json.Marshal(newRetained(p, s, at, holds))
	if err != nil {
		return err
	}
	last.tried = time.Now()
	defer func() { b.told[p.ID] = last }()
	if err := b.within(ctx, b.o.Topic+topicPost+p.ID, body); err != nil {
		last.fails++
		last.next, last.err = at.Add(backoff(last.fails, 0.5)), err
		return err
	}
	last = kept{key: string(key), over: b.connections.Load(), at: at, tried: last.tried}
	return nil
}
