package metrics

import (
	"math/rand/v2"
	"testing"

	"github.com/prometheus/client_golang/prometheus"

	"ovenward/acquire"
)

// changing is a source whose stats a test changes.
type changing struct{ all []acquire.Stats }

func (c *changing) Stats() []acquire.Stats { return c.all }

// An answer in which what has not changed is not made anew is that of a collector
// that makes all of it.
func TestKeptIsAsMadeAnew(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	posts := larkfield()
	all, source := wholeSite(posts), &changing{}
	c := newSite(func([]acquire.Post) []acquire.Stats { return nil })
	c.o.Source = source
	before, same := map[prometheus.Metric]bool{}, 0
	source.all = all
	for range 100 {
		switch s := &all[r.IntN(len(all))]; r.IntN(6) {
		case 0:
			s.Last.S++
		case 1:
			s.Counts.Late++
		case 2:
			s.Battery = !s.Battery
		case 3:
			s.Last.S = nan()
		case 4:
			source.all = all[:r.IntN(len(all)+1)]
		case 5:
			s.Condition = []acquire.Condition{acquire.Seeing, acquire.SilentNow}[r.IntN(2)]
		}
		fresh := newSite(func([]acquire.Post) []acquire.Stats { return source.all })
		if got, want := exposition(t, c), exposition(t, fresh); got != want {
			t.Fatal(firstDifference(got, want))
		}
		now := map[prometheus.Metric]bool{}
		for _, m := range collected(c) {
			if _, is := m.(*shown); is {
				now[m] = true
				if before[m] {
					same++
				}
			}
		}
		before = now
	}
	if same < 5_000 {
		t.Errorf("%d series were kept: the test looks at nothing", same)
	}
}

// Of more series than may be kept the rest are made anew.
func TestKeptIsBounded(t *testing.T) {
	d := prometheus.NewDesc("a", "b", []string{"c"}, nil)
	var k kept
	for range 2 {
		end := k.begin()
		for i := range mostKept + 10 {
			k.next(d, prometheus.GaugeValue, float64(i), []string{"x"}, nil)
		}
		end()
	}
	if len(k.all) != mostKept {
		t.Errorf("%d are kept, want %d", len(k.all), mostKept)
	}
	k.begin()()
	if len(k.all) != 0 {
		t.Errorf("%d are kept of an empty answer", len(k.all))
	}
}

func collected(c *Collector) (all []prometheus.Metric) {
	ch := make(chan prometheus.Metric)
	go func() { defer close(ch); c.Collect(ch) }()
	for m := range ch {
		all = append(all, m)
	}
	return all
}
