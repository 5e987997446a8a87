package store

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"time"

	"ovenward/acquire/store/chunk"
)

// Problem is something in a record that is not as it was written.
type Problem struct {
	Post string    `json:"post,omitempty"`
	From time.Time `json:"from,omitzero"` // what it concerns, both ends included; zero where not known
	To   time.Time `json:"to,omitzero"`
	Text string    `json:"text"`
}

// Report is what Verify found.
type Report struct {
	Chunks     int64        `json:"chunks"` // entries of the chain that were checked, as Events
	Events     int64        `json:"events"`
	Rows       int64        `json:"rows"`                  // other entries: what never changes of the plain tables, and sums
	Samples    int64        `json:"samples"`               // that were decoded
	Days       int          `json:"days"`                  // with a head
	Signed     int          `json:"signed"`                // heads whose signature is right
	Head       Head         `json:"head"`                  // of the chain as it stands
	Signers    []string     `json:"signers,omitempty"`     // public keys of those, in hexadecimal
	SignedFrom string       `json:"signed_from,omitempty"` // UTC day from which the chain says that heads are signed; empty: it says that none is
	Unsealed   []Unsealed   `json:"unsealed,omitempty"`    // what the chain does not hold yet
	Uncompared []Uncompared `json:"uncompared,omitempty"`  // runs and hourly sums that could not be made again
	Problems   []Problem    `json:"problems,omitempty"`
	More       int64        `json:"more,omitempty"` // problems beyond those listed
}

// Unsealed are the newest samples of a post, which enter the chain when their
// chunk is full, after an hour, and when the UTC day or the program ends. Check
// sums alone guard them: they show accidents, and no edit.
type Unsealed struct {
	Post    string    `json:"post"`
	From    time.Time `json:"from"`
	Samples int64     `json:"samples"`
}

// maxProblems bounds what one report lists.
const maxProblems = 1000

// Intact says whether nothing was found.
func (r *Report) Intact() bool { return len(r.Problems) == 0 }

func (r *Report) add(p Problem) {
	if len(r.Problems) >= maxProblems {
		r.More++
		return
	}
	r.Problems = append(r.Problems, p)
}

func (r *Report) addf(format string, args ...any) {
	r.add(Problem{Text: fmt.Sprintf(format, args...)})
}

// verifier is a check under way.
type verifier struct {
	reader   *Reader
	rows     querier // what the chain is compared with, but for samples and sums
	gone     string  // how it is told of a row that is not there
	rep      Report
	posts    map[int32]string
	block    chunk.Block
	days     map[int64]dayRow // by their last entry
	headless map[int64]bool   // days whose head is damaged
	last     int64            // entry of the newest head
	keys     []ed25519.PublicKey
	signing  []signingEntry
	sums     map[int32]*resum
	open     map[string]*Unsealed
}

type dayRow struct {
	chainEnd
	signature, signer []byte
}

