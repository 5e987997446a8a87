package cycle

import (
	"testing"
	"time"
)

// A run is an oven's by a contact's word where that said so from begin to end, within
// what either may be late.
func TestSaid(t *testing.T) {
	noon := time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC)
	at := func(s int) time.Time { return noon.Add(time.Duration(s) * time.Second) }
	all := Join([]Switched{{"relay", "combi", at(0), at(100), time.Second}, {"relay", "combi", at(100), at(200), time.Second}, {"relay", "combi", at(300), at(400), time.Second}, {"other", "combi", at(400), at(500), time.Second}})
	if moved := Join([]Switched{{"relay", "combi", at(0), at(100), 0}, {"relay", "counter", at(100), at(200), 0}}); len(moved) != 2 {
		t.Errorf("two ovens are joined: %+v", moved)
	}
	if len(all) != 3 || !all[0].To.Equal(at(200)) {
		t.Fatalf("joined to %+v", all)
	}
	for _, tc := range []struct {
		from, to int
		want     string
	}{
		{10, 190, "relay"}, {90, 110, "relay"}, {-3, 203, "relay"}, {-4, 100, ""}, {100, 204, ""},
		{250, 260, ""}, {190, 310, ""}, {310, 400, "relay"}, {410, 450, "other"}, {600, 700, ""}, {-50, -40, ""},
	} {
		if got := Said(all, at(tc.from), at(tc.to), 2*time.Second); got != tc.want {
			t.Errorf("from %d to %d s: %q, want %q", tc.from, tc.to, got, tc.want)
		}
	}
	if Said(nil, at(0), at(1), time.Hour) != "" {
		t.Error("nobody said anything")
	}
}
