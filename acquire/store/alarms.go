package store

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// schemaAlarms keeps what else there is to an alarm beside its state, and the
// rules of a post.
//
// alarms.state follows the condition, whatever else is so; aside says whether
// the alarm is set aside ('shelved', 'suppressed by design', 'out of service'),
// since aside_since_ns, by whom, why, and until when the shelf lasts, or what was
// announced. escalated_ns is when it was told on, told_ns when it was last told
// again. post_versions.rules is a JSON list of the rules that the configuration
// gives the post beside its limits; NULL is none.
const schemaAlarms = `
ALTER TABLE alarms ADD COLUMN priority TEXT NOT NULL DEFAULT '';
ALTER TABLE alarms ADD COLUMN aside TEXT NOT NULL DEFAULT '';
ALTER TABLE alarms ADD COLUMN aside_since_ns INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarms ADD COLUMN by_whom TEXT NOT NULL DEFAULT '';
ALTER TABLE alarms ADD COLUMN why TEXT NOT NULL DEFAULT '';
ALTER TABLE alarms ADD COLUMN until_ns INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarms ADD COLUMN escalated_ns INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarms ADD COLUMN told_ns INTEGER NOT NULL DEFAULT 0;
ALTER TABLE post_versions ADD COLUMN rules TEXT;
CREATE INDEX events_alarms ON events (at_ns) WHERE alarm IS NOT NULL;
`

const (
	setAlarm = `INSERT INTO alarms (post, rule, state, id, since_ns, changed_ns, event,
		priority, aside, aside_since_ns, by_whom, why, until_ns, escalated_ns, told_ns)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET state = excluded.state, id = excluded.id, since_ns = excluded.since_ns,
		changed_ns = excluded.changed_ns, event = excluded.event, priority = excluded.priority, aside = excluded.aside,
		aside_since_ns = excluded.aside_since_ns, by_whom = excluded.by_whom, why = excluded.why, until_ns = excluded.until_ns,
		escalated_ns = excluded.escalated_ns, told_ns = excluded.told_ns
		WHERE excluded.event >= event`
	selectAlarm = `SELECT post, rule, state, id, since_ns, changed_ns,
		priority, aside, aside_since_ns, by_whom, why, until_ns, escalated_ns, told_ns FROM alarms `
	selectAlarms = selectAlarm + "ORDER BY CAST(post AS TEXT), CAST(rule AS TEXT), event"
)

// alarmArgs are the values of setAlarm.
func alarmArgs(a alarm.Alarm, event int64) []any {
	return []any{a.Post, string(a.Rule), string(a.State), a.ID, nanos(a.Since), nanos(a.Changed), event,
		string(a.Priority), string(a.Aside), nanos(a.AsideSince), a.By, a.Why, nanos(a.Until), nanos(a.Escalated), nanos(a.Told)}
}

// errNoState is of a row of alarms that is damaged.
var errNoState = errors.New("which is none")

// scanAlarm reads a row of selectAlarms.
func scanAlarm(scan func(...any) error) (a alarm.Alarm, err error) {
	var since, changed, aside, until, escalated, told int64
	if err := scan(&a.Post, &a.Rule, &a.State, &a.ID, &since, &changed,
		&a.Priority, &a.Aside, &aside, &a.By, &a.Why, &until, &escalated, &told); err != nil {
		if errors.Is(err, ErrLost) {
			err = fmt.Errorf("alarm %s at post %q: %w, %w", a.Rule, a.Post, errNoState, err)
		}
		return a, err
	}
	a.Since, a.Changed = instant(since), instant(changed)
	a.AsideSince, a.Until, a.Escalated, a.Told = instant(aside), instant(until), instant(escalated), instant(told)
	if !a.State.Known() || !a.Aside.KnownAside() {
		return a, fmt.Errorf("alarm %s at post %q has the state %q, %q, %w", a.Rule, a.Post, a.State, a.Aside, errNoState)
	}
	return a, nil
}

