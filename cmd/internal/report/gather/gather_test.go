package gather

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/cmd/internal/report"
	"ovenward/cmd/internal/round"
	"ovenward/drivers"
)

// TestMonitoringIsTheRecord compares all that is counted with sums made another way.
func TestMonitoringIsTheRecord(t *testing.T) {
	h := sha256.New()
	sum, most, mostAt := 0.0, int64(0), 0
	for n := range length {
		d := drivers.Decimal{Digits: field(n), Exp: -3}
		fmt.Fprintf(h, "%d,%s,%s\n", n+1, dusk().Add(time.Duration(n)*time.Second).Format(time.RFC3339Nano), hex.EncodeToString([]byte(d.String()+",mW/cm2")))
		sum += float64(d.Digits) / 100 // W/m²
		if d.Digits > most {
			most, mostAt = d.Digits, n
		}
	}
	s, dir := recorded(t, post(), nil)
	m := read(t, s, dir)
	w := &m.Posts[0]
	if got := outcomes(w); got != "within, within: within" {
		t.Errorf("%s: %v", got, w.Judged[0].Reasons)
	}
	const seconds = length
	if mean := sum / seconds; math.Abs(float64(w.Mean.Lo)/mean-1) > 1e-9 || math.Abs(float64(w.Mean.Hi)/mean-1) > 1e-9 {
		t.Errorf("mean %v to %v, want %v", w.Mean.Lo, w.Mean.Hi, mean)
	}
	if float64(w.Max) != float64(most)/100 || !w.MaxAt.Equal(dusk().Add(time.Duration(mostAt)*time.Second)) || !(w.MaxU > 0) {
		t.Errorf("highest %v ± %v at %s", w.Max, w.MaxU, w.MaxAt)
	}
	if w.Seen != seconds*time.Second || w.Samples != seconds || len(w.Gaps) > 0 || w.Runs != runs || math.Abs(w.On.Seconds()-180*runs) > 4*runs {
		t.Errorf("seen %s, %d samples, gaps %v, %d runs, on for %s", w.Seen, w.Samples, w.Gaps, w.Runs, w.On)
	}
	if got, want := m.Record.Raw[0].SHA256, hex.EncodeToString(h.Sum(nil)); got != want {
		t.Errorf("digest %s, want %s", got, want)
	}
	if m.Record.Head == "" || len(m.Record.Head) != 64 || m.Site != "Larkfield House" || w.Instruments[0].Certificate.Number != "LM-7" {
		t.Errorf("%+v %+v", m.Record, w.Instruments)
	}
	if len(w.Points) == 0 || math.IsNaN(w.Points[0].Mean) {
		t.Errorf("points %v", w.Points)
	}
	var one, two bytes.Buffer
	for _, b := range []*bytes.Buffer{&one, &two} {
		r, err := store.OpenReadOnly(dir)
		if err != nil {
			t.Fatal(err)
		}
		again, err := Monitoring(t.Context(), r, Query{Version: "test"})
		if err == nil {
			err = again.Document().PDF(b, report.Papers()[0])
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(one.Bytes(), two.Bytes()) {
		t.Error("the same record makes two PDFs")
	}
}

// TestAveragedLimit: a mean is judged by its windows, with what was not seen in its
// bounds.
func TestAveragedLimit(t *testing.T) {
	p := post()
	p.Distance = 0.5
	p.Limit = limit.Limit{ID: "public", Value: 1, Basis: limit.ExposurePublic, Source: "an invented standard", Averaging: 6 * time.Minute}
	s, dir := recorded(t, p, nil)
	w := &read(t, s, dir).Posts[0]
	// In a run of 180 s of 2.5 W/m² a window of 360 s comes to about 1.4 W/m².
	if got := outcomes(w); got != "exceeds, exceeds: exceeds" || !strings.Contains(strings.Join(w.Judged[0].Reasons, ";"), "a mean over 6 min is at least 0.1") {
		t.Errorf("%s: %v", got, w.Judged[0].Reasons)
	}
	p.Limit.Value = 2
	s, dir = recorded(t, p, nil)
	w = &read(t, s, dir).Posts[0]
	// What lies before the first sample was not seen, so the first day is open.
	if got := outcomes(w); got != "not decided, within: not decided" {
		t.Errorf("%s: %v", got, w.Judged[0].Reasons)
	}
}

// TestCertificatesAndAlarms of the same record.
func TestCertificatesAndAlarms(t *testing.T) {
	s, dir := recorded(t, post(), nil)
	raise(s, alarm.Silent, dusk().Add(time.Minute))
	m := read(t, s, dir)
	if len(m.Alarms) != 1 || len(m.Alarms[0].Steps) != 1 || m.Alarms[0].Rule != "silent" || m.Alarms[0].Steps[0].To != "unacknowledged" {
		t.Errorf("%+v", m.Alarms)
	}
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	c, err := Certificates(t.Context(), r, dusk().AddDate(1, 0, 0), "test")
	if err != nil || len(c.Probes) != 1 || report.StandingOf(c.Probes[0].Now, c.As) != report.Overdue || c.Probes[0].Posts[0] != "hatch" {
		t.Errorf("%+v, %v", c, err)
	}
	if _, err := Monitoring(t.Context(), r, Query{Posts: []string{"nowhere"}}); err == nil || !strings.Contains(err.Error(), "hatch") {
		t.Error(err)
	}
	if _, err := Survey(t.Context(), r, "", "combi", "test"); err == nil || !strings.Contains(err.Error(), "ovenward survey") {
		t.Error(err)
	}
	if _, err := PostsAt(t.Context(), r, nil, "none"); err == nil || !strings.Contains(err.Error(), "combi") {
		t.Error(err)
	}
	if _, err := store.OpenReadOnly(filepath.Join(dir, "none")); err == nil {
		t.Error("no record")
	}
}

// TestAlarmsThatStoodBeforeTheTime are told of it, whatever became of them afterwards;
// those that ended before it are not.
func TestAlarmsThatStoodBeforeTheTime(t *testing.T) {
	s, dir := recorded(t, post(), nil)
	raise(s, alarm.Exceeds, dusk().Add(-time.Hour))
	raise(s, alarm.Silent, dusk().Add(-time.Hour), alarm.Disappears, alarm.Acknowledge)
	before := alarm.Alarm{Post: "hatch", Rule: alarm.Exceeds, State: alarm.Unacknowledged, ID: "x", Since: dusk().Add(-time.Hour)}
	after, reason := before.Step(alarm.Acknowledge, dusk().Add(time.Hour))
	s.Record(acquire.Event{At: dusk().Add(time.Hour), Post: "hatch", Kind: acquire.KindAlarm, Text: "seen", Alarm: &alarm.Change{Alarm: after, From: before.State, Reason: reason}})
	if m := read(t, s, dir); len(m.Alarms) != 1 || m.Alarms[0].Rule != "exceeds" || len(m.Alarms[0].Steps) != 1 || m.Alarms[0].Steps[0].Why != "it stood when this time began" {
		t.Errorf("%+v", m.Alarms)
	}
}

// TestSurveyAndRound: a survey of the record is reported and counts for the round,
// beside an earlier result that was imported.
func TestSurveyAndRound(t *testing.T) {
	s, dir := recorded(t, post(), nil)
	value := 3.1
	end := survey.Result{ID: "2031-05-20-combi-1", Site: "Larkfield House", Oven: survey.Oven{ID: "combi", Place: "by the pass"}, Who: "M. Ashdown", Begun: dusk(), Ended: dusk().Add(10 * time.Minute), State: survey.Complete,
		Verdict: survey.Verdict{Outcome: limit.Within, Worst: 1}, Places: []survey.Place{{N: 1, Sweep: "door seam, top side", Surface: survey.Front, Cell: 2, Value: &value}}, NextCheck: dusk().AddDate(1, 0, 0)}
	for i, id := range []string{"2031-05-20-combi-1", "under-way"} {
		begun := []survey.Step{{N: 1, At: dusk(), Who: "M. Ashdown", Kind: survey.Began, Setup: &survey.Setup{ID: id, Post: "hatch"}}}
		var result *survey.Result
		if i == 0 {
			result = &end
		}
		if err := s.KeepSurvey(t.Context(), id, "combi", begun, result); err != nil {
			t.Fatal(err)
		}
	}
	e, err := CheckEvent(round.Check{Oven: "fryer", On: dusk().AddDate(-2, 0, 0), Outcome: limit.Within, Source: "old.csv:2", Imported: true}, dusk(), "R. Penhale")
	if err != nil {
		t.Fatal(err)
	}
	s.Record(e)
	raise(s, alarm.Silent, dusk())
	r := reopened(t, s, dir)
	for _, c := range []struct{ id, oven, want string }{{"", "", ""}, {"", "combi", ""}, {"2031-05-20-combi-1", "", ""}, {"under-way", "", "has ended"}, {"", "fryer", "no survey that has ended of oven"}} {
		got, err := Survey(t.Context(), r, c.id, c.oven, "test")
		switch {
		case c.want == "" && (err != nil || got.Result.ID != end.ID || *got.Result.Places[0].Value != value || got.Record.Head == ""):
			t.Errorf("%+v: %+v, %v", c, got, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%+v: %v", c, err)
		}
	}
	plan, err := Round(t.Context(), r, round.Ask{Day: dusk(), Ahead: 14, Every: 12}, "test")
	if err != nil || plan.Site != "Larkfield House" || len(plan.Entries) != 2 {
		t.Fatalf("%+v, %v", plan, err)
	}
	combi, fryer := plan.Entries[0], plan.Entries[1]
	if combi.Status != round.Later || combi.Last == nil || combi.Last.Source != end.ID || float64(combi.Last.Highest) != value || combi.Days != 365 && combi.Days != 366 {
		t.Errorf("%+v %+v", combi, combi.Last)
	}
	over := end
	over.Places = []survey.Place{{N: 1, Surface: survey.Front, Cell: 2, OverRange: true}}
	s, dir = recorded(t, post(), nil)
	begun := []survey.Step{{N: 1, At: dusk(), Who: "M. Ashdown", Kind: survey.Began, Setup: &survey.Setup{ID: over.ID, Post: "hatch"}}}
	if err := s.KeepSurvey(t.Context(), over.ID, "combi", begun, &over); err != nil {
		t.Fatal(err)
	}
	if plan, err = Round(t.Context(), reopened(t, s, dir), round.Ask{Day: dusk(), Ahead: 14, Every: 12}, "test"); err != nil || plan.Entries[0].Last.HasValue {
		t.Fatalf("%+v, %v", plan, err)
	}
	var b bytes.Buffer
	if err := plan.Document().CSV(&b); err != nil || !strings.Contains(b.String(), "Highest then,over range,") {
		t.Errorf("%v, a check that was over range is told as %s", err, b.String())
	}
	if fryer.Status != round.Overdue || !fryer.Last.Imported {
		t.Errorf("%+v", fryer)
	}
}

// BenchmarkMonth reads days of a reading a second, as a month's report does.
func BenchmarkMonth(b *testing.B) {
	const days = 5
	dir := b.TempDir()
	s, err := store.Open(dir, store.Options{CommitEvery: 5 * time.Millisecond})
	if err != nil {
		b.Fatal(err)
	}
	p := post()
	if err := s.Register([]acquire.Post{p}, dusk()); err != nil {
		b.Fatal(err)
	}
	s.Correction(0, calib.Correction{ZeroAt: dusk(), Certificate: p.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
	batch := make([]acquire.Sample, 0, 10_000)
	for n := range days * 86400 {
		d := drivers.Decimal{Digits: field(n), Exp: -3}
		batch = append(batch, acquire.Sample{Seq: int64(n + 1), At: dusk().Add(time.Duration(n) * time.Second), Said: []byte(d.String() + ",mW/cm2"),
			Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}})
		if len(batch) == cap(batch) {
			s.Append(0, batch)
			for batch = batch[:0]; s.Stats().Pending > 0; {
				runtime.Gosched() // the record takes only so much at a time
			}
		}
	}
	s.Append(0, batch)
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	for b.Loop() {
		m, err := Monitoring(b.Context(), r, Query{})
		if err != nil || m.Posts[0].Samples != days*86400 {
			b.Fatal(m, err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(days*86400), "ns/sample")
}

// TestARangeOfBeforeBoundsItsTime: a probe with another range takes the place of one in
// the middle, and what was seen and not seen before it stays what it was.
func TestARangeOfBeforeBoundsItsTime(t *testing.T) {
	s, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for i, top := range []quantity.PowerDensity{200, 5} {
		p := post()
		p.Probe.Range, p.Probe.ZeroBound = top, 0
		if err := s.Register([]acquire.Post{p}, dusk().Add(time.Duration(i)*time.Hour)); err != nil {
			t.Fatal(err)
		}
		s.Correction(0, calib.Correction{ZeroAt: dusk(), ZeroBy: "R. Okafor", Certificate: p.Probe.Certificate, Spread: calib.Spread{Rel: 0.05, Abs: 0.02, K: 2}})
		for n := range 3600 {
			x := acquire.Sample{Seq: int64(3600*i + n + 1), At: dusk().Add(time.Duration(3600*i+n) * time.Second), Reading: drivers.Reading{Value: drivers.Decimal{Digits: 10}, HasValue: true, Unit: "mW/cm2"}}
			if i > 0 {
				x.Reading.Value = drivers.Decimal{Digits: 2, Exp: -1}
			} else if n >= 1000 && n < 1720 {
				continue // of which 3 s are held
			}
			s.Append(0, []acquire.Sample{x})
		}
	}
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	m, err := Monitoring(t.Context(), s.Reader, Query{From: dusk(), To: dusk().Add(2 * time.Hour), Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	const unseen = 720 - 2
	lo := (100*(3600-unseen) + 2*3600) / 7200.
	if w := &m.Posts[0]; math.Abs(float64(w.Mean.Lo)/lo-1) > 1e-9 || math.Abs(float64(w.Mean.Hi)/(lo+200*unseen/7200.)-1) > 1e-9 {
		t.Errorf("mean %v to %v, want %g to %g W/m2", w.Mean.Lo, w.Mean.Hi, lo, lo+200*unseen/7200.)
	}
	// Of the second hour alone the range of before says nothing, but for what is read before it.
	if m, err = Monitoring(t.Context(), s.Reader, Query{From: dusk().Add(90 * time.Minute), To: dusk().Add(150 * time.Minute), Version: "test"}); err != nil {
		t.Fatal(err)
	}
	if w := &m.Posts[0]; !(w.Mean.Hi < 5) {
		t.Errorf("mean %v to %v of the second hour", w.Mean.Lo, w.Mean.Hi)
	}
}

// No report is made of another time than what was asked for.
func TestFractionsOfASecondAreRefused(t *testing.T) {
	s, dir := recorded(t, post(), nil)
	r := reopened(t, s, dir)
	for want, q := range map[string]Query{
		"--from=2031-05-20T23:40:00.145Z": {From: dusk().Add(145 * time.Millisecond), To: dusk().Add(time.Minute)},
		"--to=2031-05-20T23:40:00.2Z":     {From: dusk(), To: dusk().Add(200 * time.Millisecond)},
	} {
		if _, err := Monitoring(t.Context(), r, q); err == nil || !strings.Contains(err.Error(), want+" has a fraction of a second") {
			t.Errorf("%s: %v", want, err)
		}
	}
	for want, q := range map[string]SoakQuery{
		"--from=2031-05-20T23:40:00.145Z": {ID: "door-7", From: dusk().Add(145 * time.Millisecond)},
		"--to=2031-05-20T23:40:00.2Z":     {ID: "door-7", By: dusk().Add(200 * time.Millisecond)},
	} {
		if _, err := Soak(t.Context(), r, q); err == nil || !strings.Contains(err.Error(), want+" has a fraction of a second") {
			t.Errorf("soak, %s: %v", want, err)
		}
	}
	if _, err := Certificates(t.Context(), r, dusk().Add(time.Millisecond), "test"); err == nil || !strings.Contains(err.Error(), "--to=2031-05-20T23:40:00.001Z has a fraction") {
		t.Errorf("certificates: %v", err)
	}
}
