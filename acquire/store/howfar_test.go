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
