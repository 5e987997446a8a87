package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store/chunk"
)

// SQLite recovers its log up to the first frame that does not fit and drops all
// behind it without a word, so one flipped bit could cost every commit since the
// last checkpoint. What is dropped is still in the log's file when the record is
// opened: the fragments in it say by themselves what they are. So the file is read
// before SQLite recovers it, and what SQLite did not take is written again.

// maxLog bounds what is read of a log; ours is folded in long before that.
const maxLog = 256 << 20

// readLog returns the log beside the record at path; nil when there is none.
func readLog(path string) ([]byte, error) {
	st, err := os.Stat(path + "-wal")
	if errors.Is(err, fs.ErrNotExist) || err == nil && st.Size() > maxLog {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("look at the record's log: %w", err)
	}
	b, err := os.ReadFile(path + "-wal")
	if err != nil {
		return nil, fmt.Errorf("read the record's log: %w", err)
	}
	return b, nil
}

// fragmentsBehind returns the fragments in a log that belong to later commits,
// by the id that they have in their table; of several the last one counts.
func fragmentsBehind(log []byte, commits int64) map[int64][]byte {
	found := map[int64][]byte{}
	scanFragments(log, func(f fragment, whole []byte) {
		if f.commit > commits {
			found[f.commit*partsOfCommit+int64(f.part)] = whole
		}
	})
	return found
}

// salvage writes again what SQLite dropped of log, and names what is lost of what
// the sidecar promises.
func (w *writer) salvage(ctx context.Context, c *sql.Conn, log []byte, p promise) error {
	s := w.s
	before, commits := maps.Clone(s.queue.last), s.state.commits
	found := fragmentsBehind(log, commits)
	if len(found) > 0 {
		if _, err := w.within(ctx, func() (int, error) { return 0, w.writeAgain(ctx, found) }); err != nil {
			return fmt.Errorf("write again what the damaged log of the record held: %w", err)
		}
		if err := s.load(ctx, c); err != nil {
			return err
		}
		w.link, w.fragmentRows = s.state.link, s.state.fragmentRows
		s.state.salvaged = uint64(len(found))
		s.o.Log.Warn("SQLite dropped the end of the record's log; it was read all the same and is recorded again", "fragments", len(found))
		s.Record(acquire.Event{At: s.o.Now().UTC(), Kind: acquire.KindRecord,
			Text: fmt.Sprintf("the end of the record's log was not whole: commits after %d were read from it one by one and recorded again", commits)})
	}
	if p.commit <= commits {
		return nil
	}
	w.missedCommits(commits, found)
	for _, l := range lostOf(before, p, found, s.queue.names) {
		s.state.damaged++
		s.o.Log.Error("the record lost samples that were committed", "post", l.Post, "numbers", fmt.Sprintf("%d to %d", l.FromSeq, l.ToSeq),
			"from", l.From, "to", l.To)
		s.Record(acquire.Event{At: s.o.Now().UTC(), Post: l.Post, Kind: acquire.KindRecord,
			Text: fmt.Sprintf("samples %d to %d, between %s and %s, were committed and are lost: the end of the record's log was damaged",
				l.FromSeq, l.ToSeq, l.From.Format(time.RFC3339Nano), l.To.Format(time.RFC3339Nano))})
	}
	if s.state.commits < p.commit {
		s.state.damaged++
		s.o.Log.Error("the record lost its last commits", "there up to", s.state.commits, "there were", p.commit, "committed at", instant(p.at))
		s.Record(acquire.Event{At: s.o.Now().UTC(), Kind: acquire.KindRecord,
			Text: fmt.Sprintf("commits %d to %d, the last of %s, are lost: the end of the record's log was damaged, or an older copy of the record was put here",
				s.state.commits+1, p.commit, instant(p.at).Format(time.RFC3339Nano))})
		s.state.commits = p.commit // no number comes twice
	}
	return nil
}