// readAlarms reads how all alarms stand. Of one whose row is damaged its event says so, and
// where that is damaged too it counts as one that stands.
func readAlarms(ctx context.Context, from querier) ([]alarm.Alarm, error) {
	var all []alarm.Alarm
	var damaged []int
	err := each(ctx, from, selectAlarms, func(scan func(...any) error) error {
		a, err := scanAlarm(scan)
		if errors.Is(err, errNoState) {
			damaged, err = append(damaged, len(all)), nil
		}
		all = append(all, a)
		return err
	})
	for i := len(all) - 2; i >= 0; i-- { // where a key is damaged the next change made another row
		if all[i].Post == all[i+1].Post && all[i].Rule == all[i+1].Rule && err == nil {
			all = slices.Delete(all, i, i+1)
			damaged = slices.DeleteFunc(damaged, func(j int) bool { return j == i })
			for k := range damaged {
				if damaged[k] > i {
					damaged[k]--
				}
			}
		}
	}
	for _, i := range damaged {
		if err == nil {
			a := &all[i]
			a.State, a.Aside = alarm.Unacknowledged, alarm.NotAside
			err = each(ctx, from, selectEvents+"WHERE id = (SELECT event FROM alarms WHERE post = ? AND rule = ?)", func(scan func(...any) error) error {
				e, err := scanEvent(scan)
				if c := e.Alarm; c != nil && c.Post == a.Post && c.Rule == a.Rule && c.State.Known() && c.Aside.KnownAside() {
					*a = c.Alarm
				}
				return err
			}, a.Post, string(a.Rule))
		}
	}
	if err != nil {
		return nil, fmt.Errorf("read the alarms: %w", err)
	}
	return all, nil
}

// astrayAlarms are damaged: they rest on an event that was not given yet, or on one of something else.
const astrayAlarms = ` WHERE event >= ?1 OR EXISTS (SELECT 1 FROM events AS e WHERE e.id = alarms.event AND CASE WHEN e.alarm ISNULL THEN 1
	WHEN json_valid(e.alarm) THEN e.alarm ->> '$.post' <> CAST(alarms.post AS TEXT) OR e.alarm ->> '$.rule' <> CAST(alarms.rule AS TEXT) END)`

// alarmEvents has rows of alarms that went astray rest on their newest event again: they would
// take no change before the numbers have come so far, or nobody would be told that they stand.
func (w *writer) alarmEvents(ctx context.Context) error {
	var n int
	err := w.conn.QueryRowContext(ctx, "SELECT count(*) FROM alarms"+astrayAlarms, w.s.queue.nextEvent).Scan(&n)
	if err == nil && n == 0 {
		return nil
	}
	if err == nil {
		_, err = w.conn.ExecContext(ctx, `UPDATE alarms SET event = ifnull((SELECT max(e.id) FROM events AS e WHERE CASE WHEN json_valid(e.alarm)
			THEN e.alarm ->> '$.post' = CAST(alarms.post AS TEXT) AND e.alarm ->> '$.rule' = CAST(alarms.rule AS TEXT) END), iif(event < ?1, event, 0))`+astrayAlarms, w.s.queue.nextEvent)
	}
	if err != nil {
		return fmt.Errorf("look which events the alarms rest on: %w", err)
	}
	w.s.o.Log.Error("rows of alarms are damaged: they named events that are not theirs, and rest on the newest that are, where there are any", "rows", n)
	return nil
}

// standIn gives a damaged change back what the table of alarms says that it led to, where
// it is the newest of its alarm: people are to be told of that as of any.
func standIn(ctx context.Context, from querier, e *acquire.Event) error {
	return each(ctx, from, selectAlarm+"WHERE event = ?", func(scan func(...any) error) error {
		a, err := scanAlarm(scan)
		if errors.Is(err, errNoState) { // as readAlarms
			a.State, a.Aside, err = alarm.Unacknowledged, alarm.NotAside, nil
		}
		e.Alarm = &alarm.Change{Alarm: a, Reason: alarm.Unread}
		return err
	}, e.ID)
}

// recalled is of how long before the newest change of an alarm all changes are read at a
// start. What has waited for longer was told on: that is due within a day.
const recalled = 24 * time.Hour

// Both are sorted by +id, and not by id, or all events ever would be read in that order.
const (
	lastChanges = "WHERE alarm IS NOT NULL AND at_ns >= (SELECT max(at_ns) FROM events WHERE alarm IS NOT NULL) - ? ORDER BY +id"
	// Those with a damaged instant too, which is text, bytes or a tiny number: the change itself may say when it was.
	inTime = `WHERE id IN (SELECT id FROM events WHERE alarm IS NOT NULL AND at_ns >= ? AND at_ns < ?
		UNION ALL SELECT id FROM events WHERE alarm IS NOT NULL AND at_ns >= ''
		UNION ALL SELECT id FROM events WHERE alarm IS NOT NULL AND at_ns < 1000000000) ORDER BY id`
	inOccurrence = "alarm IS NOT NULL AND at_ns >= ? AND CASE WHEN json_valid(alarm) THEN alarm ->> '$.id' END = ? ORDER BY +id"
)

