package history

import (
	"math/rand/v2"
	"testing"
	"time"

	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// TestBetween sums up intervals that cut hours, over kept hours and what is not kept
// yet.
func TestBetween(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	all, _ := made(rng, 60*time.Hour, false)
	k := keptOf(t, all, begin.Add(45*time.Hour))
	on := func(i int) bool { return all[i].S > 1 }
	span := all[len(all)-1].At.Sub(begin)
	for range 40 {
		a, b := time.Duration(rng.Int64N(int64(span))), time.Duration(rng.Int64N(int64(span)))
		from, to := begin.Add(min(a, b)), begin.Add(max(a, b))
		got, err := Between(t.Context(), k, pass(), from, to)
		if err != nil {
			t.Fatal(err)
		}
		checkSum(t, got, again(all, options(), on, from, to))
	}
}

// TestALevelThatWasNotCounted: a limit that changes after the hours were kept is
// counted all the same, as long as the samples are there.
func TestALevelThatWasNotCounted(t *testing.T) {
	all, _ := made(rand.New(rand.NewPCG(43, 44)), 20*time.Hour, false)
	p := pass()
	k := keptOf(t, all, begin.Add(18*time.Hour))
	p.Levels = []quantity.PowerDensity{20}
	got, err := Between(t.Context(), k, p, begin, begin.Add(19*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	checkSum(t, got, again(all, p.Options, func(i int) bool { return all[i].S > 1 }, begin, begin.Add(19*time.Hour)))
	if above, ok := got.Above(20); !ok || above.Count == 0 {
		t.Errorf("%+v, counted %v", above, ok)
	}
	k.all = all[len(all)-9000:] // the rest was removed by age
	if got, err = Between(t.Context(), k, p, begin, begin.Add(19*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if _, ok := got.Above(20); ok {
		t.Error("exceedances are told of hours whose samples are gone")
	}
	runs, err := Stretches(t.Context(), k, p, PerRun, begin, begin.Add(19*time.Hour), time.UTC)
	if err != nil || len(runs) == 0 {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	if e, ok := runs[0].Sum.Above(20); ok {
		t.Errorf("of a run whose samples are gone %d exceedances are told", e.Count)
	}
}

// TestHoursOfBeforeAreSummedUpAnew: sums that do not say what was calibrated, and took
// what was far below zero as seen, give way to samples; of hours whose samples are gone
// it stays not known.
func TestHoursOfBeforeAreSummedUpAnew(t *testing.T) {
	k, p := &kept{}, pass()
	for i := range 4 * 3600 {
		s := Sample{At: begin.Truncate(time.Hour).Add(time.Duration(i) * time.Second), S: 0.01, Valid: true, Uncalibrated: i%3600 < 60}
		if i%3600 >= 60 && i%3600 < 160 {
			s.S, s.Valid, s.Low = -2, false, true
		}
		k.all = append(k.all, s)
	}
	from, to := k.all[0].At, k.all[0].At.Add(3*time.Hour)
	if err := NewFollower(k, []Post{p}).Once(t.Context(), to.Add(time.Hour)); err != nil || len(k.hours) != 3 {
		t.Fatal(len(k.hours), err)
	}
	check := func(what string, seen, uncalibrated, untold time.Duration) {
		t.Helper()
		sum, err := Between(t.Context(), k, p, from, to)
		if err != nil || sum.Seen() != seen || sum.Uncalibrated != uncalibrated || sum.Untold != untold {
			t.Errorf("%s: %v seen, %v of it uncalibrated, of %v not told, %v; want %v, %v, %v", what, sum.Seen(), sum.Uncalibrated, sum.Untold, err, seen, uncalibrated, untold)
		}
		var blind Gaps
		if err := Unseen(t.Context(), k, p, from, to, blind.Add); err != nil || blind.For != to.Sub(from)-seen {
			t.Errorf("%s: %v blind, %v", what, blind.For, err)
		}
	}
	check("kept", 3*3500*time.Second, 3*time.Minute, 0)
	for i := range k.hours {
		k.hours[i].Sum = stats.NewSummary(p.Levels...)
		k.hours[i].Sum.Add(stats.Piece{At: k.hours[i].From, For: time.Hour, S: 0.01})
		k.hours[i].Sum.Untold = time.Hour
	}
	check("of before, which is not asked", 3*time.Hour, 0, 3*time.Hour)
	p.Covered = true
	check("of before", 3*3500*time.Second, 3*time.Minute, 0)
	k.all = k.all[3600:]
	check("of before, and samples gone", time.Hour+2*3500*time.Second, 2*time.Minute, time.Hour)
	if k.nested {
		t.Error("something was read while something else was")
	}
}

// TestWhatIsIndicatedTakesNoCountsPlace: an hour of before counted what exceeded, by the
// correction that is lost now; one that did not count a level counts what was indicated.
func TestWhatIsIndicatedTakesNoCountsPlace(t *testing.T) {
	k, p := &kept{}, pass()
	from := begin.Truncate(time.Hour)
	for i := range 2 * 3600 {
		s := Sample{At: from.Add(time.Duration(i) * time.Second), S: 0.01, Valid: true}
		if i%3600 == 600 {
			s.S = 60
		}
		k.all = append(k.all, s)
	}
	if err := NewFollower(k, []Post{p}).Once(t.Context(), from.Add(2*time.Hour)); err != nil || len(k.hours) != 1 {
		t.Fatal(len(k.hours), err)
	}
	for i := range k.all {
		k.all[i].S, k.all[i].Indicated, k.all[i].Uncalibrated = k.all[i].S/2, true, true
	}
	k.hours[0].Sum.Untold, p.Covered = time.Hour, true
	for level, want := range map[quantity.PowerDensity]int{50: 1, 20: 1, 40: 0} {
		p.Levels = []quantity.PowerDensity{level}
		sum, err := Between(t.Context(), k, p, from, from.Add(time.Hour))
		if e, ok := sum.Above(level); err != nil || !ok || e.Count != want {
			t.Errorf("%v: %d times above, counted %t, %v; want %d", level, e.Count, ok, err, want)
		}
	}
}
