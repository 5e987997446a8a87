package config

import (
	"testing"
	"time"
)

func TestSchedulesCover(t *testing.T) {
	f, err := Load("../testdata/rules.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	opening, lunch := f.Schedules[0], *f.RunsBy(f.Ovens[0])
	for _, tc := range []struct {
		at             string // by the clock on the wall there
		opening, lunch bool
	}{
		{"2026-07-06 06:59:59", false, false}, // a Monday
		{"2026-07-06 07:00:00", true, false},
		{"2026-07-06 11:30:00", true, true},
		{"2026-07-06 14:00:00", true, false},
		{"2026-07-06 17:59:59", true, false},
		{"2026-07-06 18:00:00", false, false},
		{"2026-07-06 22:00:00", true, false}, // Fri-Mon, over midnight
		{"2026-07-07 01:59:59", true, false},
		{"2026-07-07 02:00:00", false, false},
		{"2026-07-07 22:30:00", false, false}, // a Tuesday
		{"2026-07-11 12:59:00", true, true},   // a Saturday
		{"2026-07-11 13:00:00", false, true},
		{"2026-07-12 12:00:00", false, true}, // a Sunday
	} {
		at, err := time.ParseInLocation(time.DateTime, tc.at, f.Site.Zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := opening.Covers(at.UTC()); got != tc.opening {
			t.Errorf("%s: opening covers %v", tc.at, got)
		}
		if got := lunch.Covers(at.UTC()); got != tc.lunch {
			t.Errorf("%s: lunch covers %v", tc.at, got)
		}
	}
	// On the night the clocks go forward there, 01:30 on the wall does not occur.
	if at := time.Date(2026, 3, 29, 0, 59, 59, 0, time.UTC); !opening.Covers(at) || opening.Covers(at.Add(time.Hour+time.Second)) {
		t.Error("a span does not end by the clock on the wall where the clocks change")
	}
}

// A rule at or above the limit is an exceedance, whatever it is called.
func TestRulesBecomeWhatTheyAre(t *testing.T) {
	f, err := Load("../testdata/rules.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	limits, err := f.LimitsOf(f.Posts[0])
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		rule, priority string
		level          float64 // W/m²
	}{
		{"warning:half", "low", 25}, {"warning:mean", "medium", 40}, {"exceeds:by:at-once", "high", 50},
		{"warning:level", "low", 10}, {"dose:day", "medium", 0}, {"count:run", "medium", 0},
	}
	got := f.RulesOf(f.Posts[0], limits)
	if len(got) != len(want) {
		t.Fatalf("%d rules, want %d", len(got), len(want))
	}
	for i, w := range want {
		if r := got[i]; string(r.Rule) != w.rule || string(r.Priority) != w.priority || float64(r.Level) != w.level {
			t.Errorf("rule %s, %s, at %s; want %+v", r.Rule, r.Priority, r.Level, w)
		}
	}
	if got[1].Window != 6*time.Minute || !got[3].Sustained || got[4].Dose != 3600 || got[5].Count != 3 || got[0].OffDelay != 2*time.Minute || got[1].OffDelay != minClear {
		t.Errorf("rules %+v", got)
	}
	if a := f.Alarm; a.EscalateAfter != 10*time.Minute || a.TellAgainAfter != 4*time.Hour || a.UnderFloor != 2*time.Hour ||
		a.Certificate != 60*24*time.Hour || a.Position != 0 || a.DiskFree != 0.1 {
		t.Errorf("alarm section %+v", a)
	}
}
