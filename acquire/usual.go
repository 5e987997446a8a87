package acquire

import (
	"time"

	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// usual is what readings have in common that come in one go, where they are as most are: said
// unasked, with a value, in the unit of the last one, on a clock that is trusted.
type usual struct {
	ok       bool
	from, to int64 // ns since 1970: the certificate is in force, and no other one comes, in [from, to); nowhere before the first
	wall     int64 // instant of the newest sample, ns since 1970
	byteTime time.Duration
	held     time.Duration // by which all were sensed before they were seen
	atU      time.Duration
}

// usual holds until another certificate comes into force.
func (w *watch) usual() usual {
	held := w.timing.Latency / 2
	from, to := w.chain.Force()
	return usual{ok: w.multiple > 0 && !w.line.parted && !w.clock.unsure(), from: from, to: min(to, w.nextCertificate), wall: w.line.wall.UnixNano(),
		byteTime: w.timing.ByteTime, held: held - w.post.Probe.Offset, atU: systemDelay + held + w.clock.bound()}
}

// asUsual makes a sample of a frame, as sample and correct do, where it is as usual, its
// correction a zero and a factor, and its value one that the probe can show. Else it
// returns false and leaves all as it was.
func (w *watch) asUsual(f *drivers.Frame, s *Sample, as *usual) bool {
	r, probe := &s.Reading, &w.post.Probe
	if !as.ok || r.Status != 0 || !r.HasValue || !f.Departed.IsZero() || r.Unit != w.unitSaid {
		return false
	}
	arrived, at := f.Arrived.Sub(w.epoch), f.Arrived
	before := time.Duration(f.Behind)*as.byteTime + as.held
	if before != 0 {
		at = at.Add(-before)
	}
	at, mono := at.UTC(), arrived-before // without its monotonic reading
	ns, elapsed := at.UnixNano(), max(mono-w.line.mono, 0)
	if on := time.Duration(ns - as.wall); ns < as.from || ns >= as.to || !alike(on, elapsed) {
		return false
	}
	raw := quantity.PowerDensity(r.Value.Float() * w.multiple)
	value, u, plain := w.chain.Plain(raw)
	if !plain || raw > probe.Range || w.belowZero(value) {
		return false
	}
	w.line.mono, w.line.wall, as.wall = max(mono, w.line.mono), at, ns
	w.sensed = max(mono, w.sensed)
	w.heard, w.wasHeard = max(arrived, w.heard), true
	w.seq++
	s.Seq, s.At, s.AtU, s.Mono, s.Said, s.S, s.U, s.Quality = w.seq, at, as.atU, w.sensed, f.Bytes, value, u, 0
	if value < probe.Floor {
		s.Quality = UnderFloor
	}
	w.raw.add(s.Mono, raw)
	return true
}
