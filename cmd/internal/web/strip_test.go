package web

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"iter"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// kept is a record of a post: a value each second, 2 W/m² and a little more, with
// what the test changes.
func kept(change func(at time.Time, p *store.Point)) func(context.Context, string, time.Time, time.Time, int) ([]store.Point, error) {
	return func(_ context.Context, _ string, from, to time.Time, n int) ([]store.Point, error) {
		width := max(to.Sub(from)/time.Duration(n), time.Second)
		var out []store.Point
		for at := from; at.Before(to); at = at.Add(width) {
			p := store.Point{From: at, To: at.Add(width), Sums: store.Sums{Samples: 10, Values: 10, Min: 2, Max: 3, Sum: 25, Seen: width, Integral: 2.5 * width.Seconds()}}
			p.Classes[5] = 10
			if change(at, &p); p.Samples > 0 {
				out = append(out, p)
			}
		}
		return out, nil
	}
}

// unseen empties points in an interval before noon.
func unseen(first, last time.Duration) func(time.Time, *store.Point) {
	return func(at time.Time, p *store.Point) {
		if ago := noon().Sub(at); ago <= first && ago > last {
			p.Sums = store.Sums{}
		}
	}
}

func stripAt(t *testing.T, s *Server, query string) strip {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "/posts/galley?"+query, nil)
	r.SetPathValue("id", "galley")
	at, wrong := viewOfQuery(r, noon())
	if wrong != "" {
		t.Fatal(wrong)
	}
	v := s.voiceOf(r)
	st, _ := statsOf(s.o.Station.Stats(), "galley")
	what, err := s.see(t.Context(), v, st, at)
	if err != nil {
		t.Fatal(err)
	}
	return v.strip(st, what)
}

// What lies so far below zero that the zero is off would pass on the line of zero for a
// field that is none: it is hatched, and the table has it.
func TestStripDrawsNoZeroThatIsOff(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) {
		o.Series = kept(func(at time.Time, p *store.Point) {
			if ago := noon().Sub(at); ago <= 200*time.Second && ago > 100*time.Second {
				p.Min, p.Max, p.Sum, p.Integral = -31, -30, -305, -30.5*p.Seen.Seconds()
			}
		})
	})
	p := stripAt(t, s, "span=300&w=660")
	if len(p.Gaps) != 1 || math.Abs(p.Gaps[0].X-252) > 2.1 || math.Abs(p.Gaps[0].W-200) > 4.1 || p.Gaps[0].Named {
		t.Errorf("gaps %+v", p.Gaps)
	}
	if strings.Count(p.Band, "M") != 2 || strings.Count(p.Mean, "M") != 2 {
		t.Errorf("the band is not cut in two: %q, %q", p.Band, p.Mean)
	}
	if i := slices.IndexFunc(p.Rows, func(r tableRow) bool { return r.Lo == "-3.1 mW/cm²" && r.Hi == "-3 mW/cm²" }); i < 0 {
		t.Error("the table does not have it")
	}
}

func TestStripDrawsGapsAsGaps(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) { o.Series = kept(unseen(200*time.Second, 100*time.Second)) })
	p := stripAt(t, s, "span=300&w=660")
	// 600 px for 300 s: not seen from 200 s to 100 s before the end.
	if len(p.Gaps) != 1 || math.Abs(p.Gaps[0].X-252) > 2.1 || math.Abs(p.Gaps[0].W-200) > 4.1 || !p.Gaps[0].Named {
		t.Errorf("gaps %+v", p.Gaps)
	}
	if strings.Count(p.Band, "M") != 2 || strings.Count(p.Band, "Z") != 2 || strings.Count(p.Mean, "M") != 2 {
		t.Errorf("the band is not cut in two: %q, %q", p.Band, p.Mean)
	}
	gaps := 0
	for _, row := range p.Rows {
		if row.Gap {
			gaps++
			if !strings.HasPrefix(row.How, "not seen for 1") {
				t.Errorf("the table says %q", row.How)
			}
		}
	}
	if gaps != 1 || !strings.Contains(p.Summary, "At 1 place not seen") {
		t.Errorf("%d gaps in the table; %s", gaps, p.Summary)
	}
	// What ends with a gap, and what is one gap.
	p = stripAt(t, newServer(newFake(noon()), func(o *Options) { o.Series = kept(unseen(100*time.Second, -time.Hour)) }), "span=300&w=660")
	if len(p.Gaps) != 1 || math.Abs(p.Gaps[0].X+p.Gaps[0].W-652) > 0.2 {
		t.Errorf("a gap at the end is drawn at %+v", p.Gaps)
	}
	p = stripAt(t, newServer(newFake(noon()), func(o *Options) { o.Series = kept(unseen(time.Hour, -time.Hour)) }), "span=300&w=660")
	if len(p.Gaps) != 1 || p.Gaps[0].W != 600 || p.Band != "" || !strings.Contains(p.Summary, "no value was seen") {
		t.Errorf("nothing seen is drawn as %+v, band %q", p.Gaps, p.Band)
	}
}

