package store

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
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
// last checkpoint. What is dropped is still in the log's file until something is
// written: the fragments in it say by themselves what they are. So the file is read
// once SQLite said how far it got, and what it did not take is written again.

// scanWindow is how much of a file is looked at in one go; windows overlap by more
// than the largest piece that stands in one.
const (
	scanWindow  = 16 << 20
	scanOverlap = 1 << 20
)

// inWindows calls f for each window of the file at path, with where it begins; never
// where there is no file. What f is given is used again.
func inWindows(path string, f func(base int64, b []byte)) error {
	file, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer file.Close()
	st, err := file.Stat()
	if err != nil {
		return err
	}
	b := make([]byte, min(scanWindow, st.Size()+1))
	for base := int64(0); ; base += scanWindow - scanOverlap {
		n, err := file.ReadAt(b, base)
		if err != nil && err != io.EOF {
			return err
		}
		f(base, b[:n])
		if err == io.EOF {
			return nil
		}
	}
}

// fragmentsBehind returns the fragments in the log beside the record at path that
// belong to commits behind those that SQLite found, by the id that they have in
// their table; of several the last one counts. Nothing may be written before.
func fragmentsBehind(ctx context.Context, q querier, path string) (map[int64][]byte, error) {
	commits, _, err := lastCommit(ctx, q)
	if err != nil {
		commits = -1 // all are kept until it is known
	}
	found := map[int64][]byte{}
	err = inWindows(path+"-wal", func(_ int64, b []byte) {
		scanFragments(b, func(f fragment, whole []byte) {
			if f.commit > commits {
				found[f.commit*partsOfCommit+int64(f.part)] = bytes.Clone(whole)
			}
		})
	})
	if err != nil {
		return nil, fmt.Errorf("read the record's log: %w", err)
	}
	return found, nil
}

// salvage writes again what SQLite dropped of the log, and names what is lost of what
// the sidecar promises.
func (w *writer) salvage(ctx context.Context, found map[int64][]byte, p promise) error {
	s := w.s
	before, commits := maps.Clone(s.queue.last), s.state.commits
	maps.DeleteFunc(found, func(id int64, _ []byte) bool { return id/partsOfCommit <= commits })
	if len(found) > 0 {
		if _, err := w.within(ctx, func() (int, error) { return 0, w.writeAgain(ctx, found) }); err != nil {
			return fmt.Errorf("write again what the damaged log of the record held: %w", err)
		}
		if err := s.load(ctx, w.conn); err != nil {
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
	lost := lostOf(before, p, found, s.queue.names)
	if len(lost) == 0 && s.state.commits < p.commit && p.at == nanos(s.state.at) { // that commit is there
		w.tellMended(mended{events: []acquire.Event{w.damageEvent("", fmt.Sprintf("damaged: the number of the last commit in table record: it says %d, and was %d", s.state.commits, p.commit))}})
		s.state.commits = p.commit
		return nil
	}
	for _, l := range lost {
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