// recallWaits has alarms know since when they wait and call. What cannot be read keeps
// no record from being opened: those alarms have waited since their raise.
func recallWaits(ctx context.Context, from querier, alarms map[alarmKey]alarm.Alarm) {
	_ = each(ctx, from, selectEvents+lastChanges,
		func(scan func(...any) error) error {
			var r eventRow
			if err := r.scan(scan); err != nil {
				return err
			}
			e := r.event()
			if e.Alarm == nil {
				return nil // the next one may say more
			}
			key := alarmKey{e.Alarm.Post, e.Alarm.Rule}
			if a, is := alarms[key]; is {
				alarms[key] = a.Recalling(*e.Alarm, e.At)
			}
			return nil
		}, int64(recalled))
}

// Changes yields the committed changes of alarms with instants from from on and
// before to, in the order of their numbers; not those that are damaged.
func (r *Reader) Changes(ctx context.Context, from, to time.Time) iter.Seq2[acquire.Event, error] {
	return r.changes(ctx, from, to, false)
}

// DamagedChanges yields those of them that are damaged; see eventRow.event.
func (r *Reader) DamagedChanges(ctx context.Context, from, to time.Time) iter.Seq2[acquire.Event, error] {
	return r.changes(ctx, from, to, true)
}

func (r *Reader) changes(ctx context.Context, from, to time.Time, damaged bool) iter.Seq2[acquire.Event, error] {
	return func(yield func(acquire.Event, error) bool) {
		stopped := errors.New("no more is wanted")
		err := each(ctx, r.db, selectEvents+inTime,
			func(scan func(...any) error) error {
				e, err := scanEvent(scan)
				at := nanos(e.At)
				if in := at >= nanos(from) && at < nanos(to) || at < tinyInstant; err == nil && in && (e.Alarm == nil) == damaged && !yield(e, nil) {
					err = stopped
				}
				return err
			}, nanos(from), nanos(to))
		if err != nil && err != stopped {
			yield(acquire.Event{}, fmt.Errorf("read the changes of alarms: %w", err))
		}
	}
}

// Occurrence returns all committed changes of one occurrence of an alarm, in the
// order of their numbers; none where there never was one of that id.
func (r *Reader) Occurrence(ctx context.Context, id string) ([]acquire.Event, error) {
	from := int64(0) // ids end with the instant of their raise, where nothing can lie before
	if i := strings.LastIndex(id[:max(strings.LastIndex(id, "."), 0)], "."); i >= 0 {
		if at, err := time.Parse(occurrenceStamp, id[i+1:]); err == nil {
			from = nanos(at.Add(-time.Minute)) // stamps may differ by as much as the clock was set
		}
	}
	all, err := r.events(ctx, inOccurrence, from, id)
	if err != nil {
		return nil, fmt.Errorf("read the history of alarm %s: %w", id, err)
	}
	return all, nil
}

// occurrenceStamp is how the id of an occurrence ends; see package alarm.
const occurrenceStamp = "20060102T150405.000Z"

// rulesOf writes the rules of a post as JSON; NULL when there are none.
func rulesOf(rules []acquire.Rule) any {
	if len(rules) == 0 {
		return nil
	}
	return jsonOrNull(rules)
}

// Space tells how much of the record's disk was free for us when the writer last
// looked, and its size, in bytes; 0 of 0 where that is not known. It does not wait
// for the disk.
func (s *Store) Space() (free, size uint64, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.state.free, s.state.size, nil
}

// measure looks how full the disk is. Only the writer does, for a disk may hang.
func (w *writer) measure() {
	free, size, err := space(w.s.dir)
	if err != nil {
		free, size = 0, 0
	}
	w.s.mu.Lock()
	defer w.s.mu.Unlock()
	w.s.state.free, w.s.state.size = free, size
}

// DiskSpace asks how much of the disk of a folder is free for this user, and its
// size, in bytes. It may wait for the disk.
func DiskSpace(dir string) (free, size uint64, err error) { return space(dir) }
