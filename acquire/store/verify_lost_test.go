package store

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// cookedThrice makes the record of a post with a zero and a place of its own in each of
// three hours and a half; its probe may say its axes only.
func cookedThrice(t *testing.T, zero quantity.PowerDensity, axes bool) (dir string, p acquire.Post) {
	t.Helper()
	dir = t.TempDir()
	s := open(t, dir, Options{})
	p = post("combi")
	for i := range 3 {
		from := time.Duration(i) * 210 * time.Minute
		p.Distance += 0.1
		if err := s.Register([]acquire.Post{p}, noon().Add(from)); err != nil {
			t.Fatal(err)
		}
		c := v1Correction()
		c.Zero, c.ZeroAt = zero, noon().Add(from)
		s.Correction(0, c)
		f := history.NewFollower(s, []history.Post{historyOf(p)})
		for end := from + 210*time.Minute; from < end; from += 35 * time.Minute {
			all := cooking(from, from+35*time.Minute, 1500)
			for i := range all {
				if r := &all[i].Reading; axes {
					r.HasValue, r.HasAxes, r.Axes = false, true, [3]drivers.Decimal{r.Value, {}, {}}
				}
			}
			s.Append(0, all)
			flushed(t, s)
			if err := f.Once(t.Context(), noon().Add(from+35*time.Minute)); err != nil {
				t.Fatal(err)
			}
		}
	}
	merged(t, s, true)
	shut(t, s)
	return dir, p
}

// TestVerifyBlamesNoSumOfLostRows: a rebuilding that found no correction, certificate or
// version left the values unknown, not the sums changed; whoever changes one of the rest is
// found all the same, and the daemon goes on.
func TestVerifyBlamesNoSumOfLostRows(t *testing.T) {
	t.Parallel()
	blamesNoSumOfLostRows(t, 0.25, false)
	blamesNoSumOfLostRows(t, -30, false) // rest is far from what is indicated
	blamesNoSumOfLostRows(t, -30, true)
}

func blamesNoSumOfLostRows(t *testing.T, zero quantity.PowerDensity, axes bool) {
	t.Helper()
	whole, p := cookedThrice(t, zero, axes)
	for sql, want := range map[string]string{
		"DELETE FROM corrections WHERE correction = (SELECT min(correction) FROM corrections)": "combi: correction 1, or its certificate, is lost, and with it what values 12600 samples stood for",
		"DELETE FROM corrections":  "combi: correction 3, or its certificate, is lost",
		"DELETE FROM certificates": "combi: correction 3, or its certificate, is lost",
		"DELETE FROM post_versions WHERE version = (SELECT min(version) FROM post_versions)": "combi: version 1 of the post is lost, and with it for how long 12600 samples stood for",
		"DELETE FROM post_versions": "combi: version 3 of the post is lost",
	} {
		dir := copyOf(t, whole)
		byTool(t, dir, sql+"; VACUUM") // else it is found among what was deleted
		if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
			t.Fatal(err)
		}
		said, v := verified(t, dir)
		if !strings.Contains(said, want) {
			t.Errorf("after %s verify says %q, want %q", sql, said, want)
		}
		for _, x := range v.Problems {
			if !strings.Contains(x.Text, " is lost, and with it ") {
				t.Errorf("after %s verify blames %s of %s to %s: %s", sql, x.Post, x.From, x.To, x.Text)
			}
		}
		if !strings.Contains(sql, "WHERE version") && !slices.ContainsFunc(v.Uncompared, func(u Uncompared) bool { return u.Runs > 10 && u.Hours > 2 }) {
			t.Errorf("after %s not compared: %+v", sql, v.Uncompared)
		}
		if strings.Contains(sql, "(SELECT min") {
			tells(t, dir, "UPDATE hour_sums SET sum = (SELECT min(sum) FROM hour_sums) WHERE hour_ns = (SELECT max(hour_ns) FROM hour_sums)", "is not that of its samples")
		}
		s := open(t, dir, Options{})
		register(t, s, p)
		if err := history.NewFollower(s, []history.Post{historyOf(p)}).Once(t.Context(), noon().Add(11*time.Hour)); err != nil {
			t.Errorf("after %s: %v", sql, err)
		}
		shut(t, s)
	}
}

// TestVerifyTellsAChunkOfAnotherPostOnce: not each of its blocks.
func TestVerifyTellsAChunkOfAnotherPostOnce(t *testing.T) {
	dir, _ := cookedThrice(t, 0.25, false)
	chunks := byTool(t, dir, "SELECT count(*) FROM chunks; DELETE FROM posts")
	_, v := verified(t, dir)
	n := 0
	for _, x := range v.Problems {
		if x.Text == "a chunk of post combi stands among those of this one" {
			n++
		}
	}
	if fmt.Sprint(n) != chunks {
		t.Errorf("%d times, of %s chunks", n, chunks)
	}
}

// TestPastSamplesOfALostCorrectionAreAsIndicated: of a soak test and a chart, too, they are those
// of a probe without certificate; what was under the floor stays unknown.
func TestPastSamplesOfALostCorrectionAreAsIndicated(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Correction(0, v1Correction())
	all := samples(1, 4)
	for i := range all {
		all[i].Reading = drivers.Reading{HasValue: true, Unit: "mW/cm2", Value: drivers.Decimal{Digits: int64(6 - 2*i)}}
		all[i].Quality = 0
	}
	all[1].Quality = acquire.UnderFloor
	all[3].Reading = drivers.Reading{HasAxes: true, Unit: "mW/cm2", Axes: [3]drivers.Decimal{{Digits: 5}}}
	s.Append(0, all)
	flushed(t, s)
	shut(t, s)
	byTool(t, dir, "DELETE FROM corrections")
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var got []history.Sample
	for batch, err := range r.PastSamples(t.Context(), "fryer", time.Time{}, noon().AddDate(1, 0, 0)) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, batch...)
	}
	if len(got) != 4 || !got[3].Valid || got[3].S != 50 || !got[3].Indicated || !got[0].Valid || got[0].S != 60 || !got[0].Uncalibrated || !got[0].Indicated || got[1].Valid || !got[2].Valid || got[2].S != 20 {
		t.Errorf("%+v", got)
	}
}

// TestSumsMadeAgainOfALostCorrectionAreAsIndicated: a chart of days, which is made of sums,
// shows after a rebuilding what one of minutes shows.
func TestSumsMadeAgainOfALostCorrectionAreAsIndicated(t *testing.T) {
	t.Parallel()
	dir, _ := cookedThrice(t, 0.25, false)
	byTool(t, dir, "DELETE FROM corrections; VACUUM")
	if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	points, err := r.Chart(t.Context(), "combi", time.Time{}, time.Time{}, 7)
	if err != nil || len(points) != 7 {
		t.Fatalf("%d points, %v", len(points), err)
	}
	for _, p := range points {
		uncalibrated := p.Classes[acquire.Uncalibrated.Class()] // the very first minute is kept as it was
		if p.Values != p.Samples || !(p.Max > 35) || uncalibrated < p.Samples-60 {
			t.Errorf("from %s: %d of %d samples have values up to %g, of classes %d", p.From, p.Values, p.Samples, p.Max, p.Classes)
		}
	}
}
