package gather

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
)

// The most that a report lists, and draws.
const (
	mostGaps   = 40
	mostPoints = 400
	mostListed = 400
)

// describe states the post, its instruments, and what changed in the time.
func (w *walk) describe(ctx context.Context, r *store.Reader, newest *store.History, past []*store.History) error {
	o := w.out
	o.Oven, o.Place, o.Distance, o.Frequency, o.Stale = newest.Oven, newest.OvenPlace, newest.Distance, newest.Frequency, newest.Stale
	said, err := identity(ctx, r, o.Post, w.to)
	if err != nil {
		return err
	}
	for i, h := range past {
		in := instrument(h)
		if h.Probe.ID == newest.Probe.ID {
			in.Identity = said
		}
		if i > 0 {
			o.Changes = append(o.Changes, report.Change{At: h.ValidFrom, What: differs(past[i-1], h)})
		}
		if !slices.ContainsFunc(o.Instruments, func(x report.Instrument) bool { return sameInstrument(x, in) }) {
			o.Instruments = append(o.Instruments, in)
		}
	}
	events, err := r.EventsOf(ctx, o.Post, []acquire.Kind{acquire.KindZero, acquire.KindCalibration, acquire.KindPosition, acquire.KindIdentity, acquire.KindImport}, w.from, w.to, mostEvents)
	if err != nil {
		return err
	}
	o.EventsMore = max(len(events)-mostListed, 0)
	for _, e := range events[o.EventsMore:] {
		o.Events = append(o.Events, report.Happened{At: e.At, Kind: string(e.Kind), Who: e.Who, Text: e.Text})
	}
	return nil
}

func sameInstrument(a, b report.Instrument) bool {
	if (a.Certificate == nil) != (b.Certificate == nil) || a.Certificate != nil && !a.Certificate.Equal(*b.Certificate) {
		return false
	}
	a.Certificate, b.Certificate = nil, nil
	return a == b
}

// differs says what two versions of a post differ in.
func differs(a, b *store.History) string {
	var all []string
	say := func(name string, x, y any) {
		if fmt.Sprint(x) != fmt.Sprint(y) {
			all = append(all, fmt.Sprintf("%s: %v, before: %v", name, y, x))
		}
	}
	number := func(h *store.History) string {
		if h.Probe.Certificate == nil {
			return "none"
		}
		return h.Probe.Certificate.Number
	}
	say("oven", a.Oven, b.Oven)
	say("place", a.OvenPlace, b.OvenPlace)
	say("distance", a.Distance, b.Distance)
	say("probe", a.Probe.ID, b.Probe.ID)
	say("port", a.Probe.Port, b.Probe.Port)
	say("certificate", number(a), number(b))
	say("limit", a.Limit.ID+", "+a.Limit.Value.String(), b.Limit.ID+", "+b.Limit.Value.String())
	say("further limits", len(a.More), len(b.More))
	say("turned for the maximum", a.Turned, b.Turned)
	say("time-above rule", a.Sustained, b.Sustained)
	say("stale time", a.Stale, b.Stale)
	if len(all) == 0 {
		return "a setting of the post or its probe"
	}
	return strings.Join(all, "; ")
}

// finish judges the days and the whole.
func (w *walk) finish(newest *store.History) {
	o := w.out
	o.Mean = w.meanOf(w.mean, o.Max)
	o.On = w.on
	sort.SliceStable(w.gaps, func(i, j int) bool {
		a, b := &w.gaps[i], &w.gaps[j]
		return a.To.Sub(a.From) > b.To.Sub(b.From) // the longest first
	})
	o.Gaps, o.GapsMore = w.gaps, 0
	if len(w.gaps) > mostGaps {
		o.Gaps, o.GapsMore = w.gaps[:mostGaps], len(w.gaps)-mostGaps
	}
	for _, l := range newest.Limits() {
		if l.Value > 0 {
			o.Judged = append(o.Judged, report.Judged{Limit: l, Outcome: limit.Within, Sustained: newest.Sustained})
		}
	}
	for _, d := range w.days {
		w.judgeDay(d, newest)
	}
	for i := range o.Judged {
		sum(&o.Judged[i], len(w.days))
	}
}

