package store

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// The kinds of what the chain lists.
const (
	chainChunk = "chunk"
	chainEvent = "event"
)

// chainEnd is where the chain stands: the last entry, its UTC day (days since
// 1970), and the head after it.
type chainEnd struct {
	entry, day int64
	head       [sha256.Size]byte
}

// add returns the end after one more entry.
func (e chainEnd) add(day int64, kind string, ref int64, sum [sha256.Size]byte) chainEnd {
	h := sha256.New()
	h.Write(e.head[:])
	h.Write([]byte(kind))
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], uint64(ref))
	h.Write(b[:])
	h.Write(sum[:])
	next := chainEnd{entry: e.entry + 1, day: max(day, e.day)}
	h.Sum(next.head[:0])
	return next
}

// utcDay is the days since 1970 of an instant.
func utcDay(t time.Time) int64 { return floorDiv(t.Unix(), 86400) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// dayName writes a day as people do.
func dayName(day int64) string { return time.Unix(day*86400, 0).UTC().Format(time.DateOnly) }

// eventRow is an event as its table holds it.
type eventRow struct {
	id, at               int64
	post, kind, who, txt string
	raw                  []byte
	hasRaw               bool
	alarm                sql.NullString
	noAt                 bool // the instant is damaged
}

// tinyInstant is below what any event has; a damaged one may be.
const tinyInstant = 1_000_000_000

// rowOf is e as its table holds it.
func rowOf(e *acquire.Event) (eventRow, error) {
	r := eventRow{id: e.ID, at: nanos(e.At), post: e.Post, kind: string(e.Kind), who: e.Who,
		txt: strings.ToValidUTF8(e.Text, "\uFFFD"), raw: e.Raw, hasRaw: e.Raw != nil}
	if e.Alarm != nil {
		text, err := changeJSON(*e.Alarm)
		if err != nil {
			return r, err
		}
		r.alarm = sql.NullString{String: text, Valid: true}
	}
	return r, nil
}

// hash is SHA-256 of the columns in their order: id and at_ns as 8 bytes, low
// byte first, and of each other one a byte 1 (0 for NULL), its length as 8
// bytes, and its bytes.
func (r *eventRow) hash() (sum [sha256.Size]byte) {
	h := sha256.New()
	var b [8]byte
	number := func(n int64) {
		binary.LittleEndian.PutUint64(b[:], uint64(n))
		h.Write(b[:])
	}
	column := func(s []byte, has bool) {
		if !has {
			h.Write([]byte{0})
			return
		}
		h.Write([]byte{1})
		number(int64(len(s)))
		h.Write(s)
	}
	number(r.id)
	number(r.at)
	for _, s := range []string{r.post, r.kind, r.who, r.txt} {
		column([]byte(s), true)
	}
	column(r.raw, r.hasRaw)
	column([]byte(r.alarm.String), r.alarm.Valid)
	h.Sum(sum[:0])
	return sum
}

const selectEvents = "SELECT id, at_ns, post, kind, who, text, raw, alarm FROM events "

func (r *eventRow) scan(scan func(...any) error) error {
	var raw sql.RawBytes
	var at any
	var post, kind, who, txt sql.NullString
	err := scan(&r.id, &at, &post, &kind, &who, &txt, &raw, &r.alarm)
	whole := false
	r.at, whole = at.(int64) // what is damaged keeps nobody from the events behind it
	r.noAt = !whole || r.at < tinyInstant
	r.post, r.kind, r.who, r.txt = post.String, kind.String, who.String, txt.String
	r.raw, r.hasRaw = append([]byte(nil), raw...), raw != nil
	return err
}

// event is what the row says; it shares no memory with it. A change of an alarm that is
// damaged is none, so that it keeps nobody from what lies behind it: its bytes are Raw then.
func (r *eventRow) event() acquire.Event {
	e := acquire.Event{ID: r.id, At: instant(r.at), Post: r.post, Kind: acquire.Kind(r.kind), Who: r.who, Text: r.txt, Raw: append([]byte(nil), r.raw...)}
	if !r.alarm.Valid {
		return e
	}
	e.Alarm = new(alarm.Change)
	err := json.Unmarshal([]byte(r.alarm.String), e.Alarm)
	if c := e.Alarm; err == nil {
		e.Post = cmp.Or(e.Post, c.Post)
		if r.noAt { // nearly the same
			e.At = c.Changed
		}
	}
	if c := e.Alarm; err != nil || !c.State.Known() || !c.Aside.KnownAside() || c.Rule == "" || c.Post != e.Post {
		e.Alarm, e.Raw = nil, []byte(r.alarm.String)
		e.Text = "damaged in the record: this change of an alarm cannot be read; its words were: " + e.Text
	}
	return e
}

// loadChain reads where the chain ends.
func (w *writer) loadChain(ctx context.Context, c *sql.Conn) error {
	end, whole, err := headBefore(ctx, c, math.MaxInt64)
	if err != nil {
		return fmt.Errorf("read where the chain of hashes ends: %w", err)
	}
	var newest int64
	if err := c.QueryRowContext(ctx, "SELECT ifnull(max(entry), 0) FROM chain").Scan(&newest); err != nil {
		return fmt.Errorf("read the newest entry of the chain of hashes: %w", err)
	}
	if newest > end.entry || !whole { // the head of its day is damaged or lost, and no entry takes the number of another
		w.s.o.Log.Error("the head of the newest day of the chain of hashes is damaged; it is made again from the entries", "says", end.entry, "entries", newest)
		if end, whole, err = headBefore(ctx, c, end.day); err == nil && !whole {
			end = chainEnd{}
		}
		if err == nil {
			end, err = remadeChain(ctx, c, end)
		}
		if err != nil {
			return err
		}
	}
	over, whole, err := headBefore(ctx, c, utcDay(w.s.o.Now()))
	if err != nil {
		return fmt.Errorf("read the head of the last day: %w", err)
	}
	if !whole {
		over = chainEnd{}
	}
	w.chain, w.pending = end, end
	w.s.mu.Lock()
	defer w.s.mu.Unlock()
	w.s.state.chain, w.s.state.over = end, over
	return nil
}

// headBefore reads the newest head of a day before one. It is not whole where it is damaged.
func headBefore(ctx context.Context, c *sql.Conn, day int64) (end chainEnd, whole bool, err error) {
	var entry any
	var head []byte
	err = c.QueryRowContext(ctx, "SELECT day, entry, head FROM days WHERE day < ? ORDER BY day DESC LIMIT 1", day).Scan(&end.day, &entry, &head)
	if errors.Is(err, sql.ErrNoRows) {
		return end, true, nil
	}
	end.entry, whole = entry.(int64)
	return end, copy(end.head[:], head) == sha256.Size && len(head) == sha256.Size && whole, err
}

// remadeChain is where the chain ends by its entries behind a head.
func remadeChain(ctx context.Context, c *sql.Conn, end chainEnd) (chainEnd, error) {
	err := each(ctx, c, "SELECT entry, day, kind, ref, sha256 FROM chain WHERE entry > ? ORDER BY entry", func(scan func(...any) error) error {
		var e entryRow
		if err := scan(&e.entry, &e.day, &e.kind, &e.ref, &e.sum); err != nil {
			return err
		}
		var sum [sha256.Size]byte
		copy(sum[:], e.sum)
		end = end.add(e.day, e.kind, e.ref, sum)
		end.entry = e.entry
		return nil
	}, end.entry)
	if err != nil {
		return end, fmt.Errorf("make the end of the chain of hashes again: %w", err)
	}
	return end, nil
}

// enter adds an entry to the chain in the open transaction.
func (w *writer) enter(ctx context.Context, kind string, ref int64, sum [sha256.Size]byte) error {
	w.pending = w.pending.add(w.today, kind, ref, sum)
	_, err := w.exec(ctx, "INSERT INTO chain (entry, day, kind, ref, sha256) VALUES (?, ?, ?, ?, ?)",
		w.pending.entry, w.pending.day, kind, ref, sum[:])
	return err
}

// headOfDay writes the head of the day down, signed where there is a key, in the open
// transaction.
func (w *writer) headOfDay(ctx context.Context) error {
	if w.pending.entry == w.chain.entry {
		return nil
	}
	var signature, signer any
	if key := w.s.o.SigningKey; key != nil {
		signature, signer = ed25519.Sign(key, signedText(w.pending)), []byte(key.Public().(ed25519.PublicKey))
	}
	_, err := w.exec(ctx, `INSERT INTO days (day, entry, head, signature, signer) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET
		entry = excluded.entry, head = excluded.head, signature = excluded.signature, signer = excluded.signer`,
		w.pending.day, w.pending.entry, w.pending.head[:], signature, signer)
	return err
}

// signedText is what a day's signature is of.
func signedText(e chainEnd) []byte {
	return fmt.Appendf(nil, "ovenward record, day %s, entries %d, head %s\n", dayName(e.day), e.entry, hex.EncodeToString(e.head[:]))
}

// chained takes note that the open transaction was committed: its events are at
// hand. The head of a day that is over is told.
func (w *writer) chained() {
	before, now, entered := w.chain, w.pending, w.entered
	w.chain, w.entered = now, nil
	w.s.mu.Lock()
	w.s.recent.add(entered)
	st := &w.s.state
	if before.day != 0 && now.day > before.day {
		st.over = before
	}
	st.chain = now
	w.s.mu.Unlock()
	if before.day != 0 && now.day > before.day {
		w.s.o.Log.Info("the record's day is over; keep this head elsewhere to prove the record later",
			"day", dayName(before.day), "entries", before.entry, "head", hex.EncodeToString(before.head[:]))
	}
}

// Head is a head of the chain of hashes.
type Head struct {
	Day     string `json:"day"` // UTC, as 2031-05-20; empty: there is none yet
	Entries int64  `json:"entries"`
	SHA256  string `json:"sha256"`
}

func headOf(e chainEnd) Head {
	if e.entry == 0 {
		return Head{}
	}
	return Head{Day: dayName(e.day), Entries: e.entry, SHA256: hex.EncodeToString(e.head[:])}
}

// DayHead is the head of a UTC day, and who signed it.
type DayHead struct {
	Head
	Signature string `json:"signature,omitempty"` // Ed25519, in hexadecimal; empty: it is not signed
	Signer    string `json:"signer,omitempty"`    // the public key, in hexadecimal
}

// Heads returns the heads of the UTC days in which from and to lie and of those
// between, the oldest first; a zero time is no bound. A report shows the last of
// them: it proves all that was entered up to then.
func (r *Reader) Heads(ctx context.Context, from, to time.Time) (all []DayHead, err error) {
	first, last := int64(math.MinInt64), int64(math.MaxInt64)
	if !from.IsZero() {
		first = utcDay(from)
	}
	if !to.IsZero() {
		last = utcDay(to)
	}
	err = each(ctx, r.db, "SELECT day, entry, head, signature, signer FROM days WHERE day BETWEEN ? AND ? ORDER BY day", func(scan func(...any) error) error {
		var e chainEnd
		var head, signature, signer []byte
		err := scan(&e.day, &e.entry, &head, &signature, &signer)
		if errors.Is(err, ErrLost) {
			return nil
		}
		copy(e.head[:], head)
		all = append(all, DayHead{headOf(e), hex.EncodeToString(signature), hex.EncodeToString(signer)})
		return err
	}, first, last)
	if err != nil {
		return nil, fmt.Errorf("read the heads of the days: %w", err)
	}
	return all, nil
}
