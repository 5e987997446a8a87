package gather

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
)

// dayOf is what is known of one day, or of the part of it that lies in the time.
type dayOf struct {
	begin      time.Time
	from, end  time.Duration
	last       time.Time        // its end
	versions   []*store.History // of the post, in force within it
	mean       *limit.Mean
	seen       time.Duration
	longestGap time.Duration
	gap        time.Duration // under way

	peak, peakU  quantity.PowerDensity
	peakK        int64 // correction of the peak
	overRange    bool
	uncalibrated int64
	lost, vague  int64 // readings of which the record lost what the post was, and of no known value
	indicated    int64 // and that count as the probe indicated them, for what corrects them is lost
	noU          bool
	away         bool
	runs, run    int // seen in the day; the number of the newest
	limits       []*against
}

// against is a day against one limit.
type against struct {
	limit     limit.Limit
	rule      alarm.Rule
	sustained *limit.Sustained
	above     time.Duration
	reached   bool
	worstCase *limit.Sustained // as if all that was not seen had been above
	hides     bool             // it was reached
	window    *limit.Mean      // of an averaged limit
	worst     limit.Average    // the mean that says most in the day
	known     bool
	minute    time.Duration
	exceeded  bool // a mean was above
}

func newDay(h *store.History, versions []*store.History, from, to, origin time.Time, top, topU quantity.PowerDensity) *dayOf {
	d := &dayOf{begin: from, last: to, from: from.Sub(origin), end: to.Sub(origin), versions: versions, mean: limit.NewMean(to.Sub(from), top, topU),
		peak: quantity.PowerDensity(math.NaN()), peakU: quantity.PowerDensity(math.NaN())}
	for i, l := range h.Limits() {
		if !(l.Value > 0) {
			continue
		}
		a := &against{limit: l, rule: alarm.Exceeds, sustained: limit.NewSustained(h.Sustained, l.Value), worstCase: limit.NewSustained(h.Sustained, l.Value)}
		if i > 0 {
			a.rule = alarm.ExceedsOf(l.ID)
		}
		if l.Averaged() {
			a.window = limit.NewMean(l.Averaging, top, topU)
		}
		d.limits = append(d.limits, a)
	}
	return d
}

// sample notes what one sample of the day says.
func (d *dayOf) sample(s *store.StoredSample, away, lost, indicated bool) {
	if away {
		d.away = true
		return
	}
	if s.Quality&acquire.Fault != 0 {
		return
	}
	if s.Quality&acquire.Uncalibrated != 0 {
		d.uncalibrated++
	}
	if indicated {
		d.indicated++
	}
	if lost {
		d.lost++
	}
	switch {
	case s.Quality&acquire.OverRange != 0:
		d.overRange = true
	case s.HasValue() && math.IsNaN(float64(s.S)):
		d.vague++
	case s.HasValue():
		d.noU = d.noU || !(s.U >= 0)
		if !(s.S <= d.peak) {
			d.peak, d.peakU, d.peakK = s.S, s.U, s.CorrectionID
		}
	}
}

// ran notes that the oven ran, in the run with this number.
func (d *dayOf) ran(number int) {
	if number != d.run {
		d.runs, d.run = d.runs+1, number
	}
}

// observe takes in what of a stretch lies in the day; windows of means begin
// before it.
func (d *dayOf) observe(st limit.Stretch) {
	if st.From >= d.end {
		return
	}
	whole := st
	whole.To = min(whole.To, d.end)
	for _, a := range d.limits {
		if a.window != nil && whole.To > d.from-a.limit.Averaging-time.Minute {
			a.averaged(whole, d.from)
		}
	}
	st.From, st.To = max(st.From, d.from), min(st.To, d.end)
	if st.To <= st.From {
		return
	}
	in := st
	in.From, in.To = st.From-d.from, st.To-d.from
	d.mean.Observe(in)
	if !st.Seen {
		d.gap += st.To - st.From
		d.longestGap = max(d.longestGap, d.gap)
	} else {
		d.gap = 0
		d.seen += st.To - st.From
	}
	could := st
	if !st.Seen {
		could.Seen, could.Lo, could.Hi = true, quantity.PowerDensity(math.Inf(1)), quantity.PowerDensity(math.Inf(1))
	}
	for _, a := range d.limits {
		a.worstCase.Observe(&could)
		a.hides = a.hides || !a.limit.Averaged() && d.seen < st.To-d.from && a.worstCase.Above()
		a.sustained.Observe(&st)
		if st.Seen && st.Lo > a.limit.Value {
			a.above += st.To - st.From
		}
		a.reached = a.reached || a.sustained.Above()
	}
}