// Verify checks all that is recorded: the database, every chunk and block, and
// the chain of hashes. With keys each head that should be signed must be, by one
// of them. It may run beside the daemon and holds no read for long. An error is
// that it could not be done; what it finds is in the report.
func (r *Reader) Verify(ctx context.Context, keys ...ed25519.PublicKey) (*Report, error) {
	v := &verifier{reader: r, rows: r.db, gone: "was deleted", posts: map[int32]string{}, days: map[int64]dayRow{}, headless: map[int64]bool{}, keys: keys, sums: map[int32]*resum{}, open: map[string]*Unsealed{}}
	promised, err := r.promised()
	if err != nil {
		return &v.rep, err
	}
	// Making runs again takes some time: it goes beside.
	var made Report
	var madeErr error
	remade := make(chan struct{})
	go func() { defer close(remade); madeErr = v.history(ctx, &made) }()
	defer func() { <-remade }()
	for _, step := range []struct {
		what string
		do   func(context.Context) error
	}{
		{"the database", v.database}, {"the posts", v.names}, {"the heads of the days", v.heads}, {"the chain of hashes", v.chain},
		{"the signatures", v.signatures}, {"what the chain lacks", v.unchained}, {"rows that the chain lacks", v.inserted},
		{"the alarms", v.alarms}, {"the chunks that grow", v.growing}, {"the newest commits", v.commits},
		{"what samples rest on", v.lostRows},
		{"runs and hourly sums", func(context.Context) error { <-remade; v.rep.join(&made); return madeErr }},
	} {
		if err := step.do(ctx); ctx.Err() != nil {
			return &v.rep, fmt.Errorf("verify %s: %w", step.what, err)
		} else if err != nil {
			v.rep.addf("%s cannot be read: %v", step.what, err)
		}
	}
	v.rep.Unsealed = v.unsealed()
	var commits int64
	err = r.db.QueryRowContext(ctx, "SELECT max(commits, ifnull((SELECT max(id) FROM fragments) / 65536, 0)) FROM record").Scan(&commits)
	if err != nil {
		v.rep.addf("the row of table record that holds its counters is damaged, so that nothing says whether the record ends before its last commit, %d: %v", promised.commit, err)
	} else if commits < promised.commit {
		v.rep.addf("the record ends at commit %d, but commit %d, of %s, was recorded: the end of the log is damaged, or this is an older copy",
			commits, promised.commit, instant(promised.at).Format(time.RFC3339Nano))
	}
	return &v.rep, nil
}

// promised reads the sidecar of the record; it may be missing.
func (r *Reader) promised() (promise, error) {
	if r.dir == "" {
		return promise{}, nil
	}
	f, err := os.Open(filepath.Join(r.dir, sidecarName))
	if errors.Is(err, os.ErrNotExist) {
		return promise{}, nil
	}
	if err != nil {
		return promise{}, fmt.Errorf("read the number of the last commit: %w", err)
	}
	defer f.Close()
	p, _, err := readSidecar(f)
	return p, err
}

func (v *verifier) database(ctx context.Context) error {
	return each(ctx, v.reader.db, "PRAGMA integrity_check(50)", func(scan func(...any) error) error {
		var s string
		err := scan(&s)
		if err == nil && s != "ok" {
			v.rep.addf("SQLite finds: %s", s)
		}
		return err
	})
}

func (v *verifier) names(ctx context.Context) error {
	return each(ctx, v.reader.db, "SELECT post, id FROM posts", func(scan func(...any) error) error {
		var post int32
		var id string
		err := scan(&post, &id)
		v.posts[post] = id
		return err
	})
}

func (v *verifier) name(post int32) string {
	if n, ok := v.posts[post]; ok {
		return n
	}
	return fmt.Sprintf("number %d", post)
}

// heads reads the heads, as of one instant with where the chain ends.
func (v *verifier) heads(ctx context.Context) error {
	tx, err := v.reader.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	var newest chainEnd
	err = each(ctx, tx, "SELECT day, entry, head, signature, signer FROM days ORDER BY day", func(scan func(...any) error) error {
		var d dayRow
		var head []byte
		err := scan(&d.day, &d.entry, &head, &d.signature, &d.signer)
		if errors.Is(err, ErrLost) {
			v.rep.addf("the head of %s is none", dayName(d.day))
			v.headless[d.day] = true
			return nil
		}
		if err != nil {
			return err
		}
		if len(head) != sha256.Size || d.entry <= newest.entry {
			v.rep.addf("the head of %s is none", dayName(d.day))
		}
		if copy(d.head[:], head); len(head) == sha256.Size {
			v.days[d.entry] = d
		} else {
			v.headless[d.day] = true
		}
		newest = d.chainEnd
		v.rep.Days++
		return nil
	})
	if err != nil {
		return err
	}
	v.last, v.rep.Head = newest.entry, headOf(newest)
	var end int64
	if err := tx.QueryRowContext(ctx, "SELECT ifnull(max(entry), 0) FROM chain").Scan(&end); err != nil {
		return err
	}
	if end != v.last {
		v.rep.addf("the chain of hashes ends at entry %d, and its newest head is of entry %d", end, v.last)
	}
	return nil
}

// entryRow is an entry of the chain with what it is of.
type entryRow struct {
	entry, day, ref int64
	kind            string
	sum             []byte
	chunk           sql.Null[int64] // NULL: there is none
	row             chunkRow
	event           sql.Null[int64]
	ev              eventRow
}