func TestStripMarksWhatIsFlawed(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) {
		o.Series = kept(func(at time.Time, p *store.Point) {
			switch ago := noon().Sub(at); {
			case ago > 50*time.Hour && ago < 60*time.Hour:
				p.Seen, p.Integral = p.Seen/2, p.Integral/2
			case ago > 20*time.Hour && ago < 30*time.Hour:
				p.OverRange, p.Classes[1], p.Classes[5], p.Values = p.To.Sub(p.From), 10, 0, 0
				p.Min, p.Max, p.Seen = math.NaN(), math.NaN(), 0
			case ago < 10*time.Hour:
				p.Classes[2], p.Classes[5] = 4, 6
			}
		})
	})
	p := stripAt(t, s, "span=360000&w=660") // 100 h
	if len(p.Partly) != 1 || math.Abs(p.Partly[0].W-60) > 8 || len(p.Over) != 1 || math.Abs(p.Over[0].W-60) > 8 || len(p.Gaps) != 0 {
		t.Errorf("partly %v, over %v, gaps %v", p.Partly, p.Over, p.Gaps)
	}
	words := map[string]bool{}
	for _, r := range p.Rows {
		words[r.How] = true
	}
	for _, want := range []string{"good", "50\u00a0% of the time seen", "over range", "4 of 10 not calibrated"} {
		if !words[want] {
			t.Errorf("no point is told as %q: %v", want, words)
		}
	}
}

// Names of limits that lie together do not overprint each other, and each stands no
// lower than its line.
func TestStripSpreadsNamesOfLimits(t *testing.T) {
	for _, values := range [][]quantity.PowerDensity{{10}, {10, 10}, {10, 10, 10}, {10, 50}, {10.2, 10, 50, 49}, {50, 49, 48, 10}} {
		f := newFake(noon())
		post := *f.stats[0].Post
		post.Limit.Value = values[0]
		for i, value := range values[1:] {
			post.More = append(post.More, limit.Limit{ID: string(rune('a' + i)), Value: value, Basis: limit.EmissionInUse, Source: "invented"})
		}
		f.stats[0].Post = &post
		p := stripAt(t, newServer(f, func(o *Options) { o.Series = kept(func(time.Time, *store.Point) {}) }), "span=720&w=660")
		for i, a := range p.Limits {
			if a.TextY > a.Y-4 || a.TextY < stripTop-8 {
				t.Errorf("%v: the name of %q stands at %v, its line at %v", values, a.Text, a.TextY, a.Y)
			}
			for _, b := range p.Limits[:i] {
				if math.Abs(a.TextY-b.TextY) < 12 {
					t.Errorf("%v: %q and %q stand at %v and %v", values, a.Text, b.Text, a.TextY, b.TextY)
				}
			}
		}
	}
}

// The axis ends a quarter above the higher of limit and highest value; all limits
// are in view, in every unit.
func TestStripDrawsLimitsAndMeans(t *testing.T) {
	f := newFake(noon())
	galley := *f.stats[0].Post
	galley.More = []limit.Limit{{ID: "work", Value: 50, Basis: limit.ExposureOccupational, Averaging: 6 * time.Minute, Source: "invented"}}
	f.stats[0].Post = &galley
	f.stats[0].Verdicts = []limit.Verdict{f.stats[0].Verdict, {Limit: galley.More[0], Averaged: true, Outcome: limit.NotDecided, Reasons: []string{"x"},
		Mean: limit.Average{Lo: 5, Hi: 10, To: 6 * time.Minute}}}
	s := newServer(f, func(o *Options) { o.Series = kept(func(time.Time, *store.Point) {}) })
	foot, high := float64(stripTop+stripHeight), float64(stripHeight)
	p := stripAt(t, s, "span=720&w=660")
	if len(p.Limits) != 2 || p.Limits[0].Y != round1(foot-high*10/62.5) || p.Limits[1].Y != round1(foot-high*50/62.5) ||
		p.Limits[1].Text != "work 5 mW/cm², mean over 6 min" || p.LimitY != p.Limits[0].Y {
		t.Errorf("limits %+v, the lowest at %v", p.Limits, p.LimitY)
	}
	if len(p.Averages) != 1 || p.Averages[0].X != 352 || p.Averages[0].W != 300 || p.Averages[0].Y != round1(foot-high*10/62.5) {
		t.Errorf("averages %+v", p.Averages)
	}
	// In V/m heights are those of field strengths.
	st, _ := statsOf(s.o.Station.Stats(), "galley")
	at := view{post: "galley", span: 12 * time.Minute, width: 660, now: noon()}
	v := s.voiceIn(unitNamed("v-m"))
	what, err := s.see(t.Context(), v, st, at)
	if err != nil {
		t.Fatal(err)
	}
	p = v.strip(st, what)
	// √(10 W/m² · 377 Ω) = 61.4 V/m; the axis ends at 1.25 · √(50 · 377) = 171.6.
	if p.Unit != "V/m" || math.Abs(p.Limits[0].Y-(foot-high*61.40/171.62)) > 0.1 || !strings.Contains(p.Rows[0].Hi, "33.6 V/m") {
		t.Errorf("%s, limit at %v, highest %s", p.Unit, p.Limits[0].Y, p.Rows[0].Hi)
	}
}