// averaged moves the window of a mean, and keeps the mean that says most: the first
// above the limit, else the highest upper bound of those at whole minutes.
func (a *against) averaged(st limit.Stretch, from time.Duration) {
	a.window.Observe(st)
	if st.To <= from {
		return
	}
	above, kept := a.window.Against(a.limit.Value)
	minute := st.To / time.Minute
	switch {
	case above && !a.exceeded:
		a.exceeded, a.known, a.worst = true, true, a.window.Read()
	case a.exceeded:
	case !a.known || minute != a.minute || !kept && a.worst.Hi <= a.limit.Value:
		if m := a.window.Read(); !a.known || m.Hi > a.worst.Hi {
			a.worst = m
		}
		a.known, a.minute = true, minute
	}
}

// judge decides the day against each limit: by each version of the post that was in force
// within it, of which the one that says worst decides.
func (d *dayOf) judge(w *walk, newest *store.History) []report.Judged {
	var all []report.Judged
	for _, a := range d.limits {
		j := report.Judged{Limit: a.limit, Outcome: limit.Within, Above: a.above, Sustained: newest.Sustained}
		var c limit.Circumstances
		var lacks []string
		for _, h := range d.versions {
			var lack []string
			c, lack = d.circumstances(w, a, h)
			if h.Oven != newest.Oven && c.Blind == "" {
				c.Blind = "the post watched another oven, " + h.Oven
				lack = append(lack, c.Blind)
			}
			if o := limit.Decide(&a.limit, &c); rank(o) > rank(j.Outcome) {
				j.Outcome = o
			}
			for _, why := range lack {
				if !slices.Contains(lacks, why) {
					lacks = append(lacks, why)
				}
			}
		}
		raised := w.states.raised[a.rule]
		if raised != nil && raised.stood(d.begin, d.last) {
			j.Outcome = limit.Exceeds
			lacks = append([]string{"an exceedance was raised by the station, or its condition was present"}, lacks...)
		}
		j.Reasons = d.reasons(a, &c, j.Outcome, lacks)
		all = append(all, j)
	}
	return all
}

