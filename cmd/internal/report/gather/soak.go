package gather

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
)

// bars is how many levels a distribution is drawn in.
const bars = 30

// SoakQuery says of which soak test to report: as it stood at an instant; a zero By is
// its end when it has ended, else behind the newest sample. Per is run, hour or day, of
// Zone, and From since when these are listed: a zero one is the begin.
type SoakQuery struct {
	ID      string
	From    time.Time
	By      time.Time
	Per     history.Per
	Zone    *time.Location
	Version string
}

// Soak reads a soak test.
func Soak(ctx context.Context, r *store.Reader, q SoakQuery) (*report.Soak, error) {
	if err := cmp.Or(whole("from", q.From), whole("to", q.By)); err != nil {
		return nil, err
	}
	id, by, zone := q.ID, q.By, q.Zone
	all, err := r.SoaksBy(ctx, by)
	if err != nil {
		return nil, err
	}
	var l *soak.Life
	var names []string
	for _, one := range all {
		if names = append(names, one.Plan.ID); one.Plan.ID == id {
			l = one
		}
	}
	if l == nil {
		return nil, fmt.Errorf("there is no soak test %q in the record; it has %s", id, cmp.Or(strings.Join(names, ", "), "none"))
	}
	if n := len(l.Active); by.IsZero() && n > 0 && l.State.Over() {
		by = ended(l)
	}
	if by.IsZero() {
		if _, by, err = extent(ctx, r, []string{l.Plan.Post}, time.Time{}, by); err != nil {
			return nil, err
		}
	}
	versions, err := r.History(ctx, l.Plan.Post)
	if err != nil {
		return nil, err
	}
	h := newestBefore(versions, by)
	if h == nil {
		return nil, fmt.Errorf("the record knows no post %q", l.Plan.Post)
	}
	p := history.Post{ID: l.Plan.Post, Options: history.Options{Floor: h.Probe.Floor, Response: h.Probe.Response, Gap: h.RunGap, Stale: h.Stale}}
	res, err := soak.Make(ctx, r, l, SoakWatched(p, l.Plan, versions), by.UTC(), zone)
	if err != nil {
		return nil, err
	}
	s := soaked(&res, h, q.Version)
	if err := surveyedAt(ctx, r, s.Checkpoints); err != nil {
		return nil, err
	}
	if err := summedUp(ctx, r, s, &res, p, q); err != nil {
		return nil, err
	}
	if err := others(ctx, r, s, &res, p); err != nil {
		return nil, err
	}
	if len(l.Active) > 0 {
		if s.Alarms, err = alarms(ctx, r, []string{l.Plan.Post}, true, l.Active[0].From, by); err != nil {
			return nil, err
		}
	}
	return s, head(ctx, r, &s.Record)
}

// ended is when a test came to its end.
func ended(l *soak.Life) time.Time {
	for i := len(l.Log) - 1; i >= 0; i-- {
		switch m := l.Log[i]; m.Kind {
		case soak.Finished, soak.Aborted, soak.Stopped:
			return m.At
		}
	}
	return time.Time{}
}

