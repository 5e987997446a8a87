package store

import (
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/survey"
)

// changed is a change of an alarm to another state.
func changed(rule alarm.Rule, to alarm.State, at time.Time) acquire.Event {
	e := raise("fryer", rule, at)
	e.Alarm.From, e.Alarm.State, e.Alarm.Changed = e.Alarm.State, to, at
	return e
}

// evidenceBegin is when the samples of TestEvidenceIsKept begin, and evidenceHours
// for how long there is one a minute.
func evidenceBegin() time.Time { return time.Date(2031, 5, 20, 0, 0, 0, 0, time.UTC) }

const evidenceHours = 7

type evidenceCase struct {
	name     string
	prepare  func(t *testing.T, s *Store)
	kept     [][2]time.Duration // must be there; the rest goes, but for what shares a chunk of an hour
	evidence time.Duration      // for how long, when it is over; zero: for good
}

func evidenceCases() []evidenceCase {
	begin := evidenceBegin()
	at := func(d time.Duration) time.Time { return begin.Add(d) }
	return []evidenceCase{
		{"nothing", func(*testing.T, *Store) {}, nil, 0},
		{"an alarm that stood for four hours", func(t *testing.T, s *Store) {
			s.Record(raise("fryer", alarm.Exceeds, at(90*time.Minute)))
			s.Record(changed(alarm.Exceeds, alarm.Acknowledged, at(91*time.Minute)))
			s.Record(changed(alarm.Exceeds, alarm.Normal, at(330*time.Minute)))
		}, [][2]time.Duration{{80 * time.Minute, 340 * time.Minute}}, 0},
		{"an alarm that still stands", func(t *testing.T, s *Store) {
			s.Record(raise("fryer", alarm.Exceeds, at(150*time.Minute)))
		}, [][2]time.Duration{{140 * time.Minute, evidenceHours * time.Hour}}, 0},
		{"a probe that is away", func(t *testing.T, s *Store) {
			s.Record(raise("fryer", alarm.Away, at(30*time.Minute)))
			s.Record(changed(alarm.Away, alarm.Normal, at(300*time.Minute)))
		}, [][2]time.Duration{{20 * time.Minute, 40 * time.Minute}, {290 * time.Minute, 310 * time.Minute}}, 0},
		{"a survey, and a soak that goes on", keepAndRelease, [][2]time.Duration{{130 * time.Minute, 140 * time.Minute}, {350 * time.Minute, evidenceHours * time.Hour}}, 0},
		{"a survey that has ended", func(t *testing.T, s *Store) {
			surveyed(t, s, at(130*time.Minute), at(140*time.Minute))
		}, [][2]time.Duration{{130 * time.Minute, 140 * time.Minute}}, 0},
		{"a survey under way", func(t *testing.T, s *Store) {
			surveyed(t, s, at(350*time.Minute), time.Time{})
		}, [][2]time.Duration{{350 * time.Minute, evidenceHours * time.Hour}}, 0},
		{"a soak test that was paused and has ended", func(t *testing.T, s *Store) {
			soaked(t, s, soak.Mark{Kind: soak.Started, At: at(130 * time.Minute)}, soak.Mark{Kind: soak.Paused, At: at(150 * time.Minute), Text: "lunch"},
				soak.Mark{Kind: soak.Resumed, At: at(200 * time.Minute)}, soak.Mark{Kind: soak.Operations, At: at(201 * time.Minute), Count: 3, From: soak.FromInput},
				soak.Mark{Kind: soak.Stopped, At: at(230 * time.Minute), Text: "above"}, soak.Mark{Kind: soak.Noted, At: at(400 * time.Minute), Text: "late"})
		}, [][2]time.Duration{{130*time.Minute - soakAround, 230*time.Minute + soakAround}}, 0},
		{"a soak test that goes on", func(t *testing.T, s *Store) {
			soaked(t, s, soak.Mark{Kind: soak.Started, At: at(350 * time.Minute)})
		}, [][2]time.Duration{{350*time.Minute - soakAround, evidenceHours * time.Hour}}, 0},
		{"a soak test that never began", func(t *testing.T, s *Store) {
			soaked(t, s, soak.Mark{Kind: soak.Aborted, At: at(100 * time.Minute), Text: "the oven is gone"})
		}, nil, 0},
		{"what was over long enough ago, and what was not, or stands", func(t *testing.T, s *Store) { // it is 20 h on
			s.Record(raise("fryer", alarm.Exceeds, at(30*time.Minute)))
			s.Record(changed(alarm.Exceeds, alarm.Normal, at(70*time.Minute)))
			surveyed(t, s, at(130*time.Minute), at(140*time.Minute))
			s.Record(raise("fryer", alarm.Fault, at(345*time.Minute)))
		}, [][2]time.Duration{{335 * time.Minute, evidenceHours * time.Hour}}, 17 * time.Hour},
		{"what was over less long ago", func(t *testing.T, s *Store) {
			s.Record(raise("fryer", alarm.Exceeds, at(30*time.Minute)))
			s.Record(changed(alarm.Exceeds, alarm.Normal, at(70*time.Minute)))
			surveyed(t, s, at(330*time.Minute), at(340*time.Minute))
		}, [][2]time.Duration{{330 * time.Minute, 340 * time.Minute}}, 17 * time.Hour},
	}
}

