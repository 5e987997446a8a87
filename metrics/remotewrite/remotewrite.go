// Package remotewrite sends what the record holds to time-series databases that
// take the Prometheus remote-write protocol, version 1.0: every sample with its
// own instant, the alarms' states, and counters. It goes on from where the
// record says that a target has come, so an outage of days is made up for in
// order. Power densities are W/m², spans are seconds, instants are UTC in
// milliseconds, which is all that the protocol carries.
//
// It reads the record only, waits for networks in goroutines of its own, and
// nothing waits for it: it must never stand between a probe, an alarm and the
// disk. What is not known is never sent as zero; where a post goes blind, its
// series ends with a staleness marker.
package remotewrite

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/url"
	"sync"
	"time"

	"ovenward/acquire"
)

// Record is what a Writer reads of the record. All of it may wait for a disk.
type Record interface {
	// Posts names the posts whose samples are sent.
	Posts(ctx context.Context) ([]string, error)
	// First returns the number of the first sample of a post at or after an
	// instant; one more than the newest where there is none.
	First(ctx context.Context, post string, at time.Time) (int64, error)
	// Rows yields the committed samples of a post from number seq on, rising.
	Rows(ctx context.Context, post string, seq int64) iter.Seq2[Row, error]
	// Events returns at most limit committed events with ids above after, rising.
	Events(ctx context.Context, after int64, limit int) ([]acquire.Event, error)
	// Settled returns the instant before which all that happened is committed.
	Settled() time.Time
	// RemoteState returns what SetRemoteState last kept for a target; nil: nothing.
	RemoteState(ctx context.Context, target string) ([]byte, error)
	SetRemoteState(ctx context.Context, target string, state []byte) error
}

// Row is one sample of the record.
type Row struct {
	Seq     int64
	At      time.Time
	Value   float64 // corrected, W/m²; NaN where the sample has no number
	Quality acquire.Quality
	Place   Place
}

// Place is where a sample was taken, and by what.
type Place struct {
	Oven      string        `json:"oven"`
	Probe     string        `json:"probe"`
	Simulated bool          `json:"simulated,omitempty"`
	Stale     time.Duration `json:"stale_ns"`     // for how long a sample holds
	Top       float64       `json:"top_w_per_m2"` // of the probe's range, W/m²; 0: not known
}

// Options is what a Writer is made of. Name, URL and Record are needed.
type Options struct {
	Name   string // of the target, and of its place in the record
	URL    string // http or https, without user and password
	Site   string // the external label site
	Posts  []acquire.Post
	Record Record

	CAFile       string // PEM; empty: the system's authorities
	Username     string // with PasswordFile: basic auth
	PasswordFile string // both kinds of secret are read again for every request
	TokenFile    string // bearer token

	History time.Duration // how much of the past a new target gets
	Every   time.Duration // between requests while nothing waits; default 5 s
	Rate    float64       // samples a second at most, while it catches up; default 10 000
	Timeout time.Duration // of one request; default 30 s
	Version string        // of Ovenward
	Log     *slog.Logger  // default: none
	Now     func() time.Time

	// Round is called with every request and every look at the record. The longest
	// time between is LongestRound; nil: nobody asks. It must not wait.
	Round func()

	transport http.RoundTripper                // in place of a real one, for tests
	wait      func(failures int) time.Duration // before the next attempt
	mono      func() time.Duration             // the host's monotonic clock
}

// Stats is the state of a Writer. Its counts begin with the program.
type Stats struct {
	Name         string
	To           string // where it sends, without secrets
	Sent         uint64 // samples accepted
	Requests     uint64 // requests accepted
	Failed       uint64 // attempts that failed and are made again
	Refused      uint64 // samples refused for good
	TooOld       uint64 // samples that the receiver calls too old
	Crowded      uint64 // samples that found no free millisecond
	Behind       time.Duration
	HeldBack     bool // for what is stamped ahead of the receiver's clock
	LastError    string
	LastAccepted time.Time // zero: none
}

// Writer sends to one target. Run may be called once; Stats at any time.
type Writer struct {
	o       Options
	url     *url.URL
	to      string
	log     *slog.Logger
	horizon horizon
	floor   int64 // ms; what is older the receiver calls too old

	mu     sync.Mutex
	stats  Stats
	before *Writer // whose counters are not in stats yet; nil: nobody's
}

const (
	defaultEvery   = 5 * time.Second
	defaultRate    = 10_000
	defaultTimeout = 30 * time.Second
)

// New checks the options. It opens no connection and reads no file.
func New(o Options) (*Writer, error) {
	if o.Record == nil || o.Name == "" {
		return nil, errors.New("a remote-write target needs a name and a record to send from")
	}
	u, err := parseURL(o.URL, o.TokenFile != "" || o.PasswordFile != "")
	if err != nil {
		return nil, fmt.Errorf("remote_write %s: %w", o.Name, err)
	}
	if o.Round == nil {
		o.Round = func() {}
	}
	orDefault(&o.Every, defaultEvery)
	orDefault(&o.Rate, defaultRate)
	orDefault(&o.Timeout, defaultTimeout)
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.mono == nil {
		began := o.Now() // with a monotonic reading, which a difference is made of
		o.mono = func() time.Duration { return o.Now().Sub(began) }
	}
	if o.wait == nil {
		o.wait = func(failures int) time.Duration { return backoff(failures, rand.Float64()) }
	}
	w := &Writer{o: o, url: u, to: redacted(u)}
	w.log = o.Log.With("target", o.Name, "to", w.to)
	w.stats.Name, w.stats.To = o.Name, w.to
	w.horizon.start(o.Now(), o.mono())
	return w, nil
}

func orDefault[T time.Duration | float64](v *T, d T) {
	if *v <= 0 {
		*v = d
	}
}

// GoOnFrom has the counters go on from those of another writer, which is configured
// alike. The other's Run must have ended before this one's begins.
func (w *Writer) GoOnFrom(before *Writer) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.before = before
}

// takeOver adds what the writer before has counted, now that it counts no more.
func (w *Writer) takeOver() {
	s := w.Stats()
	w.mu.Lock()
	defer w.mu.Unlock()
	w.stats, w.before = s, nil
}

// Stats copies the writer's state. It waits for nothing.
func (w *Writer) Stats() Stats {
	w.mu.Lock()
	s, before := w.stats, w.before
	w.mu.Unlock()
	if before != nil {
		s = s.after(before.Stats())
	}
	return s
}

// after is what stats are that go on from others.
func (s Stats) after(before Stats) Stats {
	s.Sent += before.Sent
	s.Requests += before.Requests
	s.Failed += before.Failed
	s.Refused += before.Refused
	s.TooOld += before.TooOld
	s.Crowded += before.Crowded
	s.Behind, s.HeldBack = before.Behind, before.HeldBack
	s.LastError, s.LastAccepted = before.LastError, before.LastAccepted
	return s
}

func (w *Writer) note(f func(s *Stats)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	f(&w.stats)
}
