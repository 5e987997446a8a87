package acquire

import (
	"time"

	"ovenward/acquire/quantity"
)

const (
	traceWidth = 250 * time.Millisecond
	traceSlots = 1200 // five minutes
)

// trace is a ring of slots on the monotonic clock.
type trace struct {
	slots  [traceSlots]Slot
	newest int64

	from, to time.Duration // the span of one slot,
	place    int64         // and where that is; not known while the span is none
}

func (t *trace) add(at time.Duration, s quantity.PowerDensity, hasValue, overRange bool) {
	if at < t.from || at >= t.to {
		n := int64(at / traceWidth)
		t.advance(n)
		if n <= t.newest-traceSlots || n < 0 {
			return
		}
		t.place = n % traceSlots
		t.from, t.to = time.Duration(n)*traceWidth, time.Duration(n+1)*traceWidth
	}
	slot := &t.slots[t.place]
	slot.OverRange = slot.OverRange || overRange
	if !hasValue {
		return
	}
	if slot.N++; slot.N == 1 {
		slot.Lo, slot.Hi = s, s
		return
	}
	slot.Lo, slot.Hi = min(slot.Lo, s), max(slot.Hi, s)
}

func (t *trace) advance(n int64) {
	if n-t.newest >= traceSlots {
		t.slots, t.newest = [traceSlots]Slot{}, n
		t.from, t.to = 0, 0
		return
	}
	for t.newest < n {
		t.newest++
		t.slots[t.newest%traceSlots] = Slot{}
		t.from, t.to = 0, 0
	}
}

// read copies the ring as it stands at an instant, on both clocks.
func (t *trace) read(mono time.Duration, wall time.Time) Trace {
	t.advance(int64(mono / traceWidth))
	out := Trace{
		Width: traceWidth,
		End:   wall.Add(time.Duration(t.newest+1)*traceWidth - mono).UTC(),
		Slots: make([]Slot, 0, traceSlots),
	}
	for n := max(t.newest-traceSlots+1, 0); n <= t.newest; n++ {
		out.Slots = append(out.Slots, t.slots[n%traceSlots])
	}
	return out
}
