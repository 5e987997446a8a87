package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"sort"
	"strconv"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// Bounds of a strip chart.
const (
	leastSpan  = 10 * time.Second
	usualSpan  = 5 * time.Minute
	mostSpan   = 30 * 366 * 24 * time.Hour
	leastWidth = 280 // px
	usualWidth = 720
	mostWidth  = 2400
	perPoint   = 2 // px
)

// view is what part of a post's past is looked at, and how wide it is drawn.
type view struct {
	post  string
	span  time.Duration
	end   time.Time // zero: now, and it goes on
	width int       // px
	now   time.Time
}

// viewOfQuery reads span (s), end (ms since 1970, left out for now) and w (px).
func viewOfQuery(r *http.Request, now time.Time) (view, string) {
	v := view{post: r.PathValue("id"), span: usualSpan, width: usualWidth, now: now}
	q := r.URL.Query()
	if text := q.Get("span"); text != "" {
		s, err := strconv.ParseFloat(text, 64)
		if err != nil || !(s > 0) || s > mostSpan.Seconds() {
			return v, "span: write how many seconds are shown"
		}
		v.span = max(time.Duration(s*float64(time.Second)), leastSpan)
	}
	if text := q.Get("end"); text != "" {
		ms, err := strconv.ParseInt(text, 10, 64)
		if err != nil || ms < 0 || ms > now.UnixMilli()+int64(mostSpan/time.Millisecond) {
			return v, "end: write the last instant shown, in ms since 1970 UTC, or leave it out for now"
		}
		if v.end = time.UnixMilli(ms); !v.end.Before(now) {
			v.end = time.Time{}
		}
	}
	w, err := queryInt(r, "w", usualWidth, leastWidth, mostWidth)
	if err != nil {
		return v, fmt.Sprintf("w: write a width from %d to %d", leastWidth, mostWidth)
	}
	v.width = int(w)
	return v, ""
}

func (v view) to() time.Time {
	if v.end.IsZero() {
		return v.now
	}
	return v.end
}

func (v view) from() time.Time { return v.to().Add(-v.span) }

// query writes the view as viewOfQuery reads it.
func (v view) query() string {
	text := "span=" + strconv.FormatFloat(v.span.Seconds(), 'f', -1, 64)
	if !v.end.IsZero() {
		text += "&end=" + strconv.FormatInt(v.end.UnixMilli(), 10)
	}
	if v.width != usualWidth {
		text += "&w=" + strconv.Itoa(v.width)
	}
	return text
}

// zoomed shows factor times the span about the middle; panned moves by a part of
// the span. Neither goes beyond now.
func (v view) zoomed(factor float64) view {
	middle := v.to().Add(-v.span / 2)
	live := v.end.IsZero()
	v.span = min(max(time.Duration(float64(v.span)*factor), leastSpan), mostSpan)
	if !live {
		v.end = middle.Add(v.span / 2)
	}
	return v.bounded()
}

func (v view) panned(part float64) view {
	v.end = v.to().Add(time.Duration(part * float64(v.span)))
	return v.bounded()
}

func (v view) bounded() view {
	if !v.end.Before(v.now) {
		v.end = time.Time{}
	}
	return v
}

// seen is what a strip chart shows: the points, and what happened meanwhile.
type seen struct {
	view
	points []store.Point
	damage string // what could not be read
	alarms []stretchOf
	runs   []stretchOf
}

// stretchOf is a stretch of time with what it is.
type stretchOf struct {
	from, to time.Time // to is zero while it goes on
	text     string
	high     bool
}

// see reads what a view shows of a post.
func (s *Server) see(ctx context.Context, v voice, st acquire.Stats, at view) (seen, error) {
	out := seen{view: at}
	points, err := s.points(ctx, st, at.from(), at.to(), max(at.width/perPoint, 1))
	if err != nil && len(points) == 0 {
		return out, err
	}
	if err != nil {
		out.damage = err.Error()
	}
	out.points = points
	if out.alarms, err = s.alarmStretches(ctx, v, st, at); err != nil {
		return out, err
	}
	out.runs, err = s.runStretches(ctx, v, st, at)
	return out, err
}