// chunkRow is a chunk as its table holds it.
type chunkRow struct {
	id                                    int64
	fromSeq, toSeq, rows, from, to, state sql.NullInt64
	removed                               sql.NullInt64
	data                                  []byte
}

const selectChain = `SELECT h.entry, h.day, h.kind, h.ref, h.sha256,
	c.id, c.from_seq, c.to_seq, c.samples, c.from_ns, c.to_ns, c.state, c.removed, c.data,
	e.id, ifnull(e.at_ns, 0), ifnull(e.post, ''), ifnull(e.kind, ''), ifnull(e.who, ''), ifnull(e.text, ''), e.raw, e.alarm
	FROM chain AS h LEFT JOIN chunks AS c ON h.kind = 'chunk' AND c.id = h.ref
	LEFT JOIN events AS e ON h.kind = 'event' AND e.id = h.ref
	WHERE h.entry > ? AND h.entry <= ? ORDER BY h.entry LIMIT 256`

// chain makes every head again, from what is there.
func (v *verifier) chain(ctx context.Context) error {
	var end chainEnd
	days := slices.Collect(maps.Values(v.days))
	sort.SliceStable(days, func(i, j int) bool { return days[i].entry < days[j].entry })
	for end.entry < v.last {
		from := end.entry
		err := each(ctx, v.reader.db, selectChain, func(scan func(...any) error) error {
			var e entryRow
			var raw []byte
			err := loosely(scan, &e.entry, &e.day, &e.kind, &e.ref, &e.sum,
				&e.chunk, &e.row.fromSeq, &e.row.toSeq, &e.row.rows, &e.row.from, &e.row.to, &e.row.state, &e.row.removed, &e.row.data,
				&e.event, &e.ev.at, &e.ev.post, &e.ev.kind, &e.ev.who, &e.ev.txt, &raw, &e.ev.alarm)
			if errors.Is(err, ErrLost) {
				v.rep.addf("entry %d of the chain of hashes, or the row that it is of, holds what does not fit there: it was changed", e.entry)
			} else if err != nil {
				return err
			}
			e.row.id, e.ev.id, e.ev.raw, e.ev.hasRaw = e.ref, e.ref, raw, raw != nil
			if e.entry != end.entry+1 || e.day < end.day {
				v.rep.addf("the chain of hashes has entry %d, of %s, behind entry %d, of %s", e.entry, dayName(e.day), end.entry, dayName(end.day))
			}
			for len(days) > 0 && days[0].entry < e.entry {
				days = days[1:]
			}
			if len(days) > 0 && days[0].day != e.day && !v.headless[e.day] {
				v.rep.addf("entry %d of the chain of hashes says that it is of %s, and stands under the head of %s: it was changed", e.entry, dayName(e.day), dayName(days[0].day))
			}
			var sum [sha256.Size]byte
			copy(sum[:], e.sum)
			end.entry = e.entry - 1
			end = end.add(e.day, e.kind, e.ref, sum)
			if d, ok := v.days[e.entry]; ok && d.head != end.head {
				v.rep.addf("the head of %s does not follow from the chain of hashes: an entry up to then was changed", dayName(d.day))
				end.head = d.head // told once
			}
			return v.entry(ctx, &e, sum)
		}, from, v.last)
		if err != nil {
			return err
		}
		if end.entry == from {
			v.rep.addf("entries %d to %d of the chain of hashes are missing", from+1, v.last)
			return nil
		}
	}
	return nil
}