// keepAndRelease keeps a survey and a soak test, and another survey that it releases.
func keepAndRelease(t *testing.T, s *Store) {
	begin := evidenceBegin()
	at := func(d time.Duration) time.Time { return begin.Add(d) }
	for _, e := range []Evidence{
		{Post: "fryer", From: at(130 * time.Minute), To: at(140 * time.Minute), Why: "survey", What: "s1", Who: "R. Okafor"},
		{Post: "fryer", From: at(350 * time.Minute), Why: "soak", What: "k1"},
		{Post: "fryer", From: begin, To: at(time.Hour), Why: "survey", What: "s2"}, // released below
	} {
		for range 2 { // the second says nothing new
			if err := s.KeepEvidence(t.Context(), e); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := s.ReleaseEvidence(t.Context(), Evidence{Post: "fryer", Why: "survey", What: "s2", Who: "R. Okafor"}); err != nil {
		t.Fatal(err)
	}
	all, err := s.Evidence(t.Context(), "fryer")
	if err != nil || len(all) != 2 || all[0].What != "s1" || !all[0].To.Equal(at(140*time.Minute)) || !all[1].To.IsZero() || all[0].Who != "R. Okafor" {
		t.Errorf("kept is %+v, %v", all, err)
	}
}

// surveyed keeps a survey at the post; a zero end is under way.
func surveyed(t *testing.T, s *Store, begun, ended time.Time) {
	t.Helper()
	steps := twoSteps(begun)
	steps[0].Setup.Post = "fryer"
	if err := s.KeepSurvey(t.Context(), "one", "oven-1", steps, nil); err != nil {
		t.Fatal(err)
	}
	if ended.IsZero() {
		return
	}
	if err := s.KeepSurvey(t.Context(), "one", "oven-1", nil, &survey.Result{ID: "one", Who: "A. Hand", Begun: begun, Ended: ended, State: survey.Complete}); err != nil {
		t.Fatal(err)
	}
}

// soaked keeps a soak test at the post.
func soaked(t *testing.T, s *Store, marks ...soak.Mark) {
	t.Helper()
	if err := s.PlanSoak(t.Context(), soak.Plan{ID: "k1", Oven: "oven-1", Post: "fryer"}, "A. Tester", evidenceBegin()); err != nil {
		t.Fatal(err)
	}
	for _, m := range marks {
		m.Soak, m.Who = "k1", "A. Tester"
		if _, err := s.MarkSoak(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
}

// hourly records a sample of the first post a minute since evidenceBegin: a chunk holds an hour
// of them.
func hourly(t *testing.T, s *Store, hours int) {
	t.Helper()
	for i := range int64(hours * 60) {
		x := sample(i + 1)
		x.At = evidenceBegin().Add(time.Duration(i) * time.Minute)
		s.Append(0, []acquire.Sample{x})
		if i%60 == 59 {
			flushed(t, s)
			merged(t, s, true)
		}
	}
}

// What was recorded while an alarm stood, and round it, stays, and so do the
// spans of surveys and soaks; what is neither goes.
func TestEvidenceIsKept(t *testing.T) {
	begin := evidenceBegin()
	for _, tc := range evidenceCases() {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			var now atomic.Int64
			s := open(t, t.TempDir(), Options{Retention: Retention{Keep: Keep{Age: time.Hour}, Around: 10 * time.Minute, Evidence: tc.evidence},
				Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
			register(t, s, post("fryer"))
			tc.prepare(t, s)
			hourly(t, s, evidenceHours)
			now.Store(int64(20 * time.Hour))
			retained(t, s)
			there := map[int64]bool{}
			for _, x := range everything(t, s.Reader, "fryer") {
				there[int64(x.At.Sub(begin)/time.Minute)] = true
			}
			for m := range int64(evidenceHours * 60) {
				d := time.Duration(m) * time.Minute
				must, may := false, false
				for _, k := range tc.kept {
					must = must || d >= k[0] && d <= k[1]
					may = may || d >= k[0]-61*time.Minute && d <= k[1]+61*time.Minute
				}
				if must && !there[m] || !may && there[m] {
					t.Fatalf("minute %d is there: %v; kept is %v", m, there[m], tc.kept)
				}
			}
			if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
				t.Errorf("after it: %v %+v", err, v.Problems)
			}
		})
	}
}

func TestEvidenceMustBeWhole(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	for _, e := range []Evidence{{}, {Post: "fryer", Why: "survey", What: "1"}, {Post: "fryer", From: noon(), To: noon().Add(-time.Hour), Why: "soak", What: "1"},
		{From: noon(), Why: "soak", What: "1"}, {Post: "fryer", From: noon(), Why: "soak"}} {
		if s.KeepEvidence(t.Context(), e) == nil {
			t.Errorf("%+v is taken", e)
		}
	}
}

// However many events wait while the record cannot be written, those of removals
// are not lost: what is removed goes in the commit that holds its event.
func TestRemovalsOutliveAFullQueue(t *testing.T) {
	var now atomic.Int64
	begin := time.Date(2031, 5, 20, 0, 0, 0, 0, time.UTC)
	var f faults
	s := open(t, t.TempDir(), Options{Retention: Retention{Keep: Keep{Age: time.Hour}}, CommitEvery: time.Hour, maxEvents: 3, Fault: f.at,
		Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
	register(t, s, post("fryer"))
	recordedFrom(t, s, begin, 70*time.Minute, 3, "fryer")
	merged(t, s, true)
	now.Store(int64(20 * time.Hour))
	f.set(func(st Step) error {
		if st == StepCommit {
			return errors.New("broken")
		}
		return nil
	})
	worked(s, func(w *writer) { w.retaining() })
	for i := range 20 {
		s.Record(note(fmt.Sprint("chatter ", i)))
	}
	worked(s, func(w *writer) { w.attempt(true) })
	if n := counted(0).n(t, s, "fryer"); n != 42_000 {
		t.Errorf("%d samples are there while nothing can be committed, want all", n)
	}
	f.set(nil)
	worked(s, func(w *writer) {
		if err := w.attempt(true); err != nil {
			t.Error(err)
		}
	})
	if n, texts := counted(0).n(t, s, "fryer"), eventTexts(t, s); n != 0 || !strings.Contains(texts, "were removed: kept are 1h0m0s") {
		t.Errorf("%d samples are there, and the events are %s", n, texts)
	}
	if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
		t.Errorf("after it: %v %+v", err, v.Problems)
	}
}

// Sums that are too old go in the commit that holds their event, and the chain
// says that they went on purpose.
func TestOldSumsGoByAnEvent(t *testing.T) {
	var now atomic.Int64
	begin := time.Date(2031, 5, 20, 0, 0, 0, 0, time.UTC)
	s := open(t, t.TempDir(), Options{Retention: Retention{Keep: Keep{Age: time.Hour}, Rollups: 4 * time.Hour},
		Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
	register(t, s, post("fryer"))
	for h := range int64(8) {
		var batch []acquire.Sample
		for i := range int64(60) {
			x := sample(h*60 + i + 1)
			x.At = begin.Add(time.Duration(h*60+i) * time.Minute)
			batch = append(batch, x)
		}
		s.Append(0, batch)
		flushed(t, s)
		merged(t, s, true)
	}
	count := func() (n int) {
		if err := s.db.QueryRow("SELECT count(*) FROM rollups WHERE id & 2147483647 <> 2147483647").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := count()
	now.Store(int64(8 * time.Hour))
	retained(t, s)
	if n := count(); n >= before || n == 0 {
		t.Errorf("%d blobs of sums, %d before", n, before)
	}
	if texts := eventTexts(t, s); !strings.Contains(texts, "sums over minutes and hours older than 4h0m0s were removed") {
		t.Errorf("the events are %s", texts)
	}
	if v, err := s.Verify(t.Context()); err != nil || !v.Intact() {
		t.Errorf("after it: %v %+v", err, v.Problems)
	}
}

// What is kept is compared with the chain in one go: the writer looks at each survey of a post
// each hour.
func TestEvidenceIsComparedInOneGo(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	defer shut(t, s)
	register(t, s, post("fryer"))
	worked(s, func(w *writer) {
		for i := range 200 {
			if err := w.writeEvidence(t.Context(), Evidence{Post: "fryer", From: noon(), To: noon(), Why: "survey", What: fmt.Sprint(i), Who: "R. Okafor"}, 0); err != nil {
				t.Error(err)
			}
		}
		if n := testing.AllocsPerRun(1, func() {
			if damaged, err := w.damagedEvidence(t.Context(), "fryer"); err != nil || damaged {
				t.Errorf("damaged: %t, %v", damaged, err)
			}
		}); n > 200*100 {
			t.Errorf("it took %.0f allocations: each row was asked for by itself", n)
		}
	})
}
