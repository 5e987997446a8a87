package web

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// Geometry of a sparkline: a unit of its width is one of its points.
const (
	sparkSpan   = time.Hour
	sparkPoints = 30
	sparkHeight = 24
	sparksEvery = time.Minute // how old one may grow
)

// spark is the last hour of a post as a small picture: the highest value of each
// two minutes as a line, and what was not seen as blocks. It is a shape, so it
// is the same in every unit.
type spark struct {
	Read   bool   // from the record; false: not yet
	Line   string // SVG path
	Gaps   string // SVG path, as wide as the spark is high
	LimitY int    // of the limit that binds

	lo, hi, limit float64 // W/m²; NaN: nothing was seen
	over          bool
	unseen        time.Duration
}

// coded is a spark for the stream, with the words of it.
func (s spark) coded(v voice) string {
	if !s.Read {
		return ""
	}
	return strings.Join([]string{strconv.Itoa(s.LimitY), s.Line, s.Gaps, s.words(v)}, "|")
}

// sparks keeps the sparks of all posts.
type sparks struct {
	mu  sync.Mutex
	all map[string]spark
}

func (s *sparks) of(post string) spark {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.all[post]
}

// Run reads the last hour of each post from the record, again and again, until
// ctx ends: the overview then waits for no disk. Once it has returned, streams
// end, so that whoever follows comes to the server that stands in its place.
func (s *Server) Run(ctx context.Context) error {
	defer s.end()
	beat := time.NewTicker(sparksEvery)
	defer beat.Stop()
	for {
		s.readSparks(ctx)
		if s.o.Round != nil {
			s.o.Round()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
		}
	}
}

// readSparks reads the last hour of every post once.
func (s *Server) readSparks(ctx context.Context) {
	if s.o.Series == nil {
		return
	}
	for _, st := range s.o.Station.Stats() {
		to := s.o.Now()
		// The record's points begin at whole minutes: two more let each be two minutes wide.
		points, err := s.o.Series(ctx, st.Post.ID, to.Add(-sparkSpan), to, sparkPoints+2)
		if ctx.Err() != nil {
			return
		}
		if err != nil && len(points) == 0 {
			s.log.Warn("the last hour of a post could not be read for the overview", "post", st.Post.ID, "err", err)
			continue
		}
		sp := sparkOf(points, float64(bindingLimit(st).Value), &st.Post.Probe, to)
		s.sparks.mu.Lock()
		s.sparks.all[st.Post.ID] = sp
		s.sparks.mu.Unlock()
	}
}

// sparkOf draws the points of the last hour before to.
func sparkOf(points []store.Point, bound float64, probe *acquire.Probe, to time.Time) spark {
	s := spark{Read: true, lo: math.NaN(), hi: math.NaN(), limit: bound}
	width := sparkSpan / sparkPoints
	at := columns(points, to)
	for _, p := range at {
		if p == nil {
			continue
		}
		if p.Values > 0 {
			s.lo, s.hi = fmin(s.lo, p.Min), fmax(s.hi, p.Max)
		}
		s.over = s.over || p.OverRange > 0 || p.Classes[overClass] > 0
	}
	top := 1.25 * fmax(bound, s.hi)
	y := func(v float64) int { return sparkHeight - int(math.Round(sparkHeight*min(max(v/top, 0), 1))) }
	s.LimitY = y(bound)
	var line, gaps strings.Builder
	last := -1 // the y of the point before, -1: a gap
	gap := 0   // how many points were not seen just now
	unseen := func(k int) {
		if gap > 0 {
			fmt.Fprintf(&gaps, "M%d %dh%d", k-gap, sparkHeight/2, gap)
		}
		gap = 0
	}
	for k, p := range at {
		switch {
		case p == nil || p.Samples == 0 || (p.Values == 0 || unknownIn(p, probe)) && p.OverRange == 0:
			gap++
			s.unseen += width
			last = -1
		default:
			unseen(k)
			now := y(p.Max)
			if p.OverRange > 0 {
				now = 0
			}
			if last < 0 {
				fmt.Fprintf(&line, "M%d %dh1", k, now)
			} else {
				fmt.Fprintf(&line, "v%dh1", now-last)
			}
			last = now
		}
	}
	unseen(sparkPoints)
	s.Line, s.Gaps = strings.ReplaceAll(line.String(), "v0h1", "h1"), gaps.String()
	return s
}

// unknownIn says of a point that its values are all so far below zero that the zero
// was off: drawn on the line of zero they would pass for a field that is none.
func unknownIn(p *store.Point, probe *acquire.Probe) bool {
	return p.Values > 0 && probe.BelowZero(quantity.PowerDensity(p.Max))
}

// columns puts the points of the last hour before to into its columns. A point that is
// as wide as a column, or wider, stands in each whose middle it covers, for the points
// of a record begin where they will; of narrower ones the highest stands in theirs.
func columns(points []store.Point, to time.Time) (at [sparkPoints]*store.Point) {
	const width = sparkSpan / sparkPoints
	from := to.Add(-sparkSpan)
	for i := range points {
		p := &points[i]
		first, last := p.From.Sub(from), p.To.Sub(from) // half open
		if last-first < width {
			middle := (first + last) / 2
			if k := int(middle / width); middle >= 0 && k < sparkPoints {
				if at[k] == nil || p.OverRange > 0 || p.Values > 0 && !(p.Max <= at[k].Max) && at[k].OverRange == 0 {
					at[k] = p
				}
			}
			continue
		}
		for k := range at {
			if middle := time.Duration(k)*width + width/2; first <= middle && middle < last {
				at[k] = p
			}
		}
	}
	return at
}

// overClass is the place of over-range in acquire.Classes.
const overClass = 1

func fmin(a, b float64) float64 {
	if math.IsNaN(a) || b < a {
		return b
	}
	return a
}

func fmax(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

// words tells a spark in one sentence, for those who do not see it.
func (s spark) words(v voice) string {
	if !s.Read {
		return v.t("overview.spark_unread")
	}
	text := v.t("overview.spark_none")
	if !math.IsNaN(s.lo) {
		lo := strings.TrimSuffix(v.unit.print(quantity.PowerDensity(s.lo), 2), " "+v.unit.String())
		text = v.t("overview.spark", "lo", lo, "hi", v.unit.print(quantity.PowerDensity(s.hi), 2))
	}
	if s.over {
		text += v.t("overview.spark_over")
	}
	if s.unseen > 0 && s.unseen < sparkSpan {
		text += v.t("overview.spark_unseen", "x", int(s.unseen.Minutes()))
	}
	return text
}

// bindingLimit is the limit that says most of a post's field.
func bindingLimit(st acquire.Stats) limit.Limit {
	if l := st.Binding().Limit; l.Value > 0 {
		return l
	}
	return st.Post.Limit
}