// entry compares one entry with what it is of.
func (v *verifier) entry(ctx context.Context, e *entryRow, sum [sha256.Size]byte) error {
	switch {
	case e.kind == chainEvent:
		v.rep.Events++
		if !e.event.Valid {
			v.rep.add(Problem{From: time.Unix(e.day*86400, 0).UTC(), Text: fmt.Sprintf("event %d, entered on %s, %s", e.ref, dayName(e.day), v.gone)})
		} else if e.ev.hash() != sum {
			v.rep.add(Problem{Post: e.ev.post, From: instant(e.ev.at), To: instant(e.ev.at), Text: fmt.Sprintf("event %d, entered on %s, was changed", e.ref, dayName(e.day))})
		}
	case e.kind == chainChunk && !e.chunk.Valid:
		v.rep.Chunks++
		v.rep.add(Problem{Post: v.name(int32(e.ref >> 32)), Text: fmt.Sprintf("chunk %d, entered on %s, was deleted by no event", e.ref&math.MaxUint32, dayName(e.day))})
	case e.kind == chainChunk:
		v.rep.Chunks++
		return v.chunkEntry(ctx, e, sum)
	default:
		return v.rowEntry(ctx, e, sum)
	}
	return nil
}

func (v *verifier) chunkEntry(ctx context.Context, e *entryRow, sum [sha256.Size]byte) error {
	c := &e.row
	p := Problem{Post: v.name(int32(c.id >> 32)), From: instant(c.from.Int64), To: instant(c.to.Int64)}
	onPurpose, err := v.newest(ctx, chainRemoved, c.id, math.MaxInt64)
	switch {
	case err != nil:
		return err
	case c.state.Int64 == removed && c.data == nil && onPurpose != nil:
		return nil // its own entry is checked
	case c.state.Int64 == asideState:
		p.Text = fmt.Sprintf("samples %d to %d: their page was damaged and is set aside", c.fromSeq.Int64, c.toSeq.Int64)
		v.rep.add(p)
	case c.state.Int64 != sealed || c.data == nil:
		p.Text = fmt.Sprintf("chunk %d was unsealed or emptied by no event", c.id&math.MaxUint32)
		v.rep.add(p)
	case sha256.Sum256(c.data) != sum:
		p.Text = fmt.Sprintf("samples %d to %d are not those that were recorded: their hash, entered on %s, does not fit", c.fromSeq.Int64, c.toSeq.Int64, dayName(e.day))
		v.rep.add(p)
		fallthrough
	default:
		return v.content(ctx, c)
	}
	return nil
}

// content decodes a chunk and compares it with its row, and the sums that are
// kept with those of its samples.
func (v *verifier) content(ctx context.Context, c *chunkRow) error {
	name := v.name(int32(c.id >> 32))
	p := Problem{Post: name, From: instant(c.from.Int64), To: instant(c.to.Int64)}
	rows := int64(0)
	var all chunk.Span
	sums := v.resumed(c.id, c.fromSeq.Int64)
	var failed error
	told := name // of whom its blocks are said to be, once each
	err := blocksOf(c.data, &v.block, func(ch *chunk.Chunk, damage error) bool {
		all = ch.Span()
		if ch.Post() != name && ch.Post() != told {
			told = ch.Post()
			p.Text = fmt.Sprintf("a chunk of post %s stands among those of this one", ch.Post())
			v.rep.add(p)
		}
		var d *chunk.Damage
		if errors.As(damage, &d) {
			v.rep.add(Problem{Post: name, From: instant(d.From), To: instant(d.To), Text: fmt.Sprintf("%d samples from number %d on are damaged: %s", d.Rows, d.FromSeq, d.Why)})
			sums.broken()
			return true
		}
		rows += int64(v.block.Len())
		failed = sums.block(ctx, &v.block)
		return failed == nil
	})
	v.rep.Samples += rows
	if failed != nil {
		return failed
	}
	if err != nil {
		p.Text = fmt.Sprintf("samples %d to %d are damaged: %v", c.fromSeq.Int64, c.toSeq.Int64, err)
		v.rep.add(p)
		sums.broken()
		return nil
	}
	if all.FromSeq != c.fromSeq.Int64 || all.ToSeq != c.toSeq.Int64 || all.From != c.from.Int64 || all.To != c.to.Int64 || int64(all.Rows) != c.rows.Int64 {
		p.Text = fmt.Sprintf("the row of chunk %d says samples %d to %d, and the chunk holds %d to %d", c.id&math.MaxUint32, c.fromSeq.Int64, c.toSeq.Int64, all.FromSeq, all.ToSeq)
		v.rep.add(p)
	}
	return nil
}