func TestStripMarksAlarmsAndRuns(t *testing.T) {
	f := newFake(noon())
	change := func(ago time.Duration, rule alarm.Rule, from, to alarm.State, since time.Duration) acquire.Event {
		a := alarm.Alarm{Post: "galley", Rule: rule, State: to, Since: noon().Add(-since)}
		return acquire.Event{At: noon().Add(-ago), Post: "galley", Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: a, From: from}}
	}
	changes := []acquire.Event{
		change(250*time.Second, alarm.Stale, alarm.Unacknowledged, alarm.Normal, 500*time.Second), // stood before the view began
		change(200*time.Second, alarm.Exceeds, alarm.Normal, alarm.Unacknowledged, 200*time.Second),
		change(180*time.Second, alarm.Exceeds, alarm.Unacknowledged, alarm.LatchedUnacknowledged, 200*time.Second),
		change(100*time.Second, alarm.Exceeds, alarm.LatchedUnacknowledged, alarm.Normal, 200*time.Second),
	}
	changes = append(changes, acquire.Event{At: noon(), Post: "ward", Alarm: &alarm.Change{Alarm: alarm.Alarm{Post: "ward", Rule: alarm.Exceeds, State: alarm.Unacknowledged}}})
	f.stats[0].Alarms = []alarm.Alarm{{Post: "galley", Rule: alarm.Battery, State: alarm.Acknowledged, Since: noon().Add(-30 * time.Second)}}
	s := newServer(f, func(o *Options) {
		o.Series = kept(func(time.Time, *store.Point) {})
		o.Changes = func(context.Context, time.Time, time.Time) iter.Seq2[acquire.Event, error] {
			return func(yield func(acquire.Event, error) bool) {
				for _, e := range changes {
					if !yield(e, nil) {
						return
					}
				}
			}
		}
		o.Ran = func(_ context.Context, post string, from, to time.Time, n int) ([]store.Ran, error) {
			if post != "galley" || !to.Equal(noon()) || n != 330 {
				t.Errorf("asked when %s ran from %v to %v in %d pieces", post, from, to, n)
			}
			if to.Sub(from) > time.Hour {
				return []store.Ran{{From: from.Add(time.Hour), To: from.Add(2 * time.Hour), Runs: 9, Peak: quantity.PowerDensity(math.Inf(1))}}, nil
			}
			return []store.Ran{{From: noon().Add(-150 * time.Second), To: noon().Add(-120 * time.Second), Runs: 1, Peak: 12}}, nil
		}
	})
	p := stripAt(t, s, "span=300&w=660")
	want := []lane{{box{52, 100}, "No valid reading", false}, {box{252, 200}, "Field above the limit", true}, {box{592, 60}, "Probe's battery is low", false}}
	if len(p.Alarms) != len(want) {
		t.Fatalf("alarms %+v", p.Alarms)
	}
	for i := range want {
		if p.Alarms[i] != want[i] {
			t.Errorf("alarm %d is drawn as %+v, want %+v", i, p.Alarms[i], want[i])
		}
	}
	checkRunsOfStrip(t, f, s)
}

