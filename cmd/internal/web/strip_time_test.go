package web

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/store"
)

func TestViewMoves(t *testing.T) {
	at := view{post: "galley", span: time.Hour, width: usualWidth, now: noon()}
	back := at.panned(-0.5)
	if back.end != noon().Add(-30*time.Minute) || back.query() != "span=3600&end=1780486200000" {
		t.Errorf("half back: %v, %s", back.end, back.query())
	}
	if on := back.panned(0.5); !on.end.IsZero() {
		t.Errorf("on again ends at %v", on.end)
	}
	closer := back.zoomed(0.5)
	if closer.span != 30*time.Minute || closer.to() != noon().Add(-45*time.Minute) {
		t.Errorf("closer: %v before %v", closer.span, closer.to())
	}
	if further := back.zoomed(4); !further.end.IsZero() || further.span != 4*time.Hour {
		t.Errorf("further: %v before %v", further.span, further.end)
	}
	for range 100 {
		at = at.zoomed(0.5)
	}
	if at.span != leastSpan {
		t.Errorf("closest is %v", at.span)
	}
	for range 100 {
		at = at.zoomed(2)
	}
	if at.span != mostSpan {
		t.Errorf("furthest is %v", at.span)
	}
	for _, q := range []string{"span=x", "span=-1", "span=NaN", "span=1e300", "end=-1", "end=x", "end=99999999999999999", "w=1", "w=100000"} {
		if w := get(t, newServer(newFake(noon())), "/posts/galley?"+q); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d", q, w.Code)
		}
	}
}

// Marks stand at round civil times, where a day has 23 hours too.
// No instant below the chart is cut off by its edge.
func TestStripCutsNoInstant(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) { o.Series = kept(func(time.Time, *store.Point) {}) })
	p := stripAt(t, s, "span=300&w=660")
	last := p.Times[len(p.Times)-1]
	if last.At < 640 || last.Text != "" || p.Times[0].Text == "" {
		t.Errorf("the last mark is %+v, the first %+v", last, p.Times[0])
	}
}

func TestTimeMarks(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	x := func(time.Time) float64 { return 0 }
	texts := func(from time.Time, span time.Duration) string {
		var all []string
		for _, m := range timeMarks(from, from.Add(span), zone, 6, x) {
			all = append(all, m.Text)
		}
		return strings.Join(all, " ")
	}
	summer := time.Date(2026, 6, 3, 12, 0, 7, 0, time.UTC)
	for _, c := range []struct {
		from time.Time
		span time.Duration
		want string
	}{
		{summer, time.Minute, "13:00:15 13:00:30 13:00:45 13:01:00"},
		{summer, time.Hour, "13:15 13:30 13:45 14:00"},
		{summer, 24 * time.Hour, "18:00 4 Jun 06:00 12:00"},
		{time.Date(2026, 3, 28, 12, 0, 0, 0, time.UTC), 30 * time.Hour, "12:00 18:00 29 Mar 06:00 12:00 18:00"}, // clocks go on
		{summer, 5 * 24 * time.Hour, "4 Jun 5 Jun 6 Jun 7 Jun 8 Jun"},
		{summer, 100 * 24 * time.Hour, "Jul 2026 Aug 2026 Sep 2026"},
		{summer, 10 * 366 * 24 * time.Hour, "2028 2030 2032 2034 2036"},
	} {
		if got := texts(c.from, c.span); got != c.want {
			t.Errorf("%v from %v: %q, want %q", c.span, c.from, got, c.want)
		}
	}
	// Where midnight, or a whole day, is missing each mark is of its own day, and there once.
	for _, c := range []struct {
		zone string
		from time.Time
		span time.Duration
		want string
	}{
		{"America/Santiago", time.Date(2026, 9, 6, 1, 0, 0, 0, time.UTC), 5 * time.Hour, "21:00 22:00 23:00 6 Sep 02:00 03:00"},
		{"America/Santiago", time.Date(2026, 9, 4, 12, 0, 0, 0, time.UTC), 5 * 24 * time.Hour, "5 Sep 6 Sep 7 Sep 8 Sep 9 Sep"},
		{"America/Asuncion", time.Date(2017, 8, 12, 12, 0, 0, 0, time.UTC), 100 * 24 * time.Hour, "Sep 2017 Oct 2017 Nov 2017"},
		{"Pacific/Apia", time.Date(2011, 12, 28, 12, 0, 0, 0, time.UTC), 5 * 24 * time.Hour, "29 Dec 31 Dec 1 Jan 2 Jan 3 Jan"},
	} {
		if zone, err = time.LoadLocation(c.zone); err != nil {
			t.Fatal(err)
		}
		if got := texts(c.from, c.span); got != c.want {
			t.Errorf("%s: %v from %v: %q, want %q", c.zone, c.span, c.from, got, c.want)
		}
	}
}