// soaked puts a result into the form of a report.
func soaked(r *soak.Result, h *store.History, version string) *report.Soak {
	l, p := r.Life, r.Life.Plan
	s := &report.Soak{Site: h.Site, Oven: p.Oven, Place: h.OvenPlace, Simulated: h.Probe.Simulated, As: r.By.Truncate(time.Second), State: string(l.State), Version: version,
		Outcome: map[soak.Outcome]limit.Outcome{soak.Within: limit.Within, soak.Exceeds: limit.Exceeds, soak.NotDecided: limit.NotDecided}[r.Outcome], Reasons: r.Reasons,
		Plan: report.SoakPlan{Title: p.Title, Procedure: p.Procedure, Source: p.Source, Operations: p.Operations, Hours: p.Lasting, StopRules: stopRules(p.Stop)},
		Conditions: []report.Pair{{Name: "As stated when it was planned", Value: cell(cmp.Or(p.Conditions, "not stated"))}, {Name: "Post", Value: cell(p.Post)}, {Name: "Distance", Value: cell(h.Distance.String())},
			{Name: "Expanded uncertainty at the limit", Value: cell(guard(p.Guard))}},
		Instruments: []report.Instrument{instrument(h)}}
	s.Plan.Limit = limit.Limit{ID: p.LimitID, Value: p.Level, Rule: p.Rule}
	for _, one := range h.Limits() {
		if one.ID == p.LimitID {
			s.Plan.Limit = one
			s.Plan.Limit.Value, s.Plan.Limit.Rule = p.Level, p.Rule
		}
	}
	if len(l.Active) > 0 {
		s.From = l.Active[0].From
	}
	unit := " operations"
	if !p.ByOperations() {
		unit = " h"
	}
	for _, c := range p.Checkpoints {
		name := "at " + strconv.FormatInt(c, 10) + unit
		s.Plan.Checkpoints = append(s.Plan.Checkpoints, name)
		s.Checkpoints = append(s.Checkpoints, checkpointOf(l, c, name))
	}
	s.Counts = counts(r)
	for _, u := range r.Drawn {
		s.PerRun = append(s.PerRun, report.RunPoint{Run: u.First, Last: u.Last, Runs: u.Runs, Mean: u.Mean, Peak: u.Peak})
	}
	if top := float64(r.Whole.On.Quantiles.At(1)); top > 0 && !math.IsInf(top, 1) {
		for _, b := range r.Whole.On.Quantiles.Shares(bars, top*1.01) {
			s.Levels = append(s.Levels, report.Share{From: quantity.PowerDensity(b.Lo), To: quantity.PowerDensity(b.Hi), For: b.Held})
		}
	}
	s.Figures, s.Ageing = figures(r), ageing(&r.Trend)
	s.Interruptions = interruptions(r)
	for _, m := range l.Log {
		s.Log = append(s.Log, report.Happened{At: m.At, Kind: string(m.Kind), Who: m.Who, Text: strings.TrimSpace(string(m.Kind) + " " + m.Detail())})
	}
	return s
}

func cell(text string) report.Cell { return report.Cell{Text: text} }

func guard(g quantity.PowerDensity) string {
	if !(g > 0) {
		return "not known"
	}
	return level(float64(g))
}

// level is a power density in words.
func level(x float64) string {
	switch {
	case math.IsNaN(x):
		return "not known"
	case math.IsInf(x, 1):
		return "over range"
	}
	return quantity.PowerDensity(x).String()
}

func stopRules(s soak.Stop) []string {
	var all []string
	if s.Exceedances > 0 {
		all = append(all, fmt.Sprintf("%s exceedances of the limit", report.Count(int64(s.Exceedances))))
	}
	if s.OverRange {
		all = append(all, "the field was over the probe's range")
	}
	if s.Blind > 0 {
		all = append(all, "nothing was seen for "+quantity.FormatDuration(s.Blind))
	}
	if s.Overdue > 0 {
		all = append(all, fmt.Sprintf("a checkpoint's survey was %d behind", s.Overdue))
	}
	return all
}

func checkpointOf(l *soak.Life, c int64, name string) report.Checkpoint {
	out := report.Checkpoint{Name: name, Outcome: limit.NotDecided, Value: quantity.PowerDensity(math.NaN()), U: quantity.PowerDensity(math.NaN())}
	for _, passed := range l.Passed {
		if passed.Checkpoint != c {
			continue
		}
		out.Done, out.Survey, out.Note = passed.At, passed.Survey, fmt.Sprintf("%s operations by then", report.Count(passed.Operations))
		out.Outcome = map[string]limit.Outcome{string(soak.Within): limit.Within, string(soak.Exceeds): limit.Exceeds, string(soak.NotDecided): limit.NotDecided}[passed.Outcome]
		for _, m := range l.Log {
			if m.Kind == soak.Surveyed && m.Checkpoint == c {
				out.By = m.Who
			}
		}
	}
	return out
}

