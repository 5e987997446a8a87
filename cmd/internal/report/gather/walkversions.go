package gather

import (
	"time"

	"ovenward/acquire/cycle"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// inForce are the versions of a post that held within a time; the first one of all where
// none did yet.
func inForce(all []store.History, from, to time.Time) (held []*store.History) {
	for i := range all {
		if !all[i].ValidFrom.Before(to) {
			continue
		}
		if !all[i].ValidFrom.After(from) {
			held = held[:0] // those before were over by then
		}
		held = append(held, &all[i])
	}
	if len(held) == 0 && len(all) > 0 {
		held = append(held, &all[0])
	}
	return held
}

// use takes up a version of the post. Runs are told on where it says nothing new of what
// the probe sees; else what rest looks like is not known any more.
func (w *walk) use(h *store.History) {
	if w.now == h {
		return
	}
	before := w.now
	w.now = h
	w.top, _, w.lo = h.Top()
	if before != nil && !h.StandsAs(before) {
		w.forget()
	}
	if before != nil && seesAs(before) == seesAs(h) {
		return
	}
	was := w.runs
	w.runs = cycle.NewRuns(seesAs(h).Options)
	if was == nil {
		return
	}
	n, _ := was.Finished()
	w.goesOn = w.goesOn && n == 0 // else it has ended
	if _, running := was.Running(); running {
		n++
		w.goesOn = true
	}
	w.counted += n
	if w.goesOn = w.goesOn && before.Oven == h.Oven; w.goesOn {
		w.runs.GoOn(was)
	}
}

// forget begins the windows of means anew that have begun: what they hold is the field of
// another place.
func (w *walk) forget() {
	for i := w.today; i < len(w.days) && w.days[i].from-w.lead < w.stretch.From; i++ {
		for _, a := range w.days[i].limits {
			if a.window != nil {
				a.window = limit.NewMean(a.limit.Averaging, w.most, w.mostU)
			}
		}
	}
}

// sees is what a version of a post says of what its probe sees of an oven's runs.
type sees struct {
	cycle.Options
	oven, place, probe, port string
	distance                 quantity.Length
}

func seesAs(h *store.History) sees {
	p := &h.Probe
	return sees{cycle.Options{Floor: p.Floor, Gap: h.RunGap, Response: p.Response, Stale: h.Stale}, h.Oven, h.OvenPlace, p.ID, p.Port, h.Distance}
}
