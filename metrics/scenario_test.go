package metrics

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

var update = flag.Bool("update", false, "write the golden files anew")

// noon is when every snapshot of these tests was made.
func noon() time.Time { return time.Date(2026, 11, 25, 12, 0, 30, 500e6, time.UTC) }

// larkfield is an invented site of three posts: one sees a running oven, one is
// silent, one is over range.
func larkfield() []acquire.Post {
	post := func(id, oven, probe string, w quantity.PowerDensity) acquire.Post {
		return acquire.Post{
			Site: "Larkfield House", ID: id, Oven: oven, OvenPlace: "main kitchen",
			Probe: acquire.Probe{ID: probe, Port: "/dev/ttyUSB0", Range: 200, Floor: 0.1},
			Limit: limit.Limit{ID: "leak-in-use", Value: w, Basis: limit.EmissionInUse, Source: "invented for this test"},
			Stale: 2 * time.Second,
		}
	}
	grill := post("grill-door", "grill", "p1", 50)
	grill.More = []limit.Limit{{ID: "public", Value: 10, Basis: limit.ExposurePublic, Averaging: 6 * time.Minute, Source: "invented for this test"}}
	return []acquire.Post{
		grill,
		post("steam-door", "steamer", "p2", 50),
		post("bake-seam", "baker", "p3", 10),
	}
}

func sample(seq int64, s float64, q acquire.Quality) acquire.Sample {
	return acquire.Sample{Seq: seq, At: noon().Add(-100 * time.Millisecond), S: quantity.PowerDensity(s), Quality: q,
		Reading: drivers.Reading{HasValue: q&acquire.OverRange == 0}}
}

func rules(exceeds, silent alarm.State) []alarm.Alarm {
	all := []alarm.Alarm{{Rule: alarm.Exceeds, State: exceeds}, {Rule: alarm.Silent, State: silent}}
	for _, r := range []alarm.Rule{alarm.Stale, alarm.Stuck, alarm.Fault} {
		all = append(all, alarm.Alarm{Rule: r, State: alarm.Normal})
	}
	return all
}

// seeing is a snapshot of a post that sees its oven run, at 6.25 W/m².
func seeing(p *acquire.Post) acquire.Stats {
	last := sample(1200, 6.25, 0)
	return acquire.Stats{
		Post: p, Now: noon(), Condition: acquire.Seeing, Up: true, Running: true, Last: last, Newest: last,
		Verdict: limit.Verdict{Outcome: limit.Within, Limit: p.Limit, Value: 6.25, Ratio: 6.25 / float64(p.Limit.Value)},
		Counts: acquire.Counts{Samples: [6]uint64{1, 2, 3, 4, 5, 1185}, Energy: 750.5, Observed: 120 * time.Second,
			OverRange: 1500 * time.Millisecond, Unparsed: 7, Unanswered: 8, Late: 3, Missed: 9, DroppedBytes: 10, Connects: 2,
			RoundTrip: 12500 * time.Microsecond, Peak: 8, HasPeak: true},
		Alarms: rules(alarm.Normal, alarm.Normal),
		Vitals: acquire.Vitals{Temperature: 31.5, TemperatureAt: last.At, Battery: 3.71, BatteryUnit: "V", BatteryAt: last.At},
	}
}

func silent(p *acquire.Post) acquire.Stats {
	s := seeing(p)
	s.Condition, s.Up, s.Running = acquire.SilentNow, false, false
	s.Last.At = noon().Add(-10 * time.Minute)
	s.Newest = s.Last
	s.Vitals.TemperatureAt, s.Vitals.BatteryAt = s.Last.At, s.Last.At
	s.Verdict = limit.Verdict{Outcome: limit.NotDecided, Limit: p.Limit, Ratio: math.NaN()}
	s.Alarms = rules(alarm.Normal, alarm.Unacknowledged)
	return s
}

