package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire/alarm"
)

// rowEntry compares an entry of the chain that is neither of a chunk nor of an
// event with what it is of.
func (v *verifier) rowEntry(ctx context.Context, e *entryRow, sum [sha256.Size]byte) error {
	switch e.kind {
	case chainSigning:
		v.signing = append(v.signing, signingEntry{e.entry, e.day, sum})
		return nil
	case chainRemoved:
		return v.removedEntry(ctx, e, sum)
	case chainRollups:
		return v.rollupsEntry(ctx, e, sum)
	}
	t, ok := rowTableOf(e.kind)
	if !ok {
		v.rep.addf("entry %d of the chain of hashes is of kind %q, which is none", e.entry, e.kind)
		return nil
	}
	v.rep.Rows++
	got, err := rowHash(ctx, v.rows, t, e.ref)
	gone := errors.Is(err, sql.ErrNoRows)
	if t.name == "told" { // its rows are removed by age; numbers may come again
		over, err := v.removedLater(ctx, e, sum)
		if err != nil || over {
			return err
		}
	}
	switch {
	case gone:
		v.rep.add(Problem{From: dayBegin(e.day), Text: fmt.Sprintf("row %d of table %s, entered on %s, %s", e.ref, t.name, dayName(e.day), v.gone)})
	case err != nil:
		return err
	case got != sum:
		v.rep.add(Problem{From: dayBegin(e.day), Text: fmt.Sprintf("row %d of table %s, entered on %s, was changed", e.ref, t.name, dayName(e.day))})
	}
	return nil
}

// removedLater says whether nothing is left to compare an entry of a row with: the
// row was removed by a later entry, or the entry is that of its removal.
func (v *verifier) removedLater(ctx context.Context, e *entryRow, sum [sha256.Size]byte) (bool, error) {
	var next []byte
	err := v.reader.db.QueryRowContext(ctx, "SELECT sha256 FROM chain WHERE kind = ? AND ref = ? AND entry > ? ORDER BY entry LIMIT 1", e.kind, e.ref, e.entry).Scan(&next)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return false, err
	}
	var zeros [sha256.Size]byte
	if sum != zeros {
		return bytes.Equal(next, zeros[:]), nil
	}
	if next != nil {
		return true, nil // another row took the number
	}
	var there int
	err = v.rows.QueryRowContext(ctx, "SELECT count(*) FROM told WHERE told = ?", e.ref).Scan(&there)
	return there == 0, err
}

func dayBegin(day int64) time.Time { return time.Unix(day*86400, 0).UTC() }

// newest returns the hash of the newest entry of kind and ref before an entry; nil
// where there is none.
func (v *verifier) newest(ctx context.Context, kind string, ref, before int64) (sum []byte, err error) {
	err = v.reader.db.QueryRowContext(ctx, "SELECT sha256 FROM chain WHERE kind = ? AND ref = ? AND entry < ? ORDER BY entry DESC LIMIT 1", kind, ref, before).Scan(&sum)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return sum, err
}

// removedEntry checks what is left of a chunk that was removed on purpose.
func (v *verifier) removedEntry(ctx context.Context, e *entryRow, sum [sha256.Size]byte) error {
	samples, err := v.newest(ctx, chainChunk, e.ref, e.entry)
	if err != nil {
		return err
	}
	var fromSeq, toSeq, rows, from, to, state int64
	var event sql.NullInt64
	var empty bool
	err = loosely(v.reader.db.QueryRowContext(ctx, "SELECT from_seq, to_seq, samples, from_ns, to_ns, state, removed, data IS NULL FROM chunks WHERE id = ?", e.ref).Scan,
		&fromSeq, &toSeq, &rows, &from, &to, &state, &event, &empty)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // told with the entry of the chunk
	}
	if err != nil && !errors.Is(err, ErrLost) { // what does not fit makes another hash
		return err
	}
	p := Problem{Post: v.name(int32(e.ref >> 32)), From: instant(from), To: instant(to)}
	told, err := v.newest(ctx, chainEvent, event.Int64, math.MaxInt64)
	switch {
	case err != nil:
		return err
	case state != removed || !empty:
		p.Text = fmt.Sprintf("chunk %d was removed on %s, and something stands there", e.ref&math.MaxUint32, dayName(e.day))
	case samples == nil || told == nil || removedHash(samples, e.ref, fromSeq, toSeq, rows, from, to, event.Int64) != sum:
		p.Text = fmt.Sprintf("what is left of chunk %d, which was removed on %s, is not what was left: its samples had been changed before, or its row was later",
			e.ref&math.MaxUint32, dayName(e.day))
	default:
		return nil
	}
	v.rep.add(p)
	return nil
}