// missedCommits names commits before the last that was found which were not: they
// held no samples, but what people and programs asked to be kept.
func (w *writer) missedCommits(commits int64, found map[int64][]byte) {
	if len(found) == 0 {
		return
	}
	ids := slices.Sorted(maps.Keys(found))
	var missed []string
	next := commits + 1
	for _, id := range ids {
		for ; next < id/partsOfCommit && len(missed) < 100; next++ {
			missed = append(missed, fmt.Sprint(next))
		}
		next = max(next, id/partsOfCommit+1)
	}
	if len(missed) == 0 {
		return
	}
	w.s.state.damaged++
	w.s.o.Log.Error("the record lost commits", "numbers", strings.Join(missed, " "))
	w.s.Record(acquire.Event{At: w.s.o.Now().UTC(), Kind: acquire.KindRecord, Text: fmt.Sprintf(
		"commits %s are not in what was read of the record's log: samples that are lost with them are named apart; cursors, versions of posts, imports and what was told may be lost too",
		strings.Join(missed, ", "))})
}

// lostOf returns the stretches above before that were promised and not found.
func lostOf(before map[int32]mark, p promise, found map[int64][]byte, names map[int32]string) []Damage {
	had := map[string][]mark{}
	var block chunk.Block
	for _, id := range slices.Sorted(maps.Keys(found)) {
		f, _, err := readFragment(found[id])
		if err != nil {
			continue
		}
		_ = blocksOf(f.samples, &block, func(c *chunk.Chunk, damage error) bool {
			for i := range block.Len() {
				had[c.Post()] = append(had[c.Post()], mark{block.Seq[i], block.At[i]})
			}
			return true
		})
	}
	var lost []Damage
	for _, post := range slices.Sorted(maps.Keys(p.last)) {
		name, at := names[post], before[post]
		if name == "" {
			name = fmt.Sprintf("number %d", post)
		}
		end := p.last[post]
		for _, m := range append(had[name], mark{end.seq + 1, end.at}) {
			if m.seq > at.seq+1 && at.seq < end.seq {
				lost = append(lost, Damage{Post: name, FromSeq: at.seq + 1, ToSeq: min(m.seq-1, end.seq), From: instant(at.at), To: instant(m.at)})
			}
			if m.seq > at.seq {
				at = m
			}
		}
	}
	return lost
}

// writeAgain puts fragments, and what else their commits wrote, into the open
// transaction.
func (w *writer) writeAgain(ctx context.Context, found map[int64][]byte) error {
	for _, id := range slices.Sorted(maps.Keys(found)) {
		b := found[id]
		f, _, err := readFragment(b)
		if err != nil {
			return err
		}
		if err := w.otherAgain(ctx, f.other); err != nil {
			return err
		}
		if f.link != f.relink(w.link) { // one before it is lost
			f.link = [32]byte{}
			b = f.append(nil, w.link)
			f, _, _ = readFragment(b)
		}
		w.link = f.link
		if _, err := w.exec(ctx, "INSERT OR REPLACE INTO fragments (id, data) VALUES (?, ?)", id, bytes.Clone(b)); err != nil {
			return err
		}
	}
	return nil
}

// otherAgain writes what a commit wrote beside samples, where it is not there.
func (w *writer) otherAgain(ctx context.Context, text []byte) error {
	if len(text) == 0 {
		return nil
	}
	var o other
	if err := json.Unmarshal(text, &o); err != nil {
		return fmt.Errorf("read what a commit wrote: %w", err)
	}
	for _, k := range o.Corrections {
		post, err := w.postNumber(ctx, k.Post)
		if err != nil {
			return err
		}
		var there int
		if err := w.conn.QueryRowContext(ctx, "SELECT count(*) FROM corrections WHERE correction = ?", k.ID).Scan(&there); err != nil {
			return err
		}
		if there == 0 {
			if err := w.writeCorrection(ctx, correction{id: k.ID, post: post, at: k.At, c: k.C}); err != nil {
				return err
			}
		}
	}
	var ignored batch
	for _, k := range o.Events {
		var there int
		if err := w.conn.QueryRowContext(ctx, "SELECT count(*) FROM events WHERE id = ?", k.ID).Scan(&there); err != nil {
			return err
		}
		if there > 0 {
			continue
		}
		e := k.Event
		if k.Change != nil {
			e.Alarm = new(alarm.Change)
			if err := json.Unmarshal(k.Change, e.Alarm); err != nil {
				return fmt.Errorf("read an alarm: %w", err)
			}
		}
		if err := w.writeEvent(ctx, &e, &ignored); err != nil {
			return err
		}
	}
	return nil
}
