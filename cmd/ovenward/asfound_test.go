package main

import (
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/store"
)

// aRecord is a record that daemons of the model kitchen, with probe-1's certificates
// changed, are started on one after the other.
type aRecord struct {
	t            *testing.T
	path, config string
}

func newRecord(t *testing.T) *aRecord {
	return &aRecord{t, t.TempDir(), filepath.Join(t.TempDir(), "kitchen.toml")}
}

// start starts a daemon at an instant, lets it do something, and stops it. It returns
// what the record says of calibrations.
func (r *aRecord) start(now time.Time, certificates string, do func(*store.Store)) []acquire.Event {
	r.t.Helper()
	const key = "  [probe.certificate]\n"
	at := strings.Index(string(kitchenTOML), key)
	end := at + strings.Index(string(kitchenTOML)[at:], "\n\n")
	text := string(kitchenTOML)[:at] + certificates + string(kitchenTOML)[end:]
	if err := os.WriteFile(r.config, []byte(text), 0o600); err != nil {
		r.t.Fatal(err)
	}
	d, err := newDaemon(settings{configFile: r.config, storagePath: r.path, listen: "127.0.0.1:0"}, slog.New(slog.DiscardHandler), func() time.Time { return now })
	if err != nil {
		r.t.Fatal(err)
	}
	do(d.record)
	if err := d.Close(); err != nil {
		r.t.Fatal(err)
	}
	reader, err := store.OpenReadOnly(r.path)
	if err != nil {
		r.t.Fatal(err)
	}
	defer reader.Close()
	all, err := reader.OfKinds(r.t.Context(), time.Time{}, endOfTime(), acquire.KindCalibration)
	if err != nil {
		r.t.Fatal(err)
	}
	return all
}

// certificateText is a [[probe.certificate]] of factor 1 and 20 %.
func certificateText(number, date, due, more string) string {
	return "  [[probe.certificate]]\n  number = \"" + number + "\"\n  laboratory = \"bench\"\n  date = " + date + "\n  due = " + due +
		"\n  factor = 1\n  expanded_uncertainty = \"20 %\"\n  k = 2\n" + more
}

// verdict is a change of an alarm with a verdict behind it that rests on a certificate.
func verdict(at time.Time, post, certificate string, w float64) acquire.Event {
	a := alarm.Alarm{Post: post, Rule: alarm.Exceeds, State: alarm.Unacknowledged, ID: post + at.Format(".150405"), Since: at, Changed: at}
	return acquire.Event{At: at, Post: post, Kind: acquire.KindAlarm, Text: "raised", Alarm: &alarm.Change{Alarm: a, From: alarm.Normal, Reason: alarm.Raised,
		Verdict: &alarm.Grounds{Outcome: "exceeds", Value: &w, Limit: 50, LimitID: "emission-in-use", Certificate: certificate}}}
}

func TestABadAsFoundListsWhatItPutsInDoubt(t *testing.T) {
	r := newRecord(t)
	first := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	old := certificateText("B-1", "2026-01-10", "2027-01-10", "")
	nothing := func(*store.Store) {}
	if all := r.start(first, old, func(s *store.Store) {
		s.Record(verdict(first.Add(time.Hour), "counter-door", "B-1", 60))
		s.Record(verdict(first.Add(2*time.Hour), "counter-door", "another", 61))
		s.Record(verdict(first.Add(3*time.Hour), "pantry-door", "B-1", 62)) // of another probe
		s.Record(acquire.Event{At: first.Add(4 * time.Hour), Post: "counter-door", Kind: "survey", Text: "a survey ended: within"})
	}); len(all) != 0 {
		t.Fatalf("before anything was found: %+v", all)
	}

	// Found at 1.5: all that was judged was 33 % too low, and 20 % were to be expected.
	entered := time.Date(2027, 1, 5, 9, 0, 0, 0, time.UTC)
	bad := certificateText("B-2", "2027-01-03", "2028-01-03", "  as_found = 1.5\n") + old
	all := r.start(entered, bad, func(s *store.Store) { s.Record(verdict(entered.Add(time.Hour), "counter-door", "B-1", 63)) })
	if len(all) != 1 || all[0].Post != "counter-door" || !all[0].At.Equal(entered) {
		t.Fatalf("want one event at counter-door: %+v", all)
	}
	const want = "certificate B-2 found probe probe-1 with a factor of 1.5 before any adjustment: values corrected by certificate B-1 were 33.3 % too low, " +
		"more than the 20 % that were to be expected; what was judged with it from 2026-01-10 00:00Z to 2027-01-05 09:00Z at counter-door is in doubt"
	if !strings.HasPrefix(all[0].Text, want) {
		t.Errorf("told %q", all[0].Text)
	}
	if again := r.start(entered.Add(24*time.Hour), bad, nothing); len(again) != 1 {
		t.Errorf("told again at the next start: %d events", len(again))
	}

	out, errs, code := budget(t, "--storage.path="+r.path)
	if code != 0 || errs != "" {
		t.Fatalf("%d, %s", code, errs)
	}
	for _, row := range []string{
		"2026-03-01 13:00:00  counter-door  alarm exceeds, raised  exceeds  emission-in-use  6 mW/cm²  9 mW/cm²",
		"2026-03-01 16:00:00  counter-door  survey ",
	} {
		if !strings.Contains(out, row) {
			t.Errorf("no %q in\n%s", row, out)
		}
	}
	if strings.Count(out, "counter-door  ") != 2 || strings.Contains(out, "pantry") {
		t.Errorf("more than what is in doubt:\n%s", out)
	}
	out, _, _ = budget(t, "--storage.path="+r.path, "--format=json")
	var list struct{ Doubts []doubts }
	if err := json.Unmarshal([]byte(out), &list); err != nil {
		t.Fatal(err)
	}
	if len(list.Doubts) != 1 || len(list.Doubts[0].Verdicts) != 2 || *list.Doubts[0].Verdicts[0].AsFound != 90 {
		t.Errorf("%s", out)
	}
	if out, _, _ := budget(t, "--storage.path="+r.path, "--post=pantry-door"); !strings.Contains(out, "no calibration that this record knows of") {
		t.Errorf("of another post: %s", out)
	}
}