// runStretches finds when the oven ran in a view: by the record, and by the station
// what the record does not have yet.
func (s *Server) runStretches(ctx context.Context, v voice, st acquire.Stats, at view) ([]stretchOf, error) {
	var out []stretchOf
	known := st.RanTo.IsZero()
	if s.o.Ran != nil {
		runs, err := s.o.Ran(ctx, st.Post.ID, at.from(), at.to(), max(at.width/perPoint, 1))
		if err != nil {
			return nil, err
		}
		for _, r := range runs {
			known = known || r.From.Before(st.RanTo) && r.To.After(st.RanFrom)
			text := v.t("post.run", "peak", v.peak(r.Peak))
			if r.Runs > 1 {
				text = v.t("post.run_many", "n", r.Runs, "peak", v.peak(r.Peak))
			}
			out = append(out, stretchOf{from: r.From, to: r.To, text: text})
		}
	}
	if !known {
		last := stretchOf{from: st.RanFrom, to: st.RanTo, text: v.t("post.run", "peak", v.peak(st.RunPeak))}
		if st.Running && !st.Blind() {
			last.to = time.Time{}
		}
		out = append(out, last)
	}
	return out, nil
}

func (v voice) peak(s quantity.PowerDensity) string {
	switch {
	case math.IsInf(float64(s), 1):
		return v.t("words.over_range")
	case math.IsNaN(float64(s)):
		return v.t("runs.unknown")
	}
	return v.read(s)
}

// points reads the record; without one, the station's own trace.
func (s *Server) points(ctx context.Context, st acquire.Stats, from, to time.Time, n int) ([]store.Point, error) {
	if s.o.Series != nil {
		return s.o.Series(ctx, st.Post.ID, from, to, n)
	}
	t := s.o.Station.Trace(st.Index)
	first := t.End.Add(-time.Duration(len(t.Slots)) * t.Width)
	var out []store.Point
	for i, slot := range t.Slots {
		p := store.Point{From: first.Add(time.Duration(i) * t.Width), Sums: store.Sums{
			Samples: int64(slot.N), Values: int64(slot.N), Min: float64(slot.Lo), Max: float64(slot.Hi), Sum: math.NaN()}}
		p.To = p.From.Add(t.Width)
		if slot.OverRange {
			p.OverRange, p.Samples, p.Classes[overClass] = t.Width, p.Samples+1, 1
		}
		if p.Samples > 0 && !p.From.Before(from) && p.From.Before(to) {
			out = append(out, p)
		}
	}
	return out, nil
}

// alarmStretches finds when alarms of the post stood in a view.
func (s *Server) alarmStretches(ctx context.Context, v voice, st acquire.Stats, at view) ([]stretchOf, error) {
	from, to := at.from(), at.to()
	open := map[alarm.Rule]int{}
	touched := map[alarm.Rule]bool{}
	var out []stretchOf
	begin := func(rule alarm.Rule, from time.Time) {
		open[rule] = len(out)
		out = append(out, stretchOf{from: from, text: v.rule(rule), high: rule.IsExceedance()})
	}
	if s.o.Changes != nil {
		for e, err := range s.o.Changes(ctx, from, to) {
			if err != nil {
				return out, fmt.Errorf("read the alarms of post %s: %w", st.Post.ID, err)
			}
			if e.Post != st.Post.ID || e.Alarm == nil || e.Alarm.Rule.IsNotice() {
				continue
			}
			rule := e.Alarm.Rule
			i, is := open[rule]
			switch stands := e.Alarm.State.Standing(); {
			case stands && !is && !touched[rule] && e.Alarm.Since.Before(from):
				begin(rule, from)
			case stands && !is:
				begin(rule, e.At)
			case !stands && is:
				out[i].to = e.At
				delete(open, rule)
			case !stands && !touched[rule] && e.Alarm.From.Standing():
				begin(rule, from)
				out[open[rule]].to = e.At
				delete(open, rule)
			}
			touched[rule] = true
		}
	}
	for _, a := range st.Alarms {
		if a.State.Standing() && !touched[a.Rule] && !a.Rule.IsNotice() && a.Since.Before(to) {
			begin(a.Rule, a.Since)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].from.Before(out[j].from) })
	return out, nil
}
