package gather

import (
	"fmt"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
	"ovenward/drivers"
	"ovenward/drivers/driverstest"
)

// TestWhatReadingsRestOnMayBeLost: readings whose correction, or what the post was, is not in
// the record take 'within' from their day, and not 'exceeds': without their correction they
// count as the probe indicated them, as without a certificate. They hide no value that is known.
func TestWhatReadingsRestOnMayBeLost(t *testing.T) {
	for _, c := range []struct {
		lost, high   string
		want, reason string
		max          float64
	}{
		{"", "", "within, within: within", "", 2.56},
		{"DELETE FROM corrections WHERE correction = 2", "", "within, not decided: not decided", "what corrects 100 readings is lost: each counts as the probe indicated it, uncalibrated", 2.56},
		{"DELETE FROM corrections WHERE correction = 2", "before", "within, exceeds: exceeds", "values above the limit, for 1 s", 90},
		{"DELETE FROM corrections WHERE correction = 2", "in it", "within, exceeds: exceeds", "what corrects 100 readings is lost: each counts as the probe indicated it, uncalibrated", 90},
		{"DELETE FROM corrections WHERE correction = 2", "in V/m", "within, exceeds: exceeds", "what corrects 100 readings is lost: each counts as the probe indicated it, uncalibrated", 40000. / 377},
		{"DELETE FROM corrections WHERE correction = 2", "in A/m", "within, exceeds: exceeds", "what corrects 100 readings is lost: each counts as the probe indicated it, uncalibrated", 0.25 * 376.730313412},
		{"DELETE FROM corrections WHERE correction = 2", "a mean", "not decided, exceeds: exceeds", "a mean over 1 min is at least", 60},
		{"DELETE FROM post_versions WHERE version = 2", "", "within, not decided: not decided", "the record has lost what the post was for 100 readings", 2.56},
		{"UPDATE post_versions SET doubt = '{' WHERE version = 2", "", "within, not decided: not decided", "the record has lost what the post was for 100 readings", 2.56},
		{"UPDATE corrections SET impedance = 'x' WHERE correction = 2", "", "within, not decided: not decided", "what corrects 100 readings is lost: each counts as the probe indicated it, uncalibrated", 2.56},
		{"DELETE FROM post_versions WHERE version = 2", "in it", "within, exceeds: exceeds", "values above the limit, for 1 s", 90},
	} {
		p, dir := post(), t.TempDir()
		s, err := store.Open(dir, store.Options{CommitEvery: 5 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		if c.high == "a mean" {
			p.Limit.Averaging, p.Limit.Basis = time.Minute, limit.ExposureOccupational
		}
		parts := []int{0, late + 600, late + 700, length}
		for i, from := range parts[:3] {
			at := dusk().Add(time.Duration(from) * time.Second)
			p.OvenPlace = fmt.Sprint("place ", i)
			if err := s.Register([]acquire.Post{p}, at); err != nil {
				t.Fatal(err)
			}
			s.Correction(0, calib.Correction{ZeroAt: at, ZeroBy: "R. Okafor", Certificate: p.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
			var batch []acquire.Sample
			for n := from; n < parts[i+1]; n++ {
				d := drivers.Decimal{Digits: field(n), Exp: -3}
				if n == late+400 && c.high == "before" || n == late+650 && c.high == "in it" {
					d.Digits = 9000
				} else if c.high == "a mean" && i == 1 {
					d.Digits = 6000
				}
				unit := "mW/cm2"
				if n == late+650 {
					switch c.high {
					case "in V/m":
						d, unit = drivers.Decimal{Digits: 200}, "V/m"
					case "in A/m":
						d, unit = drivers.Decimal{Digits: 500, Exp: -3}, "A/m"
					}
				}
				batch = append(batch, acquire.Sample{Seq: int64(n + 1), At: dusk().Add(time.Duration(n) * time.Second), Said: []byte(d.String() + "," + unit), Reading: drivers.Reading{Value: d, HasValue: true, Unit: unit}})
			}
			s.Append(0, batch)
			if err := s.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		m := reportAfter(t, dir, c.lost)
		w := &m.Posts[0]
		text := strings.Join(w.Judged[0].Reasons, "; ")
		if got := outcomes(w); got != c.want || !strings.Contains(text, c.reason) || float64(w.Max) != c.max {
			t.Errorf("after %q, high %q: %s, at most %v, want %s, %v: %s", c.lost, c.high, got, w.Max, c.want, c.max, text)
		}
	}
}

// TestCountsInReasonsAreParted: as in the tables beside them.
func TestCountsInReasonsAreParted(t *testing.T) {
	d := &dayOf{lost: 86400, vague: 12345, indicated: 1234567, uncalibrated: 1334567, end: time.Second}
	c, lacks := d.circumstances(&walk{}, &against{}, &store.History{Post: post()})
	text := c.Blind + "; " + strings.Join(lacks, "; ")
	for _, n := range []string{"86\u00a0400 readings", "12\u00a0345 readings", "1\u00a0234\u00a0567 readings", "100\u00a0000 readings"} {
		if !strings.Contains(text, n) {
			t.Errorf("%q is not in %s", n, text)
		}
	}
	d = &dayOf{lost: 1, vague: 1, indicated: 1, uncalibrated: 2, end: time.Second}
	c, lacks = d.circumstances(&walk{}, &against{}, &store.History{Post: post()})
	if text = c.Blind + "; " + strings.Join(lacks, "; "); strings.Count(text, "1 reading") != 5 || strings.Contains(text, "readings") {
		t.Errorf("of one reading each it says %s", text)
	}
}

// TestNoRunIsSeenByWhatLostItsCorrection: beside what such readings indicate, rest as it is
// by the next correction is no run, and an idle oven's day is not within.
func TestNoRunIsSeenByWhatLostItsCorrection(t *testing.T) {
	p, dir := post(), t.TempDir()
	s, err := store.Open(dir, store.Options{CommitEvery: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	for i, rest := range []int64{20, 120} {
		at := dusk().Add(time.Duration(i) * late * time.Second)
		if err := s.Register([]acquire.Post{p}, at); err != nil {
			t.Fatal(err)
		}
		s.Correction(0, calib.Correction{Zero: quantity.PowerDensity(i - 1), ZeroAt: at, ZeroBy: "R. Okafor", Certificate: p.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
		var batch []acquire.Sample
		for n := i * late; n < (i+1)*late; n++ {
			d := drivers.Decimal{Digits: rest + int64(n%3), Exp: -3} // 1.2 W/m² by either zero
			batch = append(batch, acquire.Sample{Seq: int64(n + 1), At: dusk().Add(time.Duration(n) * time.Second), Said: []byte(d.String() + ",mW/cm2"), Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}})
		}
		s.Append(0, batch)
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, lost := range []string{"", "DELETE FROM corrections WHERE correction = 1"} {
		m := reportAfter(t, dir, lost)
		if w := &m.Posts[0]; outcomes(w) != "not decided, not decided: not decided" || w.Runs != 0 {
			t.Errorf("after %q: %s, with %d runs", lost, outcomes(w), w.Runs)
		}
	}
}

// TestRunsBesideWhatLostItsCorrectionAreTwo: one that was under way when the post changed is
// not the next one that is seen, where for longer than the run gap nothing showed it.
func TestRunsBesideWhatLostItsCorrectionAreTwo(t *testing.T) {
	p, dir := post(), t.TempDir()
	s, err := store.Open(dir, store.Options{CommitEvery: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	parts := []int{0, 300, 900, 1500}
	for i, from := range parts[:3] {
		at := dusk().Add(time.Duration(from) * time.Second)
		if i < 2 {
			p.OvenPlace = fmt.Sprint("place ", i)
		}
		if err := s.Register([]acquire.Post{p}, at); err != nil {
			t.Fatal(err)
		}
		s.Correction(0, calib.Correction{ZeroAt: at, ZeroBy: "R. Okafor", Certificate: p.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
		var batch []acquire.Sample
		for n := from; n < parts[i+1]; n++ {
			d := drivers.Decimal{Digits: int64(n % 3), Exp: -3}
			if n >= 200 && n < 300 || n >= 920 && n < 1000 {
				d.Digits += 250
			}
			batch = append(batch, acquire.Sample{Seq: int64(n + 1), At: dusk().Add(time.Duration(n) * time.Second), Said: []byte(d.String() + ",mW/cm2"), Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}})
		}
		s.Append(0, batch)
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, lost := range []string{"", "DELETE FROM corrections WHERE correction = 2"} {
		if n := reportAfter(t, dir, lost).Posts[0].Runs; n != 2 {
			t.Errorf("after %q: %d runs, want 2", lost, n)
		}
	}
}

// TestADamagedChangeTakesWithin: whether an alarm stood that bears on a day is not known from
// a damaged change of it on, up to the next one; of one whose rule is damaged, too, of any.
func TestADamagedChangeTakesWithin(t *testing.T) {
	const cut = "alarm = substr(alarm, 1, length(alarm) - 1)"
	early := dusk().Add(-time.Hour)
	for _, c := range []struct {
		name         string
		happen       func(*store.Store)
		damage       string // of the first change
		want, reason string
	}{
		{"none", func(s *store.Store) { raise(s, alarm.Away, early, alarm.Disappears) }, "post = post", "within, within: within", ""},
		{"away", func(s *store.Store) { raise(s, alarm.Away, dusk().Add((late+300)*time.Second)) }, cut, "within, not decided: not decided", "a change of the alarm away is damaged in the record"},
		{"away, and back", func(s *store.Store) { raise(s, alarm.Away, early, alarm.Disappears) }, cut, "within, within: within", ""},
		{"an exceedance", func(s *store.Store) { raise(s, alarm.Exceeds, early) }, cut, "not decided, not decided: not decided", "a change of the alarm exceeds is damaged in the record"},
		{"its rule", func(s *store.Store) { raise(s, alarm.Silent, early, alarm.Disappears) }, "alarm = substr(alarm, 30)", "not decided, not decided: not decided", "is damaged in the record"},
	} {
		s, dir := recorded(t, post(), nil)
		c.happen(s)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		m := reportAfter(t, dir, "UPDATE events SET "+c.damage+" WHERE id = (SELECT min(id) FROM events WHERE alarm IS NOT NULL)")
		w := &m.Posts[0]
		if got, text := outcomes(w), strings.Join(w.Judged[0].Reasons, "; "); got != c.want || !strings.Contains(text, c.reason) {
			t.Errorf("%s: %s, want %s: %s", c.name, got, c.want, text)
		}
		listed := slices.ContainsFunc(m.Alarms, func(a report.Alarm) bool { return strings.Contains(a.Steps[0].Why, "damaged in the record") })
		if in := c.name == "away"; listed != in || in && !m.Alarms[0].Raised.IsZero() { // the others were before
			t.Errorf("%s: listed %t in %+v", c.name, listed, m.Alarms)
		}
	}
}

// reportAfter is the report of a closed record after something was done to it.
func reportAfter(t *testing.T, dir, sql string) *report.Monitoring {
	t.Helper()
	if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(dir, store.FileName), sql).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v", out, err)
	}
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	m, err := Monitoring(t.Context(), r, Query{From: dusk(), To: dusk().Add(length * time.Second), Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}
