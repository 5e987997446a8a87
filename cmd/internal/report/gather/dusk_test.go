package gather

import (
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
	"ovenward/drivers"
)

// The record of these tests is of an invented house: forty minutes about a midnight.
func dusk() time.Time { return time.Date(2031, 5, 20, 23, 40, 0, 0, time.UTC) }

// length is that of the record, in seconds and readings; late is the midnight.
const (
	length = 2400
	late   = 1200
	runs   = 2
)

func post() acquire.Post {
	cert := &calib.Certificate{Number: "LM-7", Laboratory: "Larkfield Metrology", Date: dusk().AddDate(0, -4, 0).Truncate(24 * time.Hour), Due: dusk().AddDate(0, 8, 0).Truncate(24 * time.Hour), Factor: 1, U: 0.1, K: 2}
	return acquire.Post{Site: "Larkfield House", ID: "hatch", Oven: "combi", OvenPlace: "by the pass", Distance: 0.05, Turned: true, Frequency: 2.45e9,
		Probe:     acquire.Probe{ID: "probe-1", Port: "/dev/ttyUSB0", Period: time.Second, Timeout: 500 * time.Millisecond, Response: time.Second, Range: 200, Floor: 0.1, Axes: 1, ZeroBound: 1, Certificate: cert},
		Limit:     limit.Limit{ID: "in-use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "an invented standard"},
		Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second},
		RunGap:    30 * time.Second, Silent: 5 * time.Second, Stale: 3 * time.Second, Stuck: time.Minute}
}

// field is the value at a second, in thousandths of mW/cm²: a run in each twenty minutes.
func field(n int) int64 {
	rest := int64(20 + n%3)
	if m := n % 1200; m >= 300 && m < 480 {
		return 250 + int64(n%7)
	}
	return rest
}

// recorded makes a record; change alters or drops (false) a sample.
func recorded(t *testing.T, p acquire.Post, change func(n int, s *acquire.Sample) bool) (*store.Store, string) {
	t.Helper()
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{CommitEvery: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Register([]acquire.Post{p}, dusk()); err != nil {
		t.Fatal(err)
	}
	s.Correction(0, calib.Correction{ZeroAt: dusk(), ZeroBy: "R. Okafor", Certificate: p.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
	var batch []acquire.Sample
	for n := range length {
		d := drivers.Decimal{Digits: field(n), Exp: -3}
		x := acquire.Sample{Seq: int64(n + 1), At: dusk().Add(time.Duration(n) * time.Second), Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}}
		if change != nil && !change(n, &x) {
			continue
		}
		if x.Said == nil {
			x.Said = []byte(x.Reading.Value.String() + ",mW/cm2")
		}
		batch = append(batch, x)
	}
	s.Append(0, batch)
	t.Cleanup(func() { _ = s.Close() })
	return s, dir
}

// reopened closes a record, as a stopped daemon leaves it, and opens it for reading.
func reopened(t *testing.T, s *store.Store, dir string) *store.Reader {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// read makes the report of a record.
func read(t *testing.T, s *store.Store, dir string) *report.Monitoring {
	t.Helper()
	r := reopened(t, s, dir)
	m, err := Monitoring(t.Context(), r, Query{From: dusk(), To: dusk().Add(length * time.Second), Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func outcomes(w *report.Watched) string {
	var all []string
	for _, d := range w.Days {
		all = append(all, string(d.Outcome))
	}
	return strings.Join(all, ", ") + ": " + string(w.Judged[0].Outcome)
}
