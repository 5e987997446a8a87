package acquire

import (
	"math"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// calm judges samples for as long as nothing happens: the post sees, its field stays
// at or below its limits, no alarm comes or goes, and nothing but numbers is said, or a
// temperature that nobody heeds. It
// leaves everything as judge would for one after the other, and returns how many it took; what
// comes then is for judge.
func (w *watch) calm(batch []Sample) (n int) {
	if !w.atEase() || batch[len(batch)-1].Mono-w.heard > w.post.Silent { // an offset may lead so far ahead
		return 0
	}
	b, probe := &w.bounds, &w.post.Probe
	from, most := b.From, w.lowestSpot()
	last, valid, still := w.last, w.valid, w.still
	good, under := w.counts.Samples[Quality(0).Class()], w.counts.Samples[UnderFloor.Class()]
	sees, happens, heeded := w.condition == Seeing, false, w.heedsWarmth()
	begun, _ := w.runs.Running()
	peak := w.runs.Peak()
	for n < len(batch) && !happens {
		s := &batch[n]
		lo, hi := s.S, s.S
		switch s.Quality {
		case UnderFloor:
			lo, hi = 0, probe.Floor
		case 0:
		default:
			hi = unknown()
		}
		r := &s.Reading
		if !(hi <= most) || s.Mono <= b.From || s.Mono-valid > w.post.Stale || r.Status != 0 || r.BatteryUnit != "" || r.HasTemp && heeded {
			break
		}
		if r.HasTemp {
			w.warm(s)
		}
		n++
		b.To = s.Mono
		if w.means.Observe(b) {
			happens = w.lookMeans()
		}
		d := b.To - b.From
		w.counts.Observed += d
		w.counts.Energy += max(last.S, 0).Over(d)
		b.From, b.Lo, b.Hi, b.U = s.Mono, lo, hi, s.U

		w.runs.Observe(s.Mono, s.S)
		since, running := w.runs.Running()
		if highest := w.runs.Peak(); highest != peak || since != begun {
			peak, begun, w.runPeakU = highest, since, s.U
		}
		if after := s.Mono - valid; !w.flaws.asBefore(after, since, running) {
			w.flaws.sample(s.Mono, after, since, running, w.runs.Cut(), false)
		}
		if w.slowed {
			w.smooth.observe(s.Mono, s.S, since, running)
		}
		if s.Quality != 0 {
			under++
			still = s.Mono
		} else {
			good++
			if r.Value != last.Reading.Value || r.Axes != last.Reading.Axes {
				still = s.Mono
			}
		}
		w.trace.add(s.Mono, s.S, true, false)
		w.peak.add(s.Mono, max(s.S, 0))
		last, valid = s, s.Mono
		happens = happens || running != sees || s.Mono-still > w.post.Stuck
	}
	if n == 0 {
		return 0
	}
	w.counts.Samples[Quality(0).Class()], w.counts.Samples[UnderFloor.Class()] = good, under
	w.valid, w.still = valid, still
	w.keep(last, true)
	// Of a field that stays at or below them the spots need to know only for how long.
	below := limit.Stretch{From: from, To: b.From, Seen: true}
	for _, i := range w.spots {
		w.held[i].sustained.Observe(&below)
	}
	if happens {
		w.tighten(true)
		w.step(last.Mono, last.At)
	}
	return n
}

// atEase says whether the post sees a field at or below its limits, and no alarm about
// that stands or has to be looked after.
func (w *watch) atEase() bool {
	b, newest := &w.bounds, w.newest
	if w.condition != Seeing && w.condition != Idle || w.tense || w.blind || w.battery || len(w.ruled) > 0 || w.stranger != nil {
		return false
	}
	return w.last == newest && newest.Seq > 0 && newest.Quality&^UnderFloor == 0 && w.wasValid && w.valid >= w.begun &&
		b.Seen && b.Hi <= w.lowestSpot() && !w.alarms[batteryAt].State.Present() && w.announced() == ""
}

// lowestSpot is the lowest of the limits that are not judged by a mean.
func (w *watch) lowestSpot() quantity.PowerDensity {
	lowest := quantity.PowerDensity(math.Inf(1))
	for _, i := range w.spots {
		lowest = min(lowest, w.held[i].limit.Value)
	}
	return lowest
}