// circumstances is what the day's verdict rests on by a version of the post, and what it
// lacks in words.
func (d *dayOf) circumstances(w *walk, a *against, h *store.History) (limit.Circumstances, []string) {
	p := &h.Probe
	c := limit.Circumstances{HasValue: !math.IsNaN(float64(d.peak)), Value: d.peak, U: d.peakU, Peak: d.peak, PeakU: d.peakU, K: w.kOf[d.peakK], Mean: a.worst,
		OverRange: d.overRange, Sustained: a.reached, Above: a.above, Running: d.runs > 0, RunMissed: a.hides, RunFlawed: d.uncalibrated > 0, Calibrated: p.Certificate != nil,
		Axes: p.Axes, Turned: h.Turned, Distance: h.Distance, Response: p.Response, Cover: float64(d.seen) / float64(d.end-d.from)}
	if l := w.states.latched[a.rule]; l != nil && l.stood(d.begin, d.last) {
		c.Latched = true
	}
	var lacks []string
	lack := func(is bool, format string, args ...any) {
		if is {
			lacks = append(lacks, fmt.Sprintf(format, args...))
		}
	}
	lack(c.Latched, "an exceedance stood that nobody had reset")
	lack(d.seen == 0, "nothing was seen")
	long := d.longestGap >= h.Sustained.Unbroken
	lack(d.seen > 0 && a.hides && long, "a gap of %s is long enough to hide an exceedance", report.About(d.longestGap))
	lack(d.seen > 0 && a.hides && !long && !a.reached, "short gaps lie so close that they could hide an exceedance")
	lack(d.vague > 0, "what %s stood for is not known: the correction is lost, or nobody knows the unit", report.Readings(d.vague))
	lack(d.indicated > 0, "what corrects %s is lost: each counts as the probe indicated it, uncalibrated", report.Readings(d.indicated))
	if blind := d.announced(w); blind != "" {
		c.Blind = blind
		lacks = append(lacks, blind)
	}
	lack(d.seen > 0 && !c.Running, "no run of the oven was seen")
	lack(!c.Calibrated, "not calibrated")
	lack(c.Calibrated && d.uncalibrated > d.indicated, "no certificate covers %s", report.Readings(d.uncalibrated-d.indicated))
	lack(c.HasValue && c.Calibrated && d.uncalibrated == 0 && (d.noU || !(d.peakU >= 0)), "an uncertainty is not known")
	lack(p.Axes < 3 && !h.Turned, "one axis, not turned for the maximum: a lower bound")
	if a.limit.Basis.Emission() {
		lack(!(h.Distance > 0), "the distance from the oven is not known")
		lack(h.Distance > a.limit.Distance, "measured at %s, the limit is for %s", h.Distance, a.limit.Distance)
		lack(p.Response <= 0, "the response time of the probe is not known")
		lack(p.Response > 3*time.Second, "the probe is slower than the limit asks (90 %% within 3 s)")
	} else {
		lack(!a.limit.Averaged(), "the averaging time of this exposure limit is not stated")
		lack(!(h.Distance > 0.2), "measured this near, a value says little of an exposure: the limit is for people where they stand")
	}
	return c, lacks
}

// announced says what people, the station or the record hold against the day.
func (d *dayOf) announced(w *walk) string {
	switch {
	case d.lost > 0:
		return fmt.Sprintf("the record has lost what the post was for %s", report.Readings(d.lost))
	case d.away || w.states.away.stood(d.begin, d.last):
		return "the probe was away for a survey"
	case w.states.test.stood(d.begin, d.last):
		return "the probe was under test"
	case w.states.stuck.stood(d.begin, d.last):
		return "the reading stood still longer than noise allows"
	}
	for _, rule := range slices.Sorted(maps.Keys(w.states.doubt)) {
		if w.states.doubt[rule].stood(d.begin, d.last) {
			return fmt.Sprintf("a change of the alarm %s is damaged in the record: whether it was present is not known", rule)
		}
	}
	return ""
}

// reasons words the outcome; never empty.
func (d *dayOf) reasons(a *against, c *limit.Circumstances, o limit.Outcome, lacks []string) []string {
	l := &a.limit
	var all []string
	mw := func(s quantity.PowerDensity) string {
		return quantity.MilliwattPerSquareCentimetre().FormatDigits(float64(s), 3)
	}
	switch {
	case d.overRange:
		all = append(all, "over the probe's range")
	case l.Averaged() && a.exceeded:
		all = append(all, fmt.Sprintf("a mean over %s is at least %s", quantity.FormatDuration(l.Averaging), mw(a.worst.Lo)))
	case l.Averaged() && a.known && !(a.worst.Hi <= l.Value):
		all = append(all, fmt.Sprintf("a mean over %s lies between %s and %s", quantity.FormatDuration(l.Averaging), mw(a.worst.Lo), mw(a.worst.Hi)))
	case !l.Averaged() && a.reached:
		all = append(all, fmt.Sprintf("above the limit for %s in sum, as long as the rule asks", report.About(a.above)))
	case !l.Averaged() && c.HasValue && c.Peak > l.Value:
		all = append(all, fmt.Sprintf("values above the limit, for %s in sum", report.About(a.above)))
	}
	all = append(all, lacks...)
	if o == limit.Within {
		what := "the highest value"
		if l.Averaged() {
			what = "the upper bound of each mean over " + quantity.FormatDuration(l.Averaging)
		}
		all = append(all, what+" is accepted by the decision rule, and nothing that could hide more was unseen")
	}
	if len(all) == 0 {
		all = append(all, "below the limit by less than the expanded uncertainty")
	}
	return all
}