// Nothing is in doubt where the probe was found within what was to be expected, where
// nothing was judged with the certificate before, and where it is the first.
func TestAGoodAsFoundPutsNothingInDoubt(t *testing.T) {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	old := certificateText("B-1", "2026-01-10", "2027-01-10", "")
	nothing := func(*store.Store) {}
	for _, tc := range []struct{ name, found string }{
		{"within the uncertainty", "  as_found = 1.2\n"},
		{"within the bound that is stated", "  as_found = 1.5\n  as_found_bound = \"40 %\"\n"},
		{"not stated", ""},
	} {
		r := newRecord(t)
		r.start(at, old, nothing)
		if all := r.start(at.AddDate(0, 1, 0), certificateText("B-2", "2026-03-20", "2027-03-20", tc.found)+old, nothing); len(all) != 0 {
			t.Errorf("%s: %+v", tc.name, all)
		}
	}
	both := certificateText("B-2", "2026-02-20", "2027-02-20", "  as_found = 1.5\n") + old
	for name, certificates := range map[string]string{"both from the start": both, "the first": certificateText("B-1", "2026-01-10", "2027-01-10", "  as_found = 1.5\n")} {
		r := newRecord(t)
		r.start(at, certificates, nothing)
		if all := r.start(at.Add(time.Hour), certificates, nothing); len(all) != 0 {
			t.Errorf("%s: %+v", name, all)
		}
	}
	out, _, code := budget(t, "--storage.path="+newRecordOf(t, at, old))
	if code != 0 || !strings.HasPrefix(out, "no calibration that this record knows of puts anything judged in it in doubt") {
		t.Errorf("%d: %s", code, out)
	}
}

func newRecordOf(t *testing.T, at time.Time, certificates string) string {
	r := newRecord(t)
	r.start(at, certificates, func(*store.Store) {})
	return r.path
}

// A bad finding concerns each post where the probe stood in that time, and only
// those; and the certificate before counts though the configuration no longer has it.
func TestDoubtsAreOfThePostsWhereTheProbeStood(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2026, 1, n, 0, 0, 0, 0, time.UTC) }
	a := &calib.Certificate{Number: "A", Laboratory: "bench", Date: day(1), Factor: 1, U: 0.1, K: 2}
	b := &calib.Certificate{Number: "B", Laboratory: "bench", Date: day(20), Factor: 1.3, U: 0.1, K: 2, AsFound: 0.8}
	c := &calib.Certificate{Number: "C", Laboratory: "bench", Date: day(28), Factor: 1.3, U: 0.1, K: 2, AsFound: 1.3}
	all := findDoubts([]store.Tenure{
		{Post: "door", Probe: "p", From: day(2), To: day(5), Certificate: a},
		{Post: "door", Probe: "q", From: day(5), Certificate: c},
		{Post: "hatch", Probe: "p", From: day(5), To: day(22), Certificate: a},
		{Post: "hatch", Probe: "p", From: day(22), To: day(29), Certificate: b},
		{Post: "hall", Probe: "p", From: day(23), Certificate: b},
	}, []acquire.Post{{Probe: acquire.Probe{ID: "p", Certificate: c, Earlier: []*calib.Certificate{b}}}})
	if len(all) != 1 {
		t.Fatalf("%+v", all)
	}
	d := all[0]
	if d.Probe != "p" || d.Certificate != "B" || d.Before != "A" || strings.Join(d.Posts, " ") != "door hatch" || !d.From.Equal(day(1)) || !d.To.Equal(day(22)) || d.Off != 0.25 {
		t.Errorf("%+v", d)
	}
}

func TestBudgetAndDoubtsAreApart(t *testing.T) {
	for want, args := range map[string][]string{
		"leave one of them out": {"--storage.path=x", "--level=1 mW/cm2"},
		"find the record":       {"--storage.path=nowhere"},
	} {
		if out, errs, code := budget(t, args...); code != 1 || out != "" || !strings.Contains(errs, want) {
			t.Errorf("%q: %d, %q, %q", args, code, out, errs)
		}
	}
}
