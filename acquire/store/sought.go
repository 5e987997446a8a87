package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/cycle"
)

// schemaSought finds what is asked for again and again among years of other events:
// when contacts said that ovens were switched to heat, and when probes were away. Its
// indexes are of these alone: one over all events would cost each alarm a page, and
// lists of the newest events a sort. The queries name what they want outright, for
// SQLite takes an index of some rows only where it sees that these are the ones. JSON
// that is damaged must keep no record from this form, so it is not parsed.
const (
	schemaSought = "CREATE INDEX events_power ON events (post, at_ns) WHERE " + isPower + ";\n" +
		"CREATE INDEX events_away ON events (post) WHERE " + isAway

	isPower = "kind = '" + string(acquire.KindPower) + "'"
	isAway  = `instr(alarm, '"rule":"` + string(alarm.Away) + `"') > 0`

	selectPower = "SELECT id, raw FROM events WHERE " + isPower + " AND post = ? AND at_ns >= ? ORDER BY id"
	selectAway  = "SELECT id, at_ns, alarm FROM events WHERE " + isAway + " AND post = ? ORDER BY id"
)

// Switched reads when contacts at a post said that an oven was switched to heat, which
// need not be the one that stands there now: in order and joined, of what ended at an
// instant or later. What was read is whole but for what a *LeftOut names.
func (r *Reader) Switched(ctx context.Context, post, oven string, from time.Time) ([]cycle.Switched, error) {
	var out []cycle.Switched
	var left LeftOut
	err := each(ctx, r.db, selectPower,
		func(scan func(...any) error) error {
			var id int64
			var raw []byte
			if err := scan(&id, &raw); err != nil {
				return err
			}
			var s cycle.Switched
			switch {
			case json.Unmarshal(raw, &s) != nil:
				left.Events = append(left.Events, id)
			case s.Oven == oven:
				out = append(out, s)
			}
			return nil
		}, post, nanos(from))
	if err == nil && left.Events != nil {
		err = &left
	}
	if err != nil {
		err = fmt.Errorf("read when oven %s of post %s was switched to heat: %w", oven, post, err)
	}
	return cycle.Join(out), err
}

// LeftOut names events that are damaged, where all else was read.
type LeftOut struct{ Events []int64 }

func (l *LeftOut) Error() string {
	if len(l.Events) == 1 {
		return fmt.Sprintf("event %d is damaged in the record, and left out; see ovenward verify", l.Events[0])
	}
	return fmt.Sprintf("%d events are damaged in the record, and left out; the first is %d; see ovenward verify", len(l.Events), l.Events[0])
}

// stretch is from begin up to end, ns.
type stretch struct{ from, to int64 }

func (s stretch) holds(at int64) bool { return at >= s.from && at < s.to }

// away is when the probe of a post was away. A change that is damaged keeps no post from
// starting: that the probe went or came back then, the next one tells, or the alarm itself.
func (r *Reader) away(ctx context.Context, post string) ([]stretch, error) {
	var out []stretch
	var doubt stretch // from the first to the newest change that is damaged, since one that is not
	var newest int64  // the event of that
	change := func(at int64, is bool) {
		n := len(out)
		open := n > 0 && out[n-1].to == math.MaxInt64
		switch {
		case is && !open:
			out = append(out, stretch{min(at, cmp.Or(doubt.from, at)), math.MaxInt64})
		case !is && open:
			out[n-1].to = at
		case !is && doubt.from != 0:
			out = append(out, stretch{doubt.from, at})
		}
		doubt = stretch{}
	}
	err := each(ctx, r.db, selectAway,
		func(scan func(...any) error) error {
			var id int64
			var when any
			var text string
			if err := scan(&id, &when, &text); err != nil {
				return err
			}
			at, whole := when.(int64)
			var c alarm.Change
			err := json.Unmarshal([]byte(text), &c)
			if !whole {
				at = nanos(c.Changed)
			}
			if err != nil || !c.State.Known() {
				doubt, newest = stretch{cmp.Or(doubt.from, at), at}, id
				return nil
			}
			is := c.State.Present()
			if since := nanos(c.Since); is && since != 0 {
				at = min(at, since) // an event that stands in for one that is lost came later
			}
			change(at, is)
			return nil
		}, post)
	if err == nil && doubt.from != 0 {
		var now alarm.State
		err = r.db.QueryRowContext(ctx, "SELECT state FROM alarms WHERE post = ? AND rule = ? AND event = ?", post, string(alarm.Away), newest).Scan(&now)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			err = nil
		case err == nil && now.Present():
			change(doubt.from, true)
		case err == nil:
			change(doubt.to, false)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("read when the probe of post %s was away: %w", post, err)
	}
	return out, nil
}
