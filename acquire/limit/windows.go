package limit

import (
	"slices"
	"time"

	"ovenward/acquire/quantity"
)

// Windows are the means of one field that several limits are held against. A
// stretch is turned into quanta once for all, and limits with the same averaging
// time share a window. The zero value is not usable.
type Windows struct {
	quanta
	topU  quantity.PowerDensity
	means []*Mean
	spans []time.Duration // of means
	held  []against
}

// against is one limit and the window it is held against.
type against struct {
	mean  *Mean
	limit uint64 // in quanta, rounded down
}

// NewWindows makes windows for values of one probe; top and topU are those of
// NewMean.
func NewWindows(top, topU quantity.PowerDensity) *Windows {
	return &Windows{quanta: NewMean(time.Second, top, topU).quanta, topU: topU}
}

// Hold adds a limit on the mean over span, and returns its place and its window.
// It must be called before anything is observed.
func (w *Windows) Hold(l quantity.PowerDensity, span time.Duration) (place int, m *Mean) {
	i := slices.Index(w.spans, span)
	if i < 0 {
		i = len(w.means)
		w.means, w.spans = append(w.means, NewMean(span, w.top, w.topU)), append(w.spans, span)
	}
	down, _ := w.round(l)
	w.held = append(w.held, against{w.means[i], down})
	return len(w.held) - 1, w.means[i]
}

// Observe adds the next stretch to all windows, as Mean.Observe does.
func (w *Windows) Observe(st *Stretch) {
	if len(w.means) == 0 {
		return
	}
	x := w.sift(st)
	for _, m := range w.means {
		m.observe(&x)
	}
}

// Against is Mean.Against of the limit at a place.
func (w *Windows) Against(place int) (above, kept bool, to time.Duration) {
	a := &w.held[place]
	return a.mean.against(a.limit)
}