func overRange(p *acquire.Post) acquire.Stats {
	s := seeing(p)
	s.Newest = sample(1201, math.NaN(), acquire.OverRange)
	s.OverRange = true
	s.Vitals.Battery, s.Vitals.BatteryUnit = 0.42, "%"
	s.Verdict.Outcome, s.Verdict.Ratio = limit.Exceeds, math.Inf(1)
	s.Counts.Peak = p.Probe.Range
	s.Alarms = rules(alarm.Unacknowledged, alarm.ReturnedUnacknowledged)
	return s
}

type fixed []acquire.Stats

func (f fixed) Stats() []acquire.Stats { return f }

func newSite(stats func(p []acquire.Post) []acquire.Stats) *Collector {
	posts := larkfield()
	c := New(Options{
		Source: fixed(stats(posts)), Posts: posts, Site: "Larkfield House", Version: "0.0.0-test", Simulated: true,
		Alarms: func() []alarm.Alarm {
			return []alarm.Alarm{{Rule: alarm.Record, State: alarm.Unacknowledged},
				{Post: "grill-door", Rule: alarm.Exceeds}} // a post's own: shown from its snapshot, not twice
		},
		Record: func() RecordState {
			return RecordState{Committed: noon().Add(-time.Second), Pending: 12, Lost: 3, Writable: true, NumberKept: true, Damaged: 2, Salvaged: 1,
				Head: RecordHead{Day: "2031-05-19", Entries: 812, SHA256: "5e1f0c"}}
		},
		Couriers: func() []CourierState {
			return []CourierState{{Name: "webhook", Sent: 4, Failed: 2, Refused: 1, Waiting: 5, LastAccepted: noon(),
				Coalesced: 7, Unlisted: 3, Failing: true, Heartbeat: time.Hour, LastHeartbeat: noon().Add(-time.Minute)},
				{Name: "desk"}}
		},
		Reload: func() ReloadState { return ReloadState{Success: noon().Add(-time.Hour)} },
		Remotes: func() []RemoteState {
			return []RemoteState{{Name: "fleet", Sent: 1200, Failed: 3, Refused: 2, TooOld: 7, Crowded: 1, Behind: 90 * time.Second,
				HeldBack: true, LastAccepted: noon()}}
		},
	})
	c.goversion = "go1.26"
	return c
}

func wholeSite(p []acquire.Post) []acquire.Stats {
	grill := seeing(&p[0])
	mean := limit.Average{From: -360360 * time.Millisecond, Lo: 4.5, Hi: 4.75, Seen: 351 * time.Second}
	grill.Verdicts = []limit.Verdict{grill.Verdict, {Outcome: limit.NotDecided, Limit: p[0].More[0], Averaged: true, Mean: mean, Cover: 0.975, Share: 0.475}}
	return []acquire.Stats{grill, silent(&p[1]), overRange(&p[2])}
}

// exposition is what a scrape of c gets as text, without the Go runtime.
func exposition(t testing.TB, c prometheus.Collector) string {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	if err := r.Register(c); err != nil {
		t.Fatalf("registering: %v", err)
	}
	families, err := r.Gather()
	if err != nil {
		t.Fatalf("gathering: %v", err)
	}
	var b bytes.Buffer
	e := expfmt.NewEncoder(&b, expfmt.NewFormat(expfmt.TypeTextPlain))
	for _, f := range families {
		if err := e.Encode(f); err != nil {
			t.Fatalf("encoding %s: %v", f.GetName(), err)
		}
	}
	return b.String()
}

func TestExpositionIsGolden(t *testing.T) {
	c := newSite(wholeSite)
	c.Observe(0, []acquire.Sample{sample(1, -0.02, acquire.UnderFloor), sample(2, 6.25, 0), sample(3, 50, 0), sample(4, 50.5, 0)})
	c.Observe(2, []acquire.Sample{sample(1, math.NaN(), acquire.OverRange)})
	got := exposition(t, c)
	path := filepath.Join("testdata", "larkfield.golden.prom")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the exposition differs from %s (-update writes it anew):\n%s", path, firstDifference(got, string(want)))
	}
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return fmt.Sprintf("line %d\n got  %s\n want %s", i+1, g[i], w[i])
		}
	}
	return fmt.Sprintf("%d lines, want %d", len(g), len(w))
}
