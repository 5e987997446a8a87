package remotewrite

import (
	"math"
	"slices"
	"sort"
	"time"

	"github.com/golang/snappy"
	"google.golang.org/protobuf/encoding/protowire"
)

// Names of what is sent. An export as OpenMetrics text uses the first ones too,
// so that one rule fits both. None is a name that /metrics serves: a scraped
// series and a recorded one never mix.
const (
	PowerDensity = "ovenward_recorded_power_density_watts_per_square_meter"
	OverRange    = "ovenward_recorded_over_range"

	alarmActive         = "ovenward_recorded_alarm_active"
	alarmUnacknowledged = "ovenward_recorded_alarm_unacknowledged"
	samplesTotal        = "ovenward_recorded_samples_total"
	lostTotal           = "ovenward_recorded_lost_samples_total"
	energyTotal         = "ovenward_recorded_energy_density_joules_per_square_meter_total"
	observedTotal       = "ovenward_recorded_observed_seconds_total"
	overRangeTotal      = "ovenward_recorded_over_range_seconds_total"
	limitGauge          = "ovenward_recorded_limit_watts_per_square_meter"
	probeGauge          = "ovenward_remote_write_probe"
)

// staleBits is the not-a-number that ends a series (specification of remote
// write 1.0, 'Stale Markers').
const staleBits = 0x7ff0000000000002

// Stale returns the value that ends a series until its next sample.
func Stale() float64 { return math.Float64frombits(staleBits) }

// IsStale says whether v is a staleness marker.
func IsStale(v float64) bool { return math.Float64bits(v) == staleBits }

// Millis gives samples their millisecond. A sample whose own millisecond is
// taken by the one before it gets the next, so that none is lost, unless that is
// more than a millisecond after its own: then there are more than a thousand a
// second, and it has no place.
type Millis struct{ Last int64 }

// Next returns the millisecond of a sample, in ms since 1970; false when it has
// no place.
func (m *Millis) Next(at time.Time) (int64, bool) {
	own := at.UnixMilli()
	ms := max(own, m.Last+1)
	if ms > own+1 {
		return 0, false
	}
	m.Last = ms
	return ms, true
}

// label is one label of a series.
type label struct{ name, value string }

// point is one sample of a series.
type point struct {
	ms    int64
	value float64
}

// series is a label set, encoded, and its samples in order of time.
type series struct {
	labels []byte
	points []point
}

// encodeLabels encodes a label set as the fields 1 of a TimeSeries: sorted by
// name, without empty ones, as the specification asks.
func encodeLabels(name string, labels []label) []byte {
	all := append([]label{{"__name__", name}}, labels...)
	all = slices.DeleteFunc(all, func(l label) bool { return l.value == "" })
	sort.SliceStable(all, func(i, j int) bool { return all[i].name < all[j].name })
	var out, one []byte
	for _, l := range all {
		one = protowire.AppendTag(one[:0], 1, protowire.BytesType)
		one = protowire.AppendString(one, l.name)
		one = protowire.AppendTag(one, 2, protowire.BytesType)
		one = protowire.AppendString(one, l.value)
		out = protowire.AppendTag(out, 1, protowire.BytesType)
		out = protowire.AppendBytes(out, one)
	}
	return out
}

// encode makes the body of a request: a snappy-compressed WriteRequest of
// protocol 1.0. No series is a request too.
func encode(all []*series) []byte {
	var body, one, sample []byte
	for _, s := range all {
		if len(s.points) == 0 {
			continue
		}
		one = append(one[:0], s.labels...)
		for _, p := range s.points {
			sample = protowire.AppendTag(sample[:0], 1, protowire.Fixed64Type)
			sample = protowire.AppendFixed64(sample, math.Float64bits(p.value))
			sample = protowire.AppendTag(sample, 2, protowire.VarintType)
			sample = protowire.AppendVarint(sample, uint64(p.ms))
			one = protowire.AppendTag(one, 2, protowire.BytesType)
			one = protowire.AppendBytes(one, sample)
		}
		body = protowire.AppendTag(body, 1, protowire.BytesType)
		body = protowire.AppendBytes(body, one)
	}
	return snappy.Encode(nil, body)
}

// batch is what one request carries.
type batch struct {
	series map[string]*series // by encoded labels
	n      int                // samples
}

func newBatch() *batch { return &batch{series: map[string]*series{}} }

func (b *batch) add(labels []byte, ms int64, value float64) {
	s := b.series[string(labels)]
	if s == nil {
		s = &series{labels: labels}
		b.series[string(labels)] = s
	}
	s.points = append(s.points, point{ms, value})
	b.n++
}

// all returns the series in a fixed order, so that a request made twice is the
// same request.
func (b *batch) all() []*series {
	out := make([]*series, 0, len(b.series))
	for _, s := range b.series {
		out = append(out, s)
	}
	slices.SortStableFunc(out, func(x, y *series) int { return slices.Compare(x.labels, y.labels) })
	return out
}

// span returns the oldest and the newest instant of a batch that is not empty.
func (b *batch) span() (from, to int64) {
	from, to = math.MaxInt64, math.MinInt64
	for _, s := range b.series {
		for _, p := range s.points {
			from, to = min(from, p.ms), max(to, p.ms)
		}
	}
	return from, to
}

// since returns what of b is not older than ms, and how many samples are.
func (b *batch) since(ms int64) (kept *batch, older int) {
	kept, rest := b.part(func(_ *series, p point) bool { return p.ms >= ms })
	return kept, rest.n
}

// part parts b in two.
func (b *batch) part(first func(*series, point) bool) (yes, no *batch) {
	yes, no = newBatch(), newBatch()
	for _, s := range b.all() {
		for _, p := range s.points {
			if first(s, p) {
				yes.add(s.labels, p.ms, p.value)
			} else {
				no.add(s.labels, p.ms, p.value)
			}
		}
	}
	return yes, no
}

// halves parts a batch of several samples in two that are not empty: the older
// and the newer instants; or, of one instant, some series and the others.
func (b *batch) halves() (first, second *batch) {
	from, to := b.span()
	if from < to {
		middle := from + (to-from)/2
		return b.part(func(_ *series, p point) bool { return p.ms <= middle })
	}
	n, seen := 0, map[*series]int{}
	return b.part(func(s *series, _ point) bool {
		if _, ok := seen[s]; !ok {
			seen[s] = n
			n++
		}
		return seen[s] < len(b.series)/2
	})
}
