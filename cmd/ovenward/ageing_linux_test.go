package main

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/store"
	"ovenward/config"
	"ovenward/drivers"
)

// aged writes a record of 60 runs in 30 days at a post, each somewhat stronger than
// the last: from 20 to 32 W/m², beside a limit of 50 W/m².
func aged(t *testing.T, dir, post string) {
	t.Helper()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p := recordedPost(post)
	begin := time.Now().UTC().Add(-30 * 24 * time.Hour)
	if err := s.Register([]acquire.Post{p}, begin); err != nil {
		t.Fatal(err)
	}
	s.Correction(0, calib.Correction{Certificate: p.Probe.Certificate})
	rng := rand.New(rand.NewPCG(91, 92))
	seq := int64(0)
	for run := range 60 {
		at := begin.Add(time.Duration(run) * 12 * time.Hour)
		level := 20 + 0.2*float64(run) + 0.3*rng.NormFloat64()
		var batch []acquire.Sample
		for i := range 330 {
			s := 0.02
			if i >= 110 && i < 150 {
				s = level
			}
			seq++
			d := drivers.Decimal{Digits: int64(100 * s / 1.04), Exp: -3}
			batch = append(batch, acquire.Sample{Seq: seq, At: at.Add(time.Duration(i) * time.Second), Said: []byte(d.String()),
				Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}})
		}
		s.Append(0, batch)
	}
	waitFor(t, 20*time.Second, "the record to be written", func() bool { return s.Stats().Pending == 0 })
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestAgeingWarnsEarly is the early warning from end to end: of what a record holds,
// the daemon makes runs, sees them rise, foresees when the limit's guard band is
// reached, and raises the alarm where that is nearer than ageing_within.
func TestAgeingWarnsEarly(t *testing.T) {
	t.Parallel()
	for within, want := range map[string]bool{"60 d": true, "1 d": false, "0 s": false} {
		dir := t.TempDir()
		aged(t, dir, "pantry-door")
		file := filepath.Join(t.TempDir(), "kitchen.toml")
		if err := os.WriteFile(file, []byte(string(kitchenTOML)+"\n[alarm]\nageing_within = \""+within+"\"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		r := startDaemon(t, settings{configFile: file, storagePath: dir})
		var runs struct {
			Runs []struct {
				Begun bool `json:"begin_seen"`
			} `json:"runs"`
		}
		waitFor(t, 30*time.Second, "the runs", func() bool {
			return json.Unmarshal([]byte(r.get(t, "/api/v1/posts/pantry-door/history?days=60")), &runs) == nil && len(runs.Runs) >= 60
		})
		warned := func() string {
			var all struct {
				Alarms []struct{ Rule, Text, Priority, State string } `json:"alarms"`
			}
			if err := json.Unmarshal([]byte(r.get(t, "/api/v1/alarms")), &all); err != nil {
				t.Fatal(err)
			}
			for _, a := range all.Alarms {
				if a.Rule == "ageing:pantry-door" {
					return r.get(t, "/api/v1/events?limit=1000")
				}
			}
			return ""
		}
		looked := func() bool { r.ageing.mu.Lock(); defer r.ageing.mu.Unlock(); return r.ageing.troubles != nil }
		if want {
			waitFor(t, 30*time.Second, "the early warning in the record", func() bool { return strings.Contains(warned(), "ageing:pantry-door") })
			if said := warned(); !strings.Contains(said, "W/m²") && !strings.Contains(said, "mW/cm²") || !strings.Contains(said, "90 %") || !strings.Contains(said, "licensed service") {
				t.Errorf("%s", said)
			}
		} else if within != "0 s" {
			waitFor(t, 30*time.Second, "the runs to be looked at", looked)
			for _, tr := range r.ageing.Troubles() {
				if tr.Text != "" {
					t.Errorf("ageing_within %s: %s", within, tr.Text)
				}
			}
		} else if warned() != "" || looked() {
			t.Errorf("it warns though it is told never to: %s", warned())
		}
		r.stop(t)
	}
}

// TestWhoseRuns: what a post sees is taken for an oven's only where nothing else is
// near.
func TestWhoseRuns(t *testing.T) {
	small, err := os.ReadFile(smallDoor(t))
	if err != nil {
		t.Fatal(err)
	}
	alone := strings.Replace(string(kitchenTOML), `probe = "probe-2"`, "probe = \"probe-2\"\nnothing_near = true", 1)
	for _, tc := range []struct{ text, post, oven, why string }{
		{string(kitchenTOML), "pantry-door", "", "other ovens are at this site (counter, staff-room)"},
		{alone, "pantry-door", "pantry", "the configuration says that nothing else"},
		{alone, "counter-door", "", "other ovens are at this site (pantry, staff-room)"},
		{string(small), "counter-door", "counter", "no other oven is at this site"},
		{string(small), "nowhere", "", "not watched"},
	} {
		f, err := config.Parse("test.toml", []byte(tc.text))
		if err != nil {
			t.Fatal(err)
		}
		if oven, why := ovenOf(f)(tc.post); oven != tc.oven || !strings.Contains(why, tc.why) {
			t.Errorf("%s: %q, %q; want %q, %q", tc.post, oven, why, tc.oven, tc.why)
		}
	}
}