// meanOf reads a mean. Where the top of the range is not known, it has no upper bound that
// could be told unless all of it was seen, of which this was the highest value.
func (w *walk) meanOf(m *limit.Mean, highest quantity.PowerDensity) limit.Average {
	a := m.Read()
	if w.boundless && !(a.Hi <= highest) && !math.IsInf(float64(a.Hi), 1) {
		a.Hi = quantity.PowerDensity(math.NaN())
	}
	return a
}

// judgeDay adds a day to the report, and what it says to the whole.
func (w *walk) judgeDay(d *dayOf, newest *store.History) {
	o := w.out
	all := d.judge(w, newest)
	out := report.Day{From: d.begin, Outcome: limit.NotDecided, Reasons: []string{"no limit applies"}, Cover: float64(d.seen) / float64(d.end-d.from), Mean: w.meanOf(d.mean, d.peak),
		Max: d.peak, MaxU: d.peakU, Over: d.overRange, Runs: d.runs}
	worst := -1
	for i, j := range all {
		o.Judged[i].Above += j.Above
		o.Judged[i].Days.Count(j.Outcome)
		o.Judged[i].Reasons = append(o.Judged[i].Reasons, string(j.Outcome)+"\x00"+strings.Join(j.Reasons, "\x00"))
		if worst < 0 || rank(j.Outcome) > rank(all[worst].Outcome) {
			worst = i
		}
		if rank(j.Outcome) > rank(o.Judged[i].Outcome) {
			o.Judged[i].Outcome = j.Outcome
		}
	}
	if worst >= 0 {
		out.Outcome, out.Limit, out.Reasons = all[worst].Outcome, all[worst].Limit.ID, all[worst].Reasons
	}
	o.Days = append(o.Days, out)
}

func rank(o limit.Outcome) int {
	switch o {
	case limit.Exceeds:
		return 2
	case limit.Within:
		return 0
	}
	return 1
}

// sum words the whole from the reasons of its days: how many days came out so, and
// the reasons of those that decide it.
func sum(j *report.Judged, days int) {
	var reasons []string
	for _, text := range j.Reasons {
		parts := strings.Split(text, "\x00")
		if parts[0] != string(j.Outcome) {
			continue
		}
		for _, p := range parts[1:] {
			if !slices.Contains(reasons, p) {
				reasons = append(reasons, p)
			}
		}
	}
	of := fmt.Sprintf("of %s days, or parts of a day", report.Count(int64(days)))
	if days == 1 {
		of = "of 1 day, or part of one"
	}
	head := fmt.Sprintf("%s: %s within, %s exceed, %s not decided", of, report.Count(int64(j.Days.Within)), report.Count(int64(j.Days.Exceeds)), report.Count(int64(j.Days.Open)))
	const most = 6
	if len(reasons) > most {
		reasons = append(reasons[:most], fmt.Sprintf("and %d more reasons, in the table of days", len(reasons)-most))
	}
	j.Reasons = append([]string{head}, reasons...)
}

// chart reads the points to draw; what is missing between them was not seen, and
// of a stretch in which the probe was away from its post nothing is drawn.
func (w *walk) chart(ctx context.Context, r *store.Reader, id string) error {
	points, err := r.Chart(ctx, id, w.from, w.to, mostPoints)
	var d *store.Damage
	if err != nil && !errors.As(err, &d) {
		return err
	}
	nan := math.NaN()
	at := w.from
	unseen := func(to time.Time) {
		if to.After(at) {
			w.out.Points = append(w.out.Points, report.Stretch{From: at, To: to, Min: nan, Max: nan, Mean: nan})
		}
	}
	for _, p := range points {
		if p.From.Before(w.from) {
			p.From = w.from
		}
		if p.To.After(w.to) {
			p.To = w.to
		}
		if !p.To.After(p.From) || w.states.away.stood(p.From, p.To) { // in hand: not of the post's place
			continue
		}
		unseen(p.From)
		s := report.Stretch{From: p.From, To: p.To, Min: p.Min, Max: p.Max, Mean: p.Mean()}
		if p.Values == 0 {
			s.Min, s.Max = s.Mean, s.Mean
		}
		if p.OverRange > 0 && w.now != nil {
			s.Max = float64(w.top)
			if math.IsNaN(s.Mean) {
				s.Min, s.Mean = s.Max, s.Max
			}
		}
		w.out.Points = append(w.out.Points, s)
		at = p.To
	}
	if len(points) > 0 {
		unseen(w.to)
	}
	return nil
}
