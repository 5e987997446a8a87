package store

import (
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
)

// Versions of a post that differ in something else are one tenure; another probe,
// certificate or frequency begins another.
func TestTenures(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	next := func(hours int, change func(*acquire.Post)) {
		p := post("fryer")
		p.Frequency = 2.45e9
		change(&p)
		if err := s.Register([]acquire.Post{p, post("grill")}, noon().Add(time.Duration(hours)*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	next(0, func(*acquire.Post) {})
	next(1, func(p *acquire.Post) { p.Silent++ })
	next(2, func(p *acquire.Post) { p.Probe.Certificate = whole() })
	next(3, func(p *acquire.Post) { p.Probe.Certificate, p.Probe.ID = nil, "another" })
	next(4, func(p *acquire.Post) { p.Probe.Certificate, p.Probe.ID, p.Frequency = nil, "another", 0 })
	all, err := s.Tenures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	type want struct {
		post, probe string
		from, to    int // hours; to 0: it lasts
		certificate *calib.Certificate
		frequency   float64
	}
	wants := []want{
		{"fryer", "probe fryer", 0, 2, certificate(), 2.45e9},
		{"fryer", "probe fryer", 2, 3, whole(), 2.45e9},
		{"fryer", "another", 3, 4, nil, 2.45e9},
		{"fryer", "another", 4, 0, nil, 0},
		{"grill", "probe grill", 0, 0, certificate(), 0},
	}
	if len(all) != len(wants) {
		t.Fatalf("%d tenures: %+v", len(all), all)
	}
	for i, w := range wants {
		got := all[i]
		to := time.Time{}
		if w.to > 0 {
			to = noon().Add(time.Duration(w.to) * time.Hour)
		}
		same := (got.Certificate == nil) == (w.certificate == nil) && (w.certificate == nil || got.Certificate.Equal(*w.certificate))
		if got.Post != w.post || got.Probe != w.probe || !got.From.Equal(noon().Add(time.Duration(w.from)*time.Hour)) || !got.To.Equal(to) ||
			!same || float64(got.Frequency) != w.frequency {
			t.Errorf("tenure %d: %+v, want %+v", i, got, w)
		}
	}
	shut(t, s)
}
