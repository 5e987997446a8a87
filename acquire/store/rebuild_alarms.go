package store

import (
	"context"
	"fmt"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// groundAlarms gives alarms an event that says how they stood, where the one that
// said so is lost, and takes those that have one from it, those too whose row is lost.
func (w *writer) groundAlarms(ctx context.Context) error {
	var last []acquire.Event
	if err := each(ctx, w.conn, selectEvents+"WHERE id IN (SELECT max(id) FROM events WHERE json_valid(alarm) GROUP BY alarm ->> '$.post', alarm ->> '$.rule')", func(scan func(...any) error) error {
		e, err := scanEvent(scan)
		if e.Alarm != nil {
			last = append(last, e)
		}
		return err
	}); err != nil {
		return err
	}
	for _, e := range last {
		if _, err := w.exec(ctx, setAlarm, alarmArgs(e.Alarm.Alarm, e.ID)...); err != nil {
			return err
		}
	}
	all, err := readAlarms(ctx, w.conn)
	if err != nil {
		return err
	}
	for _, a := range all {
		var newest, now int64
		if err := w.conn.QueryRowContext(ctx, `SELECT ifnull((SELECT max(id) FROM events WHERE alarm IS NOT NULL
			AND CASE WHEN json_valid(alarm) THEN alarm ->> '$.post' = ?1 AND alarm ->> '$.rule' = ?2 END), 0), (SELECT event FROM alarms WHERE post = ?1 AND rule = ?2)`, a.Post, string(a.Rule)).Scan(&newest, &now); err != nil {
			return err
		}
		if newest == now {
			if _, err := w.exec(ctx, setAlarm, alarmArgs(a, now)...); err != nil { // it may be damaged
				return err
			}
			continue
		}
		w.s.mu.Lock()
		id := max(w.s.queue.nextEvent, now+1)
		w.s.queue.nextEvent = id + 1
		w.s.mu.Unlock()
		e := acquire.Event{ID: id, At: w.s.o.Now().UTC(), Post: a.Post, Kind: acquire.KindRecord,
			Text: fmt.Sprintf("the alarm %s stood as %q in the broken record; the event that said so is lost", a.Rule, a.State), Alarm: &alarm.Change{Alarm: a, From: a.State}}
		if a.State.Standing() {
			e.Alarm.Reason = alarm.Unread // people are told of it
		}
		if err := w.writeEvent(ctx, &e, &batch{}); err != nil {
			return err
		}
	}
	return nil
}
