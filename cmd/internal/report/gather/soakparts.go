package gather

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
)

// interruptions are the pauses, with who made them and why, and the times in which
// nothing was seen.
func interruptions(r *soak.Result) []report.Interruption {
	var out []report.Interruption
	for _, m := range r.Life.Log {
		switch {
		case m.Kind == soak.Paused:
			out = append(out, report.Interruption{From: m.At, Who: m.Who, Why: "paused: " + m.Text})
		case len(out) > 0 && out[len(out)-1].To.IsZero() && (m.Kind == soak.Resumed || m.Kind == soak.Aborted || m.Kind == soak.Stopped || m.Kind == soak.Finished):
			out[len(out)-1].To = m.At
		}
	}
	gaps, more := r.Blind.Longest(), r.Blind.For
	for _, g := range gaps {
		more -= g.To.Sub(g.From)
		out = append(out, report.Interruption{From: g.From, To: g.To, Why: "nothing was seen of post " + r.Life.Plan.Post})
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].From.Before(out[j].From) })
	if n := r.Blind.All - len(gaps); n > 0 {
		out[len(out)-1].Why += fmt.Sprintf("; %s shorter ones, of %s in all, are not listed", report.Count(int64(n)), quantity.FormatDuration(more.Round(time.Millisecond)))
	}
	return out
}

// surveyedAt adds the highest value that the survey of each checkpoint found, where the
// record has it, and its place.
func surveyedAt(ctx context.Context, r *store.Reader, all []report.Checkpoint) error {
	for i := range all {
		c := &all[i]
		if c.Survey == "" {
			continue
		}
		found, err := r.SurveyResult(ctx, c.Survey)
		if errors.Is(err, store.ErrLost) {
			c.Place = "not known: what this survey found is damaged in the record; see ovenward verify"
			continue
		}
		if err != nil {
			return err
		}
		if found == nil {
			continue
		}
		for _, p := range found.Places {
			if p.N != found.Verdict.Worst {
				continue
			}
			c.Place = fmt.Sprintf("place %d, %s, %s, cell %d", p.N, p.Sweep, p.Surface, p.Cell)
			if p.Value != nil {
				c.Value = quantity.PowerDensity(*p.Value)
			}
			if p.U != nil {
				c.U = quantity.PowerDensity(*p.U)
			}
			if p.OverRange {
				c.Value = quantity.PowerDensity(math.Inf(1))
			}
		}
	}
	return nil
}

// summedUp adds the statistics by checkpoint, and by what was asked for.
func summedUp(ctx context.Context, r *store.Reader, s *report.Soak, res *soak.Result, p history.Post, q SoakQuery) error {
	level := res.Life.Plan.Level
	figured := func(all []soak.Part) (out []report.Figured) {
		for i := range all {
			out = append(out, stretch(&all[i], level))
		}
		return out
	}
	s.ByCheckpoint = figured(res.Parts)
	per := cmp.Or(q.Per, history.PerDay)
	parts := res.Days
	if per != history.PerDay || !q.From.IsZero() {
		var err error
		if parts, err = soak.Statistics(ctx, r, res.Life, p, per, q.From, res.By, q.Zone); err != nil {
			return err
		}
	}
	s.Per, s.Since, s.Zone, s.Stretches = string(per), q.From, q.Zone.String(), figured(parts)
	return nil
}

func stretch(p *soak.Part, limit quantity.PowerDensity) report.Figured {
	none := quantity.PowerDensity(math.NaN())
	level := func(x float64) quantity.PowerDensity { return quantity.PowerDensity(x) }
	on := &p.Sum.On
	x := report.Figured{Name: p.Name, Seen: p.Sum.Seen(), On: on.Quantiles.Total(), Runs: p.Runs, Mean: none, Deviation: none, Exceedances: -1,
		Median: level(on.Quantiles.At(0.5)), P95: level(on.Quantiles.At(0.95)), OffMedian: level(p.Sum.Off.Quantiles.At(0.5)), Highest: none}
	if on.Moments.N > 0 {
		x.Mean, x.Deviation = level(on.Moments.Mean), level(on.Moments.Deviation())
	}
	if peaks := p.Sum.Peaks.List(); len(peaks) > 0 {
		if x.Highest, x.HighestAt = peaks[0].S, peaks[0].At; peaks[0].Over {
			x.Highest = level(math.Inf(1))
		}
	}
	if e, ok := p.Sum.Above(limit); ok {
		x.Exceedances, x.Above = e.Count, e.Above
	}
	return x
}

// others says what was stated of whose runs they are, and which other ovens the
// record knows: what a probe sees belongs to its post, and to an oven only where
// nothing else is near.
func others(ctx context.Context, r *store.Reader, s *report.Soak, res *soak.Result, post history.Post) error {
	p := res.Life.Plan
	posts, err := r.Posts(ctx)
	if err != nil {
		return err
	}
	var near []string
	for _, id := range posts {
		versions, err := r.History(ctx, id)
		if err != nil {
			return err
		}
		if n := len(versions); n > 0 && versions[n-1].Oven != p.Oven && versions[n-1].Oven != "" && !slices.Contains(near, versions[n-1].Oven) {
			near = append(near, versions[n-1].Oven)
		}
	}
	slices.Sort(near)
	text := "the record knows no other oven"
	switch {
	case p.Whose != "":
		text = "those of oven " + p.Oven + ", as stated when the test was planned: " + p.Whose
		if len(near) > 0 {
			text += "; the record knows other ovens (" + strings.Join(near, ", ") + ")"
		}
	case len(near) > 0:
		text = "the runs are those that post " + p.Post + " saw; the record knows other ovens too (" + strings.Join(near, ", ") + "), and cannot tell whether one of them was seen"
	}
	if p.Whose == "" && len(near) > 0 && res.Runs > 0 {
		all, err := r.Switched(ctx, p.Post, p.Oven, res.First)
		var left *store.LeftOut
		if err != nil && !errors.As(err, &left) {
			return err
		}
		said := map[string]int{}
		for u, err := range res.Life.Runs(ctx, r, res.By) {
			if err != nil {
				return err
			}
			said[history.SaidOf(all, post.Options, u)]++
		}
		for _, contact := range slices.Sorted(maps.Keys(said)) {
			if contact != "" {
				text += fmt.Sprintf("; contact %s said of %s of %s runs that oven %s was switched to heat", contact, report.Count(int64(said[contact])), report.Count(int64(res.Runs)), p.Oven)
			}
		}
		if left != nil {
			text += "; of what contacts said of the oven's power, " + left.Error()
		}
	}
	s.Conditions = append(s.Conditions, report.Pair{Name: "Whose runs", Value: cell(text)})
	return nil
}