func counts(r *soak.Result) report.SoakCounts {
	l := r.Life
	c := report.SoakCounts{Operations: l.Operations, Runs: int64(r.Runs), On: r.Whole.On.Quantiles.Total(), Dose: r.Dose}
	var from []string
	for _, f := range []soak.From{soak.FromInput, soak.FromImport, soak.FromOperator} {
		if n := l.By[f]; n != 0 {
			from = append(from, fmt.Sprintf("%s by %s", report.Count(n), f))
		}
	}
	if c.OperationsFrom = strings.Join(from, ", "); len(from) == 0 && l.Plan.Operations == 0 {
		c.Operations = -1
	}
	c.Exceedances = -1
	if e, ok := r.Whole.Above(l.Plan.Level); ok {
		c.Exceedances, c.Above = int64(e.Count), e.Above
	}
	if r.Active > 0 {
		c.Cover = float64(r.Whole.Seen()) / float64(r.Active)
	}
	return c
}

// figures are those of the time in which the oven emitted.
func figures(r *soak.Result) []report.Pair {
	on := &r.Whole.On
	var out []report.Pair
	add := func(name, text string) { out = append(out, report.Pair{Name: name, Value: cell(text)}) }
	if on.Moments.N > 0 {
		add("Mean while on", level(on.Moments.Mean))
		add("Standard deviation", level(on.Moments.Deviation()))
	}
	for _, p := range []float64{0.5, 0.9, 0.95, 0.99} {
		add(fmt.Sprintf("%g %% of the time below", 100*p), level(on.Quantiles.At(p)))
	}
	add("Error of these levels", fmt.Sprintf("within %g %% of a value that was read", 100*stats.RelativeError))
	for i, p := range r.Whole.Peaks.List() {
		if i == 5 {
			break
		}
		x := float64(p.S)
		if p.Over {
			x = math.Inf(1)
		}
		add(fmt.Sprintf("Highest value, no. %d", i+1), level(x)+", "+p.At.UTC().Format("2006-01-02 15:04:05")+" UTC")
	}
	return out
}

// ageing says how the runs go on.
func ageing(t *soak.Trend) []report.Pair {
	var out []report.Pair
	add := func(name, text string) { out = append(out, report.Pair{Name: name, Value: cell(text)}) }
	told := fmt.Sprintf("the mean field of %s runs that were wholly seen", report.Count(int64(t.Age.Points)))
	if t.Age.Step != nil {
		told += ", those since the last step"
	}
	add("Told from", told)
	if s := t.Age.Slope; !math.IsNaN(s.Slope) && t.Age.Points > 1 {
		add("Slope of 1000 runs (Theil-Sen)", fmt.Sprintf("%s; 95 %%: %s to %s", level(1000*s.Slope), level(1000*s.Lo), level(1000*s.Hi)))
		add("Probability without a trend (Mann-Kendall)", strconv.FormatFloat(t.Age.Kendall.P, 'g', 2, 64))
	}
	if st := t.Age.Step; st != nil {
		add("Step (Pettitt)", fmt.Sprintf("after about run %d, by %s; confidence %.3g %%", t.StepAfter, level(st.Size), 100*st.Confidence))
	}
	edge := "Limit less guard band, " + level(float64(t.Level))
	if t.Days.Refused != "" {
		add(edge, "when it is reached is not told: "+t.Days.Refused)
		return out
	}
	day := func(d float64) string {
		return t.First.Add(time.Duration(d * 24 * float64(time.Hour))).UTC().Format(time.DateOnly)
	}
	add(edge, fmt.Sprintf("if it goes on so, reached between %s and %s, at runs %.0f to %.0f (90 %%)", day(t.Days.Lo), day(t.Days.Hi), math.Floor(t.Runs.Lo), math.Ceil(t.Runs.Hi)))
	return out
}
