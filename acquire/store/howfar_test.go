package store

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/cycle/history"
)

// A damaged row that says how far a post is summed up stops neither its runs nor its hours, and
// none of them comes twice; it is told once.
func TestADamagedRowOfHowFarAPostIsSummedUp(t *testing.T) {
	p := history.Post{ID: "combi", Options: history.Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second}}
	follow := func(s *Store, h time.Duration) error {
		return history.NewFollower(s, []history.Post{p}).Once(t.Context(), noon().Add(h*time.Hour))
	}
	kept := func(s *Store) string {
		all, err := s.Runs(t.Context(), "combi", noon(), noon().Add(24*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		said := fmt.Sprintf("%+v", all)
		for h, err := range s.PastHours(t.Context(), "combi", noon(), noon().Add(24*time.Hour)) {
			said += fmt.Sprintf("\n%s %+v %v", h.From, h.Sum, err)
		}
		return said
	}
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("combi"))
	cooked(t, s, 4*time.Hour)
	if err := follow(s, 3); err != nil {
		t.Fatal(err)
	}
	shut(t, s)
	whole := copyOf(t, dir)
	s = open(t, whole, Options{})
	if err := follow(s, 4); err != nil {
		t.Fatal(err)
	}
	want := kept(s)
	shut(t, s)
	for _, damage := range []string{
		"UPDATE histories SET hours_ns = 'y'", "UPDATE histories SET under_ns = 'y'", "UPDATE histories SET ended_ns = x'00'", "UPDATE histories SET runs = 0.5",
		"UPDATE histories SET hours_ns = hours_ns + (1 << 55)", "UPDATE histories SET hours_ns = hours_ns - (1 << 45)", "UPDATE histories SET under_ns = -1",
		"UPDATE histories SET ended_ns = ended_ns + (1 << 55)", "UPDATE histories SET ended_ns = ended_ns - (1 << 45)",
		"UPDATE histories SET runs = runs + 1024", "UPDATE histories SET runs = runs - 16", "UPDATE histories SET post = 'comby'", "DELETE FROM histories",
	} {
		at := copyOf(t, dir)
		byTool(t, at, loosened+damage)
		if said, _ := verified(t, at); !strings.Contains(said, "histories") && strings.ContainsAny(damage, "'.") {
			t.Errorf("%s: verify says %q", damage, said)
		}
		s := open(t, at, Options{})
		for range 2 {
			if err := follow(s, 4); err != nil {
				t.Errorf("%s: %v", damage, err)
			}
		}
		if got := kept(s); got != want {
			t.Errorf("%s: kept are\n%s\nwant\n%s", damage, got, want)
		}
		drained(t, s)
		events, err := s.Events(t.Context(), 0, 1000)
		n := 0
		for _, e := range events {
			if strings.Contains(e.Text, "table histories") {
				n++
			}
		}
		if err != nil || n != 1 {
			t.Errorf("%s: told %d times, %v", damage, n, err)
		}
		shut(t, s)
	}
}

// Where a run or an hour is damaged, and not the row that says how far a post is summed up, no
// start blames that row, and no run comes twice.
func TestADamagedRunOrHourIsNotOfHowFarAPostIsSummedUp(t *testing.T) {
	p := history.Post{ID: "combi", Options: history.Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second}}
	follow := func(s *Store) {
		if err := history.NewFollower(s, []history.Post{p}).Once(t.Context(), noon().Add(2*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("combi"))
	cooked(t, s, 2*time.Hour)
	follow(s)
	shut(t, s)
	runs := byTool(t, dir, "SELECT count(*) FROM runs")
	for _, damage := range []string{
		"UPDATE runs SET start_ns = start_ns - (1 << 45) WHERE run = (SELECT max(run) FROM runs)", "UPDATE runs SET start_ns = start_ns + (1 << 45) WHERE run = 3",
		"UPDATE runs SET end_ns = end_ns + (1 << 45) WHERE run = (SELECT max(run) FROM runs)", "UPDATE runs SET end_ns = end_ns - (1 << 45) WHERE run = (SELECT max(run) FROM runs)",
		"UPDATE hour_sums SET hour_ns = hour_ns + (1 << 45) WHERE hour_ns = (SELECT max(hour_ns) FROM hour_sums)",
	} {
		at := copyOf(t, dir)
		byTool(t, at, damage)
		for range 2 {
			s := open(t, at, Options{})
			follow(s)
			shut(t, s)
		}
		if got := byTool(t, at, "SELECT count(*) FROM runs; SELECT count(*) FROM events WHERE text LIKE '%table histories%'"); got != runs+"\n0" {
			t.Errorf("%s: runs and events are %q, want %q", damage, got, runs+"\n0")
		}
	}
}
