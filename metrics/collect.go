package metrics

import (
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// peakSpan is the longest time that the present and the last whole minute
// reach back.
const peakSpan = 2 * time.Minute

func (c *Collector) collectPost(o out, s acquire.Stats) {
	d, n := c.d, s.Counts
	o.gauge(d.power, power(s))
	o.gauge(d.ratio, ratio(s))
	for _, l := range s.Post.Limits() {
		o.gauge(d.limit, float64(l.Value), l.ID, string(l.Basis))
	}
	if n.HasPeak && s.Newest.Seq > 0 && s.Now.Sub(s.Newest.At) <= peakSpan {
		o.gauge(d.peak, float64(n.Peak), "1m")
	}
	o.counter(d.energy, float64(n.Energy))
	o.counter(d.observed, n.Observed.Seconds())
	o.counter(d.overRange, n.OverRange.Seconds())
	for i, word := range acquire.Classes() {
		o.counter(d.samples, float64(n.Samples[i]), word)
	}
	c.collectVerdict(o, s)
	alarms(o, d, s.Alarms)

	sight := s.Sight()
	for _, r := range acquire.Regards() {
		o.flag(d.regard, slices.Contains(sight.All, r), string(r))
	}
	o.flag(d.withdrawn, s.Withdrawn != nil)
	o.flag(d.probeUp, s.Up)
	o.flag(d.batteryLow, s.Battery)
	c.collectVitals(o, s)
	o.flag(d.blind, s.Blind())
	for _, w := range conditions() {
		o.flag(d.condition, s.Condition == w, string(w))
	}
	o.gauge(d.stale, s.Post.Stale.Seconds())
	if s.Newest.Seq > 0 {
		o.instant(d.lastSample, s.Newest.At)
	}
	if s.Last.Seq > 0 {
		o.instant(d.lastValidSample, s.Last.At)
	}
	o.counter(d.readErrors, float64(n.Unparsed), "unparsed")
	o.counter(d.readErrors, float64(n.Unanswered), "unanswered")
	o.counter(d.readErrors, float64(n.Missed), "missed")
	o.counter(d.late, float64(n.Late))
	o.counter(d.dropped, float64(n.DroppedBytes))
	o.counter(d.opens, float64(n.Connects))
	if s.Up && n.RoundTrip > 0 {
		o.gauge(d.roundTrip, n.RoundTrip.Seconds())
	}
}

// collectSum shows a sum of ratios of several frequencies.
func (c *Collector) collectSum(o out, v acquire.SumVerdict) {
	o.gauge(c.d.sumLower, v.Lo)
	o.gauge(c.d.sumUpper, v.Hi)
	for _, outcome := range []limit.Outcome{limit.Within, limit.Exceeds, limit.NotDecided} {
		o.flag(c.d.sumVerdict, v.Outcome == outcome, string(outcome))
	}
}

// conditions lists the words of a post's condition.
func conditions() []acquire.Condition {
	return []acquire.Condition{acquire.Starting, acquire.Seeing, acquire.Idle,
		acquire.StaleNow, acquire.StuckNow, acquire.SilentNow, acquire.AwayNow, acquire.TestNow}
}

// collectVerdict shows the verdict and the run it may rest on. A blind post is
// within nothing, whatever the snapshot says.
func (c *Collector) collectVerdict(o out, s acquire.Stats) {
	said := told(s.Binding(), s)
	for _, v := range []limit.Outcome{limit.Within, limit.Exceeds, limit.NotDecided} {
		o.flag(c.d.verdict, said == v, string(v))
	}
	for _, j := range s.All() {
		for _, v := range []limit.Outcome{limit.Within, limit.Exceeds, limit.NotDecided} {
			o.flag(c.d.limitVerdict, told(j, s) == v, j.Limit.ID, string(v))
		}
		if j.Averaged {
			o.gauge(c.d.meanLower, float64(j.Mean.Lo), j.Limit.ID)
			o.gauge(c.d.meanUpper, float64(j.Mean.Hi), j.Limit.ID)
			o.gauge(c.d.meanCover, j.Cover, j.Limit.ID)
		}
	}
	if !s.Blind() {
		o.flag(c.d.running, s.Running)
	}
}

// told is the outcome that may be shown.
func told(v limit.Verdict, s acquire.Stats) limit.Outcome {
	if v.Outcome == "" || v.Outcome == limit.Within && s.Blind() {
		return limit.NotDecided
	}
	return v.Outcome
}

// power returns the present power density in W/m², NaN when it is not known.
func power(s acquire.Stats) float64 {
	v := float64(s.Last.S)
	if s.Blind() || s.OverRange || s.Last.Seq == 0 || !s.Last.HasValue() || !fresh(s, s.Last) || math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

// ratio returns the value to the limit: +Inf while over range, NaN when
// unknown. Over-range is known although there is no number, so it shows unless
// nothing answers.
func ratio(s acquire.Stats) float64 {
	answers := s.Condition != acquire.SilentNow && s.Condition != acquire.Starting
	if s.OverRange && answers && s.Newest.Seq > 0 && fresh(s, s.Newest) {
		return math.Inf(1)
	}
	if math.IsNaN(power(s)) || math.IsInf(s.Verdict.Ratio, 0) {
		return math.NaN()
	}
	return s.Verdict.Ratio
}

// fresh says whether a sample is young enough to speak of the present.
func fresh(s acquire.Stats, of acquire.Sample) bool {
	return s.Post.Stale <= 0 || s.Now.Sub(of.At) <= s.Post.Stale
}

// alarms shows each rule once.
func alarms(o out, d *descs, all []alarm.Alarm) {
	for _, a := range all {
		o.flag(d.alarmActive, a.State.Standing(), string(a.Rule))
		o.flag(d.alarmUnacknowledged, a.State.Waits(), string(a.Rule))
		if shown := a.Shown(); shown != alarm.Normal {
			o.gauge(d.alarmState, 1, string(a.Rule), string(a.Urgency()), string(shown))
		}
	}
}

func (c *Collector) collectStation(o out) {
	d, site := c.d, c.o.Site
	o.flag(d.simulated, c.o.Simulated, site)
	o.gauge(d.build, 1, c.o.Version, c.goversion)
	if c.o.Reload != nil {
		r := c.o.Reload()
		o.flag(d.reloaded, r.Successful, site)
		o.instant(d.reloadedAt, r.Success, site)
	}
	if c.o.Alarms != nil {
		var own []alarm.Alarm
		for _, a := range c.o.Alarms() {
			if a.Post == "" {
				own = append(own, a)
			}
		}
		alarms(out{o.ch, o.kept, []string{site, "", "", ""}}, d, own)
	}
	if c.o.Record != nil {
		r := c.o.Record()
		o.instant(d.committed, r.Committed, site)
		o.gauge(d.pending, float64(r.Pending), site)
		o.counter(d.lost, float64(r.Lost), site)
		o.counter(d.damaged, float64(r.Damaged), site)
		o.counter(d.salvaged, float64(r.Salvaged), site)
		if r.Head.Day != "" {
			o.gauge(d.head, float64(r.Head.Entries), site, r.Head.Day, r.Head.SHA256)
		}
		o.flag(d.writable, r.Writable, site)
		o.flag(d.numberKept, r.NumberKept, site)
	}
	if c.o.Couriers != nil {
		for _, k := range c.o.Couriers() {
			o.counter(d.sent, float64(k.Sent), site, k.Name)
			o.counter(d.failed, float64(k.Failed), site, k.Name)
			o.counter(d.refused, float64(k.Refused), site, k.Name)
			o.gauge(d.waiting, float64(k.Waiting), site, k.Name)
			o.instant(d.accepted, k.LastAccepted, site, k.Name)
			o.counter(d.coalesced, float64(k.Coalesced), site, k.Name)
			o.counter(d.unlisted, float64(k.Unlisted), site, k.Name)
			o.flag(d.failing, k.Failing, site, k.Name)
			if k.Heartbeat > 0 {
				o.gauge(d.beatEvery, k.Heartbeat.Seconds(), site, k.Name)
				o.instant(d.beatLast, k.LastHeartbeat, site, k.Name)
			}
		}
	}
	if c.o.Remotes != nil {
		for _, r := range c.o.Remotes() {
			c.collectRemote(o, r)
		}
	}
}

func (c *Collector) collectRemote(o out, r RemoteState) {
	d, site := c.d, c.o.Site
	for _, n := range []struct {
		outcome string
		count   uint64
	}{{"sent", r.Sent}, {"refused", r.Refused}, {"too old", r.TooOld}, {"crowded", r.Crowded}} {
		o.counter(d.remoteSamples, float64(n.count), site, r.Name, n.outcome)
	}
	o.counter(d.remoteFailed, float64(r.Failed), site, r.Name)
	o.gauge(d.remoteBehind, r.Behind.Seconds(), site, r.Name)
	o.flag(d.remoteHeld, r.HeldBack, site, r.Name)
	o.instant(d.remoteAccepted, r.LastAccepted, site, r.Name)
}
