package guide

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// MarkOrder asks for one mark of a walk back with a post's probe.
type MarkOrder struct {
	Who      string
	Distance quantity.Length // +Inf: the oven is off
	Turn     time.Duration   // of the stirrer; 0: 12 s is taken
}

// Bounds of a mark; our own choice.
const (
	usualTurn = 12 * time.Second // 5 turns a minute (from memory)
	mostTurn  = time.Minute
	markAway  = 30 * time.Minute
)

// marking is a mark that is being taken.
type marking struct {
	post int
	hold *survey.MarkHold
	done chan struct{}
}

// Check says what the order lacks.
func (o MarkOrder) Check() error {
	switch {
	case strings.TrimSpace(o.Who) == "":
		return errors.New("a mark needs the name of who takes it")
	case !(o.Distance > 0):
		return errors.New(`say at which distance the probe is held, or "off" for a hold with the oven off`)
	case o.Turn != 0 && (o.Turn < time.Second || o.Turn > mostTurn):
		return fmt.Errorf("a turn of the stirrer takes 1 s to %s", mostTurn)
	}
	return nil
}

// Mark holds a post's probe for two turns of the stirrer, and returns what it came
// to. The post is away from then on, for half an hour at most.
func (g *Guide) Mark(ctx context.Context, post string, o MarkOrder) (survey.Mark, error) {
	if err := o.Check(); err != nil {
		return survey.Mark{}, err
	}
	if o.Turn == 0 {
		o.Turn = usualTurn
	}
	var st acquire.Stats
	found := false
	for _, s := range g.o.Station().Stats() {
		if s.Post.ID == post {
			st, found = s, true
		}
	}
	if !found {
		return survey.Mark{}, acquire.ErrNoPost
	}
	m, err := g.beginMark(st, o)
	if err != nil {
		return survey.Mark{}, err
	}
	select {
	case <-m.done:
	case <-ctx.Done():
		g.dropMark(m)
		return survey.Mark{}, fmt.Errorf("take a mark: %w", ctx.Err())
	}
	mark, err := m.hold.Mark()
	if err != nil {
		return mark, err
	}
	at := "with the oven off"
	if !mark.Off() {
		at = "at " + mark.Distance.String()
	}
	g.o.Record.Record(acquire.Event{At: g.now(), Post: post, Kind: acquire.KindSurvey, Who: o.Who, Text: fmt.Sprintf(
		"mark of a walk back %s, with probe %s: %s, standard uncertainty %s, mean over two turns of %s", at, st.Post.Probe.ID, mark.Value, mark.U, o.Turn)})
	return mark, nil
}

func (g *Guide) beginMark(st acquire.Stats, o MarkOrder) (*marking, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, v := range g.all {
		if v.post == st.Index {
			return nil, fmt.Errorf("survey %s is under way with this probe: end it first", v.id)
		}
	}
	for _, m := range g.marks {
		if m.post == st.Index {
			return nil, errors.New("a mark is being taken with this probe already")
		}
	}
	if st.Condition != acquire.AwayNow {
		if err := g.o.Station().Announce(st.Index, alarm.Away, o.Who, "a walk back", markAway); err != nil {
			return nil, err
		}
	}
	most := quantity.PowerDensity(math.Inf(1)) // no limit on ovens: 100 mW/cm² alone ends it
	if l, ok := emission(st.Post); ok {
		most = l.Value
	}
	m := &marking{post: st.Index, done: make(chan struct{}), hold: &survey.MarkHold{Distance: o.Distance, Begun: g.now(),
		Response: st.Post.Probe.Response, Turn: o.Turn, Floor: st.Post.Probe.Floor, End: survey.EndOf(most)}}
	g.marks = append(g.marks, m)
	g.want()
	return m, nil
}

func (g *Guide) dropMark(gone *marking) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.endMarks(func(m *marking) bool { return m == gone })
}

// endMarks lets go of the marks that are over. The caller holds the lock.
func (g *Guide) endMarks(over func(*marking) bool) {
	kept := g.marks[:0]
	for _, m := range g.marks {
		if over(m) {
			close(m.done)
		} else {
			kept = append(kept, m)
		}
	}
	if len(kept) != len(g.marks) {
		g.marks = kept
		g.want()
	}
}

// beatMarks hands readings on. The caller holds the lock.
func (g *Guide) beatMarks(got []arrived, now time.Time) {
	g.endMarks(func(m *marking) bool {
		for _, a := range got {
			if a.post == m.post && m.hold.Observe(a.r) {
				return true
			}
		}
		return m.hold.Overdue(now)
	})
}
