// Package metrics shows Prometheus what the station knows. Every series is
// built at the scrape from a snapshot, so a value that is not known has no
// series: it is never zero, and never the last one that was. A scrape asks no
// device and no disk. Units are SI: W/m², J/m², seconds; mW/cm² is for people
// and appears nowhere here. Only this package knows client_golang.
//
// It must not judge: verdicts, conditions and alarms are the station's word.
package metrics

import (
	"math"
	"net/http"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// Source gives the state of all posts as copies, without waiting.
type Source interface {
	Stats() []acquire.Stats
}

// SourceFunc makes a Source of a function, for a source that is made after the
// collector.
type SourceFunc func() []acquire.Stats

// Stats calls f.
func (f SourceFunc) Stats() []acquire.Stats { return f() }

// RecordState is the state of the durable record.
type RecordState struct {
	Committed time.Time // when the record was last made durable; zero: not yet
	Pending   int       // samples handed to the record and not yet durable
	Lost      uint64    // samples that the record had to drop since the program started
	Damaged   uint64    // stretches that were found damaged or lost since the program started
	Salvaged  uint64    // commits that were read from a damaged log when the program started
	Writable  bool

	NumberKept bool       // the last commit's number is kept beside the record
	Head       RecordHead // of the last day that ended; an empty Day: none did yet
}

// RecordHead is the head of the record's chain of hashes at the end of a UTC day.
type RecordHead struct {
	Day     string
	Entries int64
	SHA256  string
}

// CourierState is the state of one way of telling people.
type CourierState struct {
	Name         string
	Sent         uint64    // messages accepted since the program started
	Failed       uint64    // attempts that failed and are made again
	Refused      uint64    // messages refused for good
	Unlisted     uint64    // messages of which the record could not keep what came of them
	Coalesced    uint64    // changes that a newer one of their alarm stood in for
	Waiting      int       // messages not yet accepted
	Failing      bool      // the newest attempt failed, or one of what waits
	LastAccepted time.Time // zero: none

	Heartbeat     time.Duration // between two; 0: none is sent
	LastHeartbeat time.Time     // accepted; zero: none
}

// RemoteState is the state of one remote-write target. Its counts begin with the
// program.
type RemoteState struct {
	Name         string
	Sent         uint64 // samples accepted
	Failed       uint64 // requests that failed and are made again
	Refused      uint64 // samples refused for good
	TooOld       uint64 // samples that the receiver calls too old
	Crowded      uint64 // samples that found no free millisecond
	Behind       time.Duration
	HeldBack     bool
	LastAccepted time.Time // zero: none
}

// ReloadState is what came of the newest loading of the configuration.
type ReloadState struct {
	Successful bool      // it took effect
	Success    time.Time // when one last did
}

// Options is what a Collector is made of. What is nil has no series.
type Options struct {
	Source    Source
	Alarms    func() []alarm.Alarm  // the station's own; those of posts are in Stats and are left out here
	Record    func() RecordState    // state of the record, without waiting
	Couriers  func() []CourierState // state of the couriers, without waiting
	Sums      []acquire.Sum         // of several frequencies at one place
	Remotes   func() []RemoteState  // state of the remote-write targets, without waiting
	Reload    func() ReloadState    // what came of the newest loading of the configuration
	Posts     []acquire.Post        // in the order of their indices
	Site      string                // label of what belongs to no post
	Version   string
	Simulated bool             // anything at all that is shown is simulated
	Now       func() time.Time // when a histogram began; nil: time.Now
}

// Collector is a prometheus.Collector of snapshots and an acquire.Observer that
// counts every sample into a histogram. Its methods may be called from any
// goroutine.
type Collector struct {
	o         Options
	d         *descs
	posts     []observed
	kept      kept
	goversion string
}

// New makes a collector. Posts without a site get Options.Site.
func New(o Options) *Collector {
	c := &Collector{o: o, d: newDescs(), goversion: runtime.Version()}
	for i := range o.Posts {
		c.o.Simulated = c.o.Simulated || o.Posts[i].Probe.Simulated
	}
	if c.o.Now == nil {
		c.o.Now = time.Now
	}
	c.posts = observe(c.d.histogram, c.o)
	return c
}

// Registry returns a new registry that holds the collector and those of the Go
// runtime and the process; the process's figures are up to 5 s old.
func (c *Collector) Registry() *prometheus.Registry {
	r := prometheus.NewRegistry()
	process := &rarely{Collector: collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), every: processEvery, now: c.o.Now}
	r.MustRegister(c, collectors.NewGoCollector(), process)
	return r
}

// maxScrapes bounds the scrapes served at one time; more get status 503.
const maxScrapes = 8

// packedFrom is how many posts make an answer worth compressing. One post is 14 kB,
// beside 17 kB of the program's; the compressor keeps 1.6 MB.
const packedFrom = 5

// Handler serves a Registry as text, OpenMetrics or protobuf, as asked. Native
// histograms travel in protobuf only. Answers for fewer than five posts are not
// compressed, and come whole.
func (c *Collector) Handler() http.Handler {
	r, few := c.Registry(), len(c.o.Posts) < packedFrom
	h := promhttp.HandlerFor(r, promhttp.HandlerOpts{
		Registry:            r,
		EnableOpenMetrics:   true,
		MaxRequestsInFlight: maxScrapes,
		DisableCompression:  few,
	})
	if few {
		return whole(h)
	}
	return h
}

// Describe implements prometheus.Collector.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range c.d.all {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	defer c.kept.begin()()
	for i := range c.posts {
		ch <- c.posts[i].series
	}
	if c.o.Source != nil {
		all := c.o.Source.Stats()
		for _, s := range all {
			c.collectPost(out{ch, &c.kept, labels(s.Post, c.o.Site)}, s)
		}
		for _, s := range c.o.Sums {
			c.collectSum(out{ch, &c.kept, []string{c.o.Site, s.ID, s.Limit}}, s.Judge(all))
		}
	}
	c.collectStation(out{ch: ch, kept: &c.kept})
}

// labels returns the values of the labels site, post, oven and probe; site is
// for a post that names none.
func labels(p *acquire.Post, site string) []string {
	if p.Site != "" {
		site = p.Site
	}
	return []string{site, p.ID, p.Oven, p.Probe.ID}
}

// out makes the series of one owner, whose labels come first.
type out struct {
	ch     chan<- prometheus.Metric
	kept   *kept
	labels []string
}

// gauge shows v; NaN, which is 'no value', has no series.
func (o out) gauge(d *prometheus.Desc, v float64, more ...string) {
	o.send(d, prometheus.GaugeValue, v, more)
}

func (o out) counter(d *prometheus.Desc, v float64, more ...string) {
	o.send(d, prometheus.CounterValue, v, more)
}

// instant shows t as seconds since 1970; the zero time has no series.
func (o out) instant(d *prometheus.Desc, t time.Time, more ...string) {
	if !t.IsZero() {
		o.send(d, prometheus.GaugeValue, float64(t.UnixMicro())/1e6, more)
	}
}

func (o out) flag(d *prometheus.Desc, on bool, more ...string) {
	v := 0.0
	if on {
		v = 1
	}
	o.send(d, prometheus.GaugeValue, v, more)
}

func (o out) send(d *prometheus.Desc, t prometheus.ValueType, v float64, more []string) {
	if !math.IsNaN(v) {
		o.ch <- o.kept.next(d, t, v, o.labels, more)
	}
}
