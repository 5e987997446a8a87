package store

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/cycle/history"
)

// historyOf is what the daemon's follower knows of a post.
func historyOf(p acquire.Post) history.Post {
	h := history.Post{ID: p.ID, Options: history.Options{Floor: p.Probe.Floor, Response: p.Probe.Response, Gap: p.RunGap, Stale: p.Stale}}
	for _, l := range p.Limits() {
		h.Levels = append(h.Levels, l.Value)
	}
	return h
}

// cooking are the samples of a post, one a second from noon on: in each 10 min it
// emits for 40 s at 20 W/m² and a peak more.
func cooking(from, to time.Duration, peak int64) (all []acquire.Sample) {
	for i := int64(from / time.Second); i < int64(to/time.Second); i++ {
		b := sample(i + 1)
		b.At = noon().Add(time.Duration(i) * time.Second)
		b.Reading.Value.Digits, b.Reading.Value.Exp = i*7919%5, -3 // mW/cm²
		if i%600 < 40 {
			b.Reading.Value.Digits = 2000 + peak + i*7919%300
		}
		b.Quality = 0
		all = append(all, b)
	}
	return all
}

// cookedTwice makes a record of two posts, of which combi exceeds its limit, fryer
// does not; the daemon starts again, changes the run gap, and combi's probe is away
// for some time.
func cookedTwice(t *testing.T, o Options) (dir string, s *Store, follow func(posts []acquire.Post, from, to time.Duration)) {
	t.Helper()
	dir = t.TempDir()
	s = open(t, dir, o)
	follow = func(posts []acquire.Post, from, to time.Duration) {
		t.Helper()
		if err := s.Register(posts, noon().Add(from)); err != nil {
			t.Fatal(err)
		}
		f := history.NewFollower(s, []history.Post{historyOf(posts[0]), historyOf(posts[1])})
		for ; from < to; from += 25 * time.Minute {
			end := min(to, from+25*time.Minute)
			s.Append(0, cooking(from, end, 1500))
			s.Append(1, cooking(from, end, 0))
			flushed(t, s)
			if err := f.Once(t.Context(), noon().Add(end)); err != nil {
				t.Fatal(err)
			}
		}
	}
	posts := []acquire.Post{post("combi"), post("fryer")}
	posts[0].Limit.Value, posts[1].Limit.Value = 30, 30
	follow(posts, 0, 225*time.Minute)
	s.Record(raise("combi", alarm.Away, noon().Add(226*time.Minute)))
	back := raise("combi", alarm.Away, noon().Add(240*time.Minute))
	back.Alarm.State = alarm.Normal
	s.Record(back)
	flushed(t, s)
	follow(posts, 225*time.Minute, 350*time.Minute)
	posts[0].RunGap = 20 * time.Minute // all is one run from then on
	follow(posts, 350*time.Minute, 600*time.Minute)
	return dir, s, follow
}

// Whoever changes a run or a sum of an hour, or takes one away, is found by the
// samples; starts of the daemon, other settings and a probe that was away are no
// findings.
func TestVerifyMakesRunsAndHoursAgain(t *testing.T) {
	t.Parallel()
	dir, s, _ := cookedTwice(t, Options{})
	merged(t, s, true)
	left := crashed(t, dir)
	shut(t, s)
	said, v := verified(t, left)
	if said != "" || len(v.Uncompared) != 2 || v.Uncompared[0].Runs+v.Uncompared[0].Hours != 0 || v.Uncompared[0].From.IsZero() {
		t.Fatalf("before any change verify says %q, %+v", said, v.Uncompared)
	}
	if got := byTool(t, left, "SELECT (SELECT count(*) > 30 FROM runs WHERE post = 'combi'), (SELECT count(*) FROM runs WHERE post = 'fryer'), (SELECT count(*) FROM hour_sums)"); got != "1|59|18" && got != "1|60|18" {
		t.Fatalf("the record has %s", got)
	}
	for _, c := range [][2]string{
		{"DELETE FROM runs WHERE run BETWEEN 5 AND 14", "runs 5 to 14 are missing"},
		{"DELETE FROM runs WHERE post = 'fryer' AND run = 5; UPDATE runs SET run = run - 1 WHERE post = 'fryer' AND run > 5; UPDATE histories SET runs = runs - 1 WHERE post = 'fryer'",
			"fryer: a run that follows from the samples is not kept"},
		{"DELETE FROM runs WHERE post = 'fryer' AND run > 50", "fryer: runs end at "},
		{"DELETE FROM runs WHERE post = 'fryer' AND run > 50; UPDATE histories SET runs = 50 WHERE post = 'fryer'", "fryer: runs end at "},
		{"INSERT INTO runs SELECT post, 99, start_ns + 120000000000, end_ns + 120000000000, on_ns, over_range_ns, unseen_ns, begun, dose_j_per_m2, mean_w_per_m2, deviation_w_per_m2, median_w_per_m2, p95_w_per_m2, peak_w_per_m2, peak_ns FROM runs WHERE post = 'fryer' AND run = 7",
			"run 99 does not follow from the samples"},
		{"UPDATE hour_sums SET sum = (SELECT f.sum FROM hour_sums AS f WHERE f.post = 'fryer' AND f.hour_ns = hour_sums.hour_ns) WHERE post = 'combi'", "combi: the sum of the hour is not that of its samples: "},
		{"UPDATE hour_sums SET sum = x'00' WHERE hour_ns = (SELECT min(hour_ns) FROM hour_sums)", "this is no summary of this program's"},
		{"DELETE FROM hour_sums WHERE hour_ns = (SELECT min(hour_ns) FROM hour_sums)", "the sum of the hour is missing"},
		{"DELETE FROM hour_sums WHERE post = 'combi'", "hourly sums at nothing"},
		{"DELETE FROM histories", "the row in table histories says nothing and nothing"},
		{"UPDATE histories SET hours_ns = hours_ns + 3600000000000", "hourly sums at "},
		{"UPDATE histories SET runs = 7 WHERE post = 'fryer'", "fryer: run "},
	} {
		tells(t, left, c[0], c[1])
	}
	for _, c := range strings.Fields(byTool(t, left, "SELECT name FROM pragma_table_info('runs') WHERE name NOT IN ('post', 'run')")) {
		tells(t, left, "UPDATE runs SET "+c+" = iif("+c+" = 1, 0, "+c+" + 1) WHERE post = 'fryer' AND run = 7", "fryer: run 7 ")
	}
}

