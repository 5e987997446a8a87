package metrics

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// asked says how often it was.
type asked struct {
	desc  *prometheus.Desc
	times float64
}

func (a *asked) Describe(ch chan<- *prometheus.Desc) { ch <- a.desc }
func (a *asked) Collect(ch chan<- prometheus.Metric) {
	a.times++
	ch <- prometheus.MustNewConstMetric(a.desc, prometheus.CounterValue, a.times)
}

// said is the one value that a collector says.
func said(t *testing.T, c prometheus.Collector) float64 {
	t.Helper()
	all := make(chan prometheus.Metric, 2)
	c.Collect(all)
	close(all)
	var m dto.Metric
	if err := (<-all).Write(&m); err != nil || len(all) > 0 {
		t.Fatal(err, len(all))
	}
	return m.GetCounter().GetValue()
}

func TestTheProcessIsAskedRarely(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &rarely{Collector: &asked{desc: prometheus.NewDesc("asked", "", nil, nil)}, every: processEvery, now: time.Now}
		for _, step := range []struct {
			after time.Duration
			want  float64
		}{
			{0, 1}, {time.Second, 1}, {processEvery - time.Second - 1, 1}, {1, 2}, {processEvery, 3}, {time.Hour, 4}, {0, 4},
		} {
			time.Sleep(step.after)
			if got := said(t, c); got != step.want {
				t.Errorf("%s later it says %v, want %v", step.after, got, step.want)
			}
		}
		back := time.Now().Add(-time.Hour)
		c.now = func() time.Time { return back }
		if got := said(t, c); got != 5 {
			t.Errorf("with the clock set back it says %v, want 5", got)
		}
	})
}
