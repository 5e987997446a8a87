package metrics

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// processEvery is how old the figures of the process may be. Whoever scrapes less
// often gets new ones each time; a scrape each second would have the kernel print its
// tables for a twentieth of all that a daemon at rest does.
const processEvery = 5 * time.Second

// rarely is a collector that is asked again only when what it said is old.
type rarely struct {
	prometheus.Collector
	every time.Duration
	now   func() time.Time

	mu   sync.Mutex
	at   time.Time
	said []prometheus.Metric // replaced, never changed
}

// Collect implements prometheus.Collector.
func (r *rarely) Collect(ch chan<- prometheus.Metric) {
	for _, m := range r.newest() {
		ch <- m
	}
}

func (r *rarely) newest() []prometheus.Metric {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := r.now()
	if age := now.Sub(r.at); r.said != nil && age >= 0 && age < r.every {
		return r.said
	}
	all := make(chan prometheus.Metric)
	go func() { // ends with the loop below
		defer close(all)
		r.Collector.Collect(all)
	}()
	r.at, r.said = now, []prometheus.Metric{}
	for m := range all {
		r.said = append(r.said, m)
	}
	return r.said
}
