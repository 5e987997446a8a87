package remotewrite

import (
	"maps"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// postLabels are the encoded labels of a post's series, in one place.
type postLabels struct {
	place                          Place
	value, over                    []byte
	samples                        [6][]byte
	lost, energy, observed, ranged []byte
	limits                         [][]byte
	active, unacknowledged         map[alarm.Rule][]byte
	own                            []label
}

// labelsOf returns the labels of a post's series; of the station's own where
// post is empty.
func (t *timeline) labelsOf(post string, p *postProgress) *postLabels {
	place := t.placeOf(post, p)
	if l := t.labels[post]; l != nil && l.place == place {
		return l
	}
	own := []label{{"site", t.o.Site}, {"post", post}, {"oven", place.Oven}, {"probe", place.Probe}}
	if place.Simulated {
		own = append(own, label{"origin", "simulated"})
	}
	with := func(name string, more ...label) []byte {
		return encodeLabels(name, append(own[:len(own):len(own)], more...))
	}
	l := &postLabels{place: place, own: own, value: with(PowerDensity), over: with(OverRange), lost: with(lostTotal),
		energy: with(energyTotal), observed: with(observedTotal), ranged: with(overRangeTotal),
		active: map[alarm.Rule][]byte{}, unacknowledged: map[alarm.Rule][]byte{}}
	for i, word := range acquire.Classes() {
		l.samples[i] = with(samplesTotal, label{"quality", word})
	}
	if c := t.configured(post); c != nil {
		for _, lim := range c.Limits() {
			l.limits = append(l.limits, with(limitGauge, label{"limit", lim.ID}, label{"basis", string(lim.Basis)}))
		}
	}
	t.labels[post] = l
	return l
}

// placeOf is where a post is: by its samples, and before the first by the
// configuration.
func (t *timeline) placeOf(post string, p *postProgress) Place {
	if p != nil && p.Place != (Place{}) {
		return p.Place
	}
	if c := t.configured(post); c != nil {
		return Place{Oven: c.Oven, Probe: c.Probe.ID, Simulated: c.Probe.Simulated}
	}
	return Place{}
}

func (t *timeline) configured(post string) *acquire.Post {
	for i := range t.o.Posts {
		if t.o.Posts[i].ID == post {
			return &t.o.Posts[i]
		}
	}
	return nil
}

func (l *postLabels) alarm(r alarm.Rule) (active, unacknowledged []byte) {
	if l.active[r] == nil {
		own := append(l.own[:len(l.own):len(l.own)], label{"rule", string(r)})
		l.active[r], l.unacknowledged[r] = encodeLabels(alarmActive, own), encodeLabels(alarmUnacknowledged, own)
	}
	return l.active[r], l.unacknowledged[r]
}

// alarm adds a point of an alarm's state.
func (t *timeline) alarm(b *batch, l *postLabels, r alarm.Rule, a *alarmProgress, ms int64) {
	if ms <= a.Ms {
		return
	}
	a.Ms = ms
	active, un := l.alarm(r)
	b.add(active, ms, flag(a.State.Standing()))
	b.add(un, ms, flag(a.State == alarm.Unacknowledged || a.State == alarm.ReturnedUnacknowledged || a.State == alarm.LatchedUnacknowledged))
}

// tick adds a point of every state and counter that is known at an instant.
func (t *timeline) tick(b *batch, ms int64) {
	t.p.Tick = ms
	at := time.UnixMilli(ms)
	for _, post := range slices.Sorted(maps.Keys(t.p.Posts)) {
		p := t.p.Posts[post]
		l := t.labelsOf(post, p)
		t.blind(b, p, l, at)
		if !t.known(post, p, ms) {
			t.endTicks(b, p, l, ms)
			continue
		}
		t.counters(b, p, l, ms)
		t.overTick(b, p, l, ms)
		for _, r := range t.rules(post) {
			t.alarm(b, l, r, t.p.alarm(post, r), ms)
		}
		if c := t.configured(post); c != nil && ms >= t.started {
			for i, lim := range c.Limits() {
				b.add(l.limits[i], ms, float64(lim.Value))
			}
		}
		p.Ticks = true
	}
	if ms >= t.started || ms-t.p.Heard <= goesOn.Milliseconds() {
		station := t.labelsOf("", nil)
		for _, r := range t.rules("") {
			t.alarm(b, station, r, t.p.alarm("", r), ms)
		}
	}
}

// known says whether anybody knows how a post is at an instant: the station runs,
// or something was heard of it shortly before.
func (t *timeline) known(post string, p *postProgress, ms int64) bool {
	recent := goesOn.Milliseconds()
	if ms-p.Heard <= recent {
		return true
	}
	runs := ms >= t.started || p.Heard > 0 && ms-t.p.Heard <= recent
	return runs && t.configured(post) != nil
}

func (t *timeline) counters(b *batch, p *postProgress, l *postLabels, ms int64) {
	for i, n := range p.Samples {
		b.add(l.samples[i], ms, float64(n))
	}
	b.add(l.lost, ms, float64(p.Lost))
	b.add(l.energy, ms, p.Energy)
	b.add(l.observed, ms, p.Observed)
	b.add(l.ranged, ms, p.OverRange)
}

// overTick says whether the post is over range, while its newest sample holds.
func (t *timeline) overTick(b *batch, p *postProgress, l *postLabels, ms int64) {
	if p.Seq == 0 || p.Heard == 0 || ms <= p.Over.Last {
		return
	}
	if time.UnixMilli(ms).Sub(p.At) <= p.Place.Stale {
		p.Over.Last = ms
		b.add(l.over, ms, flag(p.IsOver))
	} else if p.Over.Last > 0 {
		p.Over.Last = 0
		b.add(l.over, ms, Stale())
	}
}

// endTicks ends the series of states and counters: nobody knows them from here.
func (t *timeline) endTicks(b *batch, p *postProgress, l *postLabels, ms int64) {
	if !p.Ticks {
		return
	}
	p.Ticks = false
	all := append(l.samples[:len(l.samples):len(l.samples)], l.lost, l.energy, l.observed, l.ranged)
	if p.Over.Last > 0 {
		p.Over.Last = max(ms, p.Over.Last+1)
		b.add(l.over, p.Over.Last, Stale())
	}
	for r, a := range t.p.Alarms[l.post()] {
		active, un := l.alarm(r)
		a.Ms = max(ms, a.Ms+1)
		b.add(active, a.Ms, Stale())
		b.add(un, a.Ms, Stale())
	}
	if ms > t.started {
		all = append(all, l.limits...)
	}
	for _, labels := range all {
		b.add(labels, ms, Stale())
	}
}

func (l *postLabels) post() string { return l.own[1].value }

// rules lists the alarms that a post can have, and those that it had, in order.
func (t *timeline) rules(post string) []alarm.Rule {
	var all []alarm.Rule
	if c := t.configured(post); c != nil {
		all = []alarm.Rule{alarm.Exceeds, alarm.Silent, alarm.Stale, alarm.Stuck, alarm.Fault, alarm.Battery, alarm.Temperature}
		for _, l := range c.More {
			all = append(all, alarm.ExceedsOf(l.ID))
		}
	} else if post == "" {
		all = []alarm.Rule{alarm.Record}
	}
	for r := range t.p.Alarms[post] {
		all = append(all, r)
	}
	slices.Sort(all)
	return slices.Compact(all)
}