// checkRunsOfStrip looks at the runs of the strip: the record's, and the station's newest.
func checkRunsOfStrip(t *testing.T, f *fakeStation, s *Server) {
	t.Helper()
	var p strip
	runs := func(text string, want ...lane) {
		t.Helper()
		if !slices.Equal(p.Runs, want) {
			t.Errorf("%s: runs %+v, want %+v", text, p.Runs, want)
		}
	}
	kept := lane{box{352, 60}, "The oven ran; highest 1.2 mW/cm²", false}
	st := &f.stats[0]
	st.Running = false
	st.RanFrom, st.RanTo, st.RunPeak = noon().Add(-150*time.Second), noon().Add(-120*time.Second), 12
	p = stripAt(t, s, "span=300&w=660")
	runs("one that the record has", kept)
	st.RanFrom, st.RanTo, st.RunPeak = noon().Add(-50*time.Second), noon().Add(-20*time.Second), 34
	p = stripAt(t, s, "span=300&w=660")
	runs("one that the record does not have yet", kept, lane{box{552, 60}, "The oven ran; highest 3.4 mW/cm²", false})
	st.Running = true
	p = stripAt(t, s, "span=300&w=660")
	runs("one that goes on", kept, lane{box{552, 100}, "The oven ran; highest 3.4 mW/cm²", false})
	st.Condition = acquire.SilentNow
	p = stripAt(t, s, "span=300&w=660")
	runs("one that nobody sees any more", kept, lane{box{552, 60}, "The oven ran; highest 3.4 mW/cm²", false})
	st.RanFrom, st.RanTo, st.Running = time.Time{}, time.Time{}, false
	p = stripAt(t, s, "span=36000&w=660")
	runs("many", lane{box{112, 60}, "The oven ran 9 times; highest over range", false})
}

func TestDownloadsHoldWhatIsSeen(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) { o.Series = kept(unseen(200*time.Second, 100*time.Second)) })
	w := get(t, s, "/posts/galley/chart.csv?span=300")
	rows, err := csv.NewReader(w.Body).ReadAll()
	if err != nil || w.Header().Get("Content-Disposition") != `attachment; filename="galley-20260603T115500Z.csv"` {
		t.Fatalf("%v, %s", err, w.Header())
	}
	if len(rows) < 150 || rows[0][2] != "lowest (mW/cm²)" || rows[1][0] != "2026-06-03T11:55:00.000Z" || rows[1][2] != "0.2" || rows[1][3] != "0.25" || rows[1][4] != "0.3" || rows[1][10] != "good" {
		t.Errorf("%d rows: %v", len(rows), rows[:2])
	}
	w = get(t, s, "/posts/galley/chart.svg?span=300")
	d := xml.NewDecoder(w.Body)
	paths := 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("the drawing is no XML: %v", err)
		}
		if e, ok := token.(xml.StartElement); ok && e.Name.Local == "path" {
			paths++
		}
	}
	if paths < 10 || w.Header().Get("Content-Type") != "image/svg+xml" {
		t.Errorf("%d paths, %s", paths, w.Header())
	}
}

func TestSeriesAPI(t *testing.T) {
	s := newServer(newFake(noon()), func(o *Options) { o.Series = kept(unseen(time.Hour, 30*time.Minute)) })
	var got struct {
		Points []struct {
			From, To string
			Min      *float64 `json:"min_w_per_m2"`
			Mean     *float64 `json:"mean_w_per_m2"`
		}
	}
	w := get(t, s, "/api/v1/posts/galley/series?points=60")
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || len(got.Points) != 30 || got.Points[0].From != "2026-06-03T11:30:00.000Z" || *got.Points[0].Mean != 2.5 {
		t.Errorf("%v: %s", err, w.Body)
	}
	for _, q := range []string{"points=0", "points=9999", "from=x", "to=yesterday", "from=2027-01-01T00:00:00Z", "from=1900-01-01T00:00:00Z"} {
		asProblem(t, get(t, s, "/api/v1/posts/galley/series?"+q), 400)
	}
	asProblem(t, get(t, s, "/api/v1/posts/none/series"), 404)
	s = newServer(newFake(noon()), func(o *Options) {
		o.Series = func(context.Context, string, time.Time, time.Time, int) ([]store.Point, error) {
			return nil, errors.New("disk")
		}
	})
	asProblem(t, get(t, s, "/api/v1/posts/galley/series"), 503)
	asProblem(t, get(t, s, "/posts/galley/chart.csv"), 503)
	asProblem(t, get(t, s, "/posts/galley/chart.svg"), 503)
	if page := get(t, s, "/posts/galley"); page.Code != 200 || !strings.Contains(textOf(page.Body.String()), "the past of this post cannot be shown: disk") {
		t.Errorf("the page without its past: %d", page.Code)
	}
}
