package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
)

// Outbox is what a Courier needs of the record. Uncommitted and Changed are
// asked often and must not wait for a disk; the others may wait for one, and
// then delay only what is durable already.
type Outbox interface {
	// Events returns at most limit durable events with ids above after, rising.
	Events(ctx context.Context, after int64, limit int) ([]acquire.Event, error)
	// Uncommitted returns the events with an alarm that are not durable yet and
	// were raised before olderThan. They have the ids they will keep.
	Uncommitted(olderThan time.Time) []acquire.Event
	// Changed returns a channel that is closed when new durable events exist.
	Changed() <-chan struct{}
	// Cursor returns what SetCursor last kept under a name; 0 when nothing.
	Cursor(ctx context.Context, name string) (int64, error)
	SetCursor(ctx context.Context, name string, id int64) error
}

// Options is what a Courier is made of. URL and Outbox are needed.
type Options struct {
	Name      string // of the courier and its cursor in the record; default "webhook"
	URL       string // http or https; may hold a secret, which is never printed
	TokenFile string // holds a bearer token; read again for every attempt
	Link      string // the page, for people; put into each message
	Site      string // for what belongs to no post
	Posts     []acquire.Post
	Simulated bool // mark every message, not only those of simulated probes
	Outbox    Outbox
	Log       *slog.Logger  // default: none
	Timeout   time.Duration // of one attempt, all in all; default 10 s
}

// Stats is the state of a Courier. Its counts begin with the program.
type Stats struct {
	Name         string
	To           string    // where it sends, without secrets
	Sent         uint64    // messages accepted
	Failed       uint64    // attempts that failed and are made again
	Dead         uint64    // messages refused for good
	Coalesced    uint64    // changes never sent, since a newer one of their alarm stood in for them
	Waiting      int       // messages not yet accepted
	LastError    string    // empty: none since the program started
	LastErrorAt  time.Time // zero: none
	LastAccepted time.Time // zero: none
}

// Courier sends changes of alarms to one webhook. Run may be called once;
// Stats at any time.
type Courier struct {
	o         Options
	url       *url.URL
	to        string
	posts     map[string]*acquire.Post
	log       *slog.Logger
	transport *http.Transport
	wait      func(failures int) time.Duration // before the next attempt
	send      func(ctx context.Context, m Message) result

	mu    sync.Mutex
	stats Stats
}

const defaultTimeout = 10 * time.Second

// New checks the options. It opens no connection and reads no file.
func New(o Options) (*Courier, error) {
	if o.Outbox == nil {
		return nil, errors.New("a courier needs an outbox to send from")
	}
	if o.Name == "" {
		o.Name = "webhook"
	}
	if o.Timeout <= 0 {
		o.Timeout = defaultTimeout
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	u, err := parseURL(o.URL, o.TokenFile != "")
	if err != nil {
		return nil, fmt.Errorf("courier %s: %w", o.Name, err)
	}
	c := &Courier{o: o, url: u, to: redacted(u), posts: map[string]*acquire.Post{},
		transport: newTransport(o.Timeout)}
	c.log = o.Log.With("courier", o.Name, "to", c.to)
	c.stats.Name, c.stats.To = o.Name, c.to
	c.send = c.post
	c.wait = func(failures int) time.Duration { return backoff(failures, rand.Float64()) }
	for i := range o.Posts {
		c.posts[o.Posts[i].ID] = &o.Posts[i]
	}
	return c, nil
}

// parseURL refuses what cannot be sent to. Its errors hold nothing of the URL
// but its scheme and host: the rest may be a secret.
func parseURL(s string, token bool) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil:
		return nil, errors.New("the URL does not parse; want https://host/path")
	case u.Scheme != "http" && u.Scheme != "https":
		return nil, errors.New("the URL must begin with https:// or http://")
	case u.Hostname() == "":
		return nil, errors.New("the URL names no host; want https://host/path")
	case token && u.Scheme == "http" && !loopback(u.Hostname()):
		return nil, fmt.Errorf("a token would go to %s unencrypted; use https, or no token", u.Host)
	}
	u.Fragment = ""
	return u, nil
}

func loopback(host string) bool {
	return host == "localhost" || host == "::1" || strings.HasPrefix(host, "127.")
}

// redacted names where a courier sends, without what may be a secret.
func redacted(u *url.URL) string {
	s := u.Scheme + "://" + u.Host
	if u.User != nil || u.RawQuery != "" || strings.Trim(u.Path, "/") != "" {
		s += "/…"
	}
	return s
}

// Stats copies the courier's state. It waits for nothing.
func (c *Courier) Stats() Stats {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.stats
}

func (c *Courier) note(f func(s *Stats)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f(&c.stats)
}
