package gather

import (
	"strings"
	"testing"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
)

// Of a probe that flaps the longest interruptions are listed, and the report says how many
// shorter ones are not, and how long they were in all.
func TestShorterGapsAreCounted(t *testing.T) {
	begin := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
	r := soak.Result{Life: soak.New(soak.Plan{ID: "door-7", Post: "bench"})}
	for i := range 5000 {
		from := begin.Add(time.Duration(i) * time.Minute)
		lasts := 2 * time.Second
		if i%100 == 99 {
			lasts = 30 * time.Second
		}
		r.Blind.Add(history.Gap{From: from, To: from.Add(lasts)})
	}
	list := interruptions(&r)
	long := 0
	for i, x := range list {
		if x.To.Sub(x.From) == 30*time.Second {
			long++
		}
		if i > 0 && x.From.Before(list[i-1].From) {
			t.Fatalf("%v stands behind %v", x.From, list[i-1].From)
		}
	}
	if last := list[len(list)-1].Why; len(list) != history.MostGaps || long != 50 || !strings.HasSuffix(last, "; 4800 shorter ones, of 160 min in all, are not listed") {
		t.Errorf("%d are listed, %d of them long; %q", len(list), long, last)
	}
}