// rollupsEntry checks a blob of sums; the newest entry of it counts.
func (v *verifier) rollupsEntry(ctx context.Context, e *entryRow, sum [sha256.Size]byte) error {
	var newest int64
	err := v.reader.db.QueryRowContext(ctx, "SELECT max(entry) FROM chain WHERE kind = 'rollups' AND ref = ?", e.ref).Scan(&newest)
	if err != nil || newest != e.entry {
		return err
	}
	var data []byte
	err = v.reader.db.QueryRowContext(ctx, "SELECT data FROM rollups WHERE id = ?", e.ref).Scan(&data)
	gone := errors.Is(err, sql.ErrNoRows)
	if err != nil && !gone {
		return err
	}
	v.rep.Rows++
	from, to := slotSpan(e.ref)
	p := Problem{Post: v.name(int32(e.ref >> 32)), From: from, To: to}
	switch onPurpose := sum == [sha256.Size]byte{}; {
	case gone && onPurpose || !gone && sha256.Sum256(data) == sum:
		return nil
	case gone:
		p.Text = "the sums over that time were deleted by no event"
	default:
		p.Text = fmt.Sprintf("the sums over that time, entered on %s, were changed", dayName(e.day))
	}
	v.rep.add(p)
	return nil
}

// slotSpan is the time that a blob of sums is of.
func slotSpan(id int64) (from, to time.Time) {
	slot, span := id&math.MaxInt32, int64(slotMinutes*60)
	if id>>31&1 == perHour {
		span = slotHours * 3600
	}
	return time.Unix(slot*span, 0).UTC(), time.Unix((slot+1)*span, 0).UTC()
}

// inserted finds rows that the chain does not know.
func (v *verifier) inserted(ctx context.Context) error {
	for _, t := range rowTables() {
		err := each(ctx, v.reader.db, t.unchained(), func(scan func(...any) error) error {
			var ref int64
			err := scan(&ref)
			v.rep.addf("row %d of table %s was inserted: the chain of hashes does not know it", ref, t.name)
			return err
		})
		if err != nil {
			return err
		}
	}
	return each(ctx, v.reader.db, `SELECT r.id FROM rollups AS r WHERE (r.id & 2147483647) <> 2147483647 AND r.id NOT IN (SELECT ref FROM chain WHERE kind = 'rollups')
		AND EXISTS (SELECT 1 FROM rollups AS n WHERE n.id > r.id AND n.id >> 31 = r.id >> 31 AND (n.id & 2147483647) <> 2147483647)`, func(scan func(...any) error) error {
		var id int64
		err := scan(&id)
		from, to := slotSpan(id)
		v.rep.add(Problem{Post: v.name(int32(id >> 32)), From: from, To: to, Text: "sums were inserted: the chain of hashes does not know them"})
		return err
	})
}

// alarms compares the present states of alarms with the events that they rest on.
func (v *verifier) alarms(ctx context.Context) error {
	tx, err := v.reader.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	newest := map[alarmKey]int64{}
	err = each(ctx, tx, "SELECT max(id), alarm ->> '$.post', alarm ->> '$.rule' FROM events WHERE alarm IS NOT NULL AND json_valid(alarm) GROUP BY 2, 3",
		func(scan func(...any) error) error {
			var id int64
			var post, rule sql.NullString
			err := scan(&id, &post, &rule)
			if post.Valid && rule.Valid { // else it is damaged, which is told with the event
				newest[alarmKey{post.String, alarm.Rule(rule.String)}] = id
			}
			return err
		})
	if err != nil {
		return err
	}
	all, err := readAlarms(ctx, tx)
	if err != nil {
		return err
	}
	type row struct{ event, state, aside any } // as they are, whatever fits
	rows := map[alarmKey]row{}
	err = each(ctx, tx, "SELECT CAST(post AS TEXT), CAST(rule AS TEXT), event, state, aside FROM alarms ORDER BY event", func(scan func(...any) error) error {
		var k alarmKey
		var x row
		err := scan(&k.post, &k.rule, &x.event, &x.state, &x.aside)
		rows[k] = x
		return err
	})
	if err != nil {
		return err
	}
	for _, a := range all {
		k := alarmKey{a.Post, a.Rule}
		event, _ := rows[k].event.(int64)
		state, _ := rows[k].state.(string)
		aside, is := rows[k].aside.(string)
		if a.State, a.Aside = alarm.State(state), alarm.State(aside); !is {
			a.Aside = "none"
		}
		v.alarm(ctx, tx, a, event, newest[k])
		delete(newest, k)
	}
	for k := range newest {
		v.rep.add(Problem{Post: k.post, Text: fmt.Sprintf("the state of the alarm %s was deleted", k.rule)})
	}
	return nil
}

// alarm compares one state with its event.
func (v *verifier) alarm(ctx context.Context, q querier, a alarm.Alarm, event, newest int64) {
	p := Problem{Post: a.Post, From: a.Changed}
	var text sql.NullString
	var whole bool
	if q.QueryRowContext(ctx, "SELECT json_valid(alarm) FROM events WHERE id = ?", event).Scan(&whole) == nil && !whole {
		return // that this event was changed is told already
	}
	err := q.QueryRowContext(ctx, "SELECT alarm FROM events WHERE id = ?", newest).Scan(&text)
	var said alarm.Change
	if err == nil {
		err = json.Unmarshal([]byte(text.String), &said)
	}
	want, got := alarmArgs(said.Alarm, newest), alarmArgs(a, event)
	if newest != 0 && err == nil && fmt.Sprint(want) == fmt.Sprint(got) {
		return
	}
	p.Text = fmt.Sprintf("the state of the alarm %s is not the one of event %d, its newest: it was changed", a.Rule, newest)
	if newest == 0 {
		p.Text = fmt.Sprintf("the state of the alarm %s rests on no event: it was inserted, or the event is lost", a.Rule)
	}
	v.rep.add(p)
}
