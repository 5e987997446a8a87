package metrics

import (
	"slices"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// mostKept bounds them: a series takes about 1 kB.
const mostKept = 1000

// kept are the series of the last answer, in their order. Most of them stay as they are
// from one scrape to the next, and each with its labels takes ten pieces of memory to make.
type kept struct {
	mu  sync.Mutex // held while an answer is made
	all []*shown
	at  int // of the next series
}

// shown is a series as it was shown. It does not change.
type shown struct {
	desc   *prometheus.Desc
	kind   prometheus.ValueType
	value  float64
	labels []string
	said   dto.Metric
}

// Desc implements prometheus.Metric.
func (s *shown) Desc() *prometheus.Desc { return s.desc }

// Write implements prometheus.Metric. What it hands out is only read.
func (s *shown) Write(out *dto.Metric) error {
	out.Label, out.Gauge, out.Counter = s.said.Label, s.said.Gauge, s.said.Counter
	return nil
}

// next is the series with this value, whose labels are those of an owner and more.
func (k *kept) next(d *prometheus.Desc, kind prometheus.ValueType, value float64, owner, more []string) prometheus.Metric {
	at := k.at
	k.at++
	if at < len(k.all) {
		s, n := k.all[at], len(owner)
		if s != nil && s.desc == d && s.kind == kind && s.value == value && len(s.labels) == n+len(more) &&
			slices.Equal(s.labels[:n], owner) && slices.Equal(s.labels[n:], more) {
			return s
		}
	} else if at < mostKept {
		k.all = append(k.all, nil)
	}
	s := &shown{desc: d, kind: kind, value: value, labels: slices.Concat(owner, more)}
	m, err := prometheus.NewConstMetric(d, kind, value, s.labels...)
	if err == nil {
		err = m.Write(&s.said)
	}
	if err != nil {
		// A label that is no UTF-8 reaches the one who scrapes, as an error.
		return prometheus.NewInvalidMetric(d, err)
	}
	if at < mostKept {
		k.all[at] = s
	}
	return s
}

// begin starts an answer, and the end of it forgets what it no longer shows.
func (k *kept) begin() (end func()) {
	k.mu.Lock()
	k.at = 0
	return func() {
		n := min(k.at, len(k.all))
		clear(k.all[n:])
		k.all = k.all[:n]
		k.mu.Unlock()
	}
}
