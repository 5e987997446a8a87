package gather

import (
	"math"
	"time"

	"ovenward/acquire/limit"
	"ovenward/cmd/internal/report"
)

// spend accounts for the time up to now.
func (w *walk) spend(now time.Duration) {
	if w.runs != nil {
		w.runs.Advance(now)
	}
	if !w.has {
		w.observe(limit.Stretch{From: min(0, now), To: now})
		return
	}
	b := w.stretch
	if b.From >= now {
		return
	}
	held := min(now, b.From+w.now.Stale)
	if b.Seen && held > b.From {
		b.To = held
		w.observe(b)
	} else {
		held = b.From
	}
	if held < now {
		w.observe(limit.Stretch{From: held, To: now})
	}
	w.stretch.From = now
	w.stretch.Seen = false // what held was given out
}

// observe hands a stretch to the windows, day by day.
func (w *walk) observe(st limit.Stretch) {
	for i := w.today; i < len(w.days) && w.days[i].from-w.lead < st.To; i++ {
		w.days[i].observe(st)
	}
	st.From = max(st.From, 0)
	if st.To <= st.From {
		return
	}
	w.mean.Observe(st)
	long := st.To - st.From
	_, running := w.runs.Running()
	switch {
	case !st.Seen:
		w.missed(st.From, st.To)
		return
	case math.IsInf(float64(st.Hi), 1):
		w.out.OverRange += long
	default:
		w.out.Seen += long
	}
	if last, _ := w.runs.Last(); running && last == st.From {
		w.on += long // the newest sample is emission
	}
}

// missed notes what was not seen; neighbours are one gap.
func (w *walk) missed(from, to time.Duration) {
	w.out.GapsSum += to - from
	if !w.gap.is || w.gap.to != from {
		w.closeGap()
		w.gap.from, w.gap.is = from, true
	}
	w.gap.to = to
	w.goesOn = w.goesOn && to-w.gap.from <= w.now.RunGap
}

func (w *walk) closeGap() {
	if w.gap.is {
		w.gaps = append(w.gaps, report.Gap{From: w.from.Add(w.gap.from), To: w.from.Add(w.gap.to)})
		w.gap.is = false
	}
}
