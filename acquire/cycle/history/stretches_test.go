package history

import (
	"math/rand/v2"
	"testing"
	"time"
)

// TestStretches sums up the same time by runs, hours and days, against the plain way
// and against each other.
func TestStretches(t *testing.T) {
	all, truths := made(rand.New(rand.NewPCG(51, 52)), 60*time.Hour, false)
	p := pass()
	end := all[len(all)-1].At
	k := keptOf(t, all, end.Add(time.Hour))
	on := func(i int) bool { return all[i].S > 1 }
	zone := time.FixedZone("far east", 9*3600+1800)
	count := func(per Per, want, runs int) []Stretch {
		t.Helper()
		out, err := Stretches(t.Context(), k, p, per, begin, end, zone)
		if err != nil || len(out) != want {
			t.Fatalf("%s: %d stretches, %v; want %d", per, len(out), err, want)
		}
		n := 0
		for _, x := range out {
			n += x.Runs
		}
		if n != runs {
			t.Errorf("%s: %d runs, want %d", per, n, runs)
		}
		return out
	}
	for _, x := range count(PerRun, len(truths), len(truths)) {
		made := truths[x.Run.Number-1]
		checkSum(t, x.Sum, again(all, options(), on, made.start, made.end))
		if peaks := x.Sum.Peaks.List(); peaks[0].S != made.peak || x.Sum.On.Quantiles.Total() != made.on {
			t.Fatalf("run %d: highest %v, on %v; made %+v", x.Run.Number, peaks[0], x.Sum.On.Quantiles.Total(), made)
		}
	}
	hours := int(end.Sub(begin.Truncate(time.Hour))/time.Hour) + 1
	days := count(PerDay, 3, len(truths)) // from 07:47 on the fifth of May on
	for _, list := range [][]Stretch{count(PerHour, hours, len(truths)), days, count(PerAll, 1, len(truths))} {
		for _, x := range list {
			checkSum(t, x.Sum, again(all, options(), on, x.From, x.To))
		}
	}
	if h, m, _ := days[1].From.In(zone).Clock(); h != 0 || m != 0 {
		t.Errorf("the second day begins at %v", days[1].From.In(zone))
	}
	for _, per := range []Per{"moon", ""} {
		if _, err := Stretches(t.Context(), k, p, per, begin, end, zone); err == nil {
			t.Errorf("a time is parted by %q", per)
		}
	}
	if _, err := Stretches(t.Context(), k, p, PerHour, begin, begin.AddDate(2, 0, 0), zone); err != ErrMany {
		t.Errorf("two years of hours: %v", err)
	}
	if _, err := Stretches(t.Context(), k, p, PerDay, end, begin, zone); err == nil {
		t.Error("a time that ends before it begins is taken")
	}
}

// TestDaysWithoutMidnight: a time is parted into the days of a place whose clocks
// spring forward at midnight.
func TestDaysWithoutMidnight(t *testing.T) {
	for _, tc := range []struct {
		zone string
		from time.Time // noon of the day before, or so
	}{
		{"America/Santiago", time.Date(2026, 9, 5, 16, 0, 0, 0, time.UTC)},
		{"America/Havana", time.Date(2026, 3, 7, 17, 0, 0, 0, time.UTC)},
		{"America/Asuncion", time.Date(2024, 10, 5, 16, 0, 0, 0, time.UTC)},
		{"Europe/Berlin", time.Date(2026, 3, 28, 11, 0, 0, 0, time.UTC)},
	} {
		zone, err := time.LoadLocation(tc.zone)
		if err != nil {
			t.Fatal(err)
		}
		cuts, err := Cuts(PerDay, tc.from, tc.from.Add(84*24*time.Hour), zone)
		if err != nil || len(cuts) != 86 {
			t.Fatalf("%s: %d cuts, %v", tc.zone, len(cuts), err)
		}
		for i, at := range cuts[1:85] {
			if at, want := at.In(zone).Format(time.DateOnly), tc.from.AddDate(0, 0, i+1).Format(time.DateOnly); at != want {
				t.Errorf("%s: cut %d is of %s, want %s", tc.zone, i+1, at, want)
			}
		}
		if long := cuts[2].Sub(cuts[1]); long != 23*time.Hour {
			t.Errorf("%s: the day on which clocks go forward lasts %v", tc.zone, long)
		}
	}
}