// Of what was made of samples that were removed since, verify says that it was not
// compared; runs that are missing among them it tells by their numbers.
func TestVerifySaysWhatRunsItCannotCompare(t *testing.T) {
	t.Parallel()
	var now atomic.Int64
	o := Options{Retention: Retention{Keep: Keep{Age: 4 * time.Hour}}, Now: func() time.Time { return noon().Add(time.Duration(now.Load())) }}
	dir, s, _ := cookedTwice(t, o)
	merged(t, s, true)
	now.Store(int64(10 * time.Hour))
	retained(t, s)
	left := crashed(t, dir)
	shut(t, s)
	said, v := verified(t, left)
	if said != "" || len(v.Uncompared) == 0 {
		t.Fatalf("verify says %q, %+v", said, v.Uncompared)
	}
	for _, u := range v.Uncompared {
		if u.Runs+u.Hours > 0 && (u.Runs < 10 || u.Hours < 3 || u.From.Before(noon().Add(-time.Hour)) || u.To.After(noon().Add(9*time.Hour))) {
			t.Errorf("not compared: %+v", u)
		}
	}
	tells(t, left, "DELETE FROM runs WHERE run BETWEEN 2 AND 5", "runs 2 to 5 are missing")
	tells(t, left, "UPDATE hour_sums SET sum = (SELECT min(sum) FROM hour_sums) WHERE hour_ns = (SELECT max(hour_ns) FROM hour_sums)", "is not that of its samples")
}

// Sums of before took what was far below zero as seen: that they did is no finding, and
// not compared. Elsewhere they are compared as others are.
func TestVerifyOfSumsOfBefore(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, Options{})
	p := post("combi")
	register(t, s, p)
	all := cooking(0, 10*time.Hour, 0)
	for i := range all {
		if i > 6*3600 && i < 6*3600+600 {
			all[i].Reading.Value.Digits, all[i].S = -1000, -10
		}
	}
	s.Append(0, all)
	flushed(t, s)
	if err := history.NewFollower(s, []history.Post{historyOf(p)}).Once(t.Context(), noon().Add(10*time.Hour)); err != nil {
		t.Fatal(err)
	}
	left := crashed(t, dir)
	shut(t, s)
	byTool(t, left, "UPDATE hour_sums SET sum = CAST(x'01' || substr(sum, 2, length(sum) - 3) AS BLOB)") // the form of before ends earlier
	if said, v := verified(t, left); said != "" || v.Uncompared[0].Hours != 0 {
		t.Fatalf("of hours in the form of before verify says %q, %+v", said, v.Uncompared)
	}
	const another = "UPDATE hour_sums SET sum = (SELECT sum FROM hour_sums ORDER BY hour_ns LIMIT 1) WHERE hour_ns = "
	tells(t, left, another+"(SELECT hour_ns FROM hour_sums ORDER BY hour_ns LIMIT 1 OFFSET 4)", "is not that of its samples")
	byTool(t, left, another+"(SELECT hour_ns FROM hour_sums ORDER BY hour_ns LIMIT 1 OFFSET 6)")
	if said, v := verified(t, left); said != "" || v.Uncompared[0].Hours != 1 {
		t.Errorf("of an hour whose zero was off verify says %q, %+v", said, v.Uncompared)
	}
}
