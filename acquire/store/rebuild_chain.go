package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"ovenward/acquire/store/chunk"
)

// removals reads what the broken record had removed on purpose, and of which post, by the
// numbers that those have in the new one. A row that its chain of hashes does not know so is
// damaged, and would leave out what was not removed.
func (b *rebuild) removals(ctx context.Context, old *sql.DB) error {
	b.gone = map[string][]chunk.Span{}
	v := &verifier{reader: newReader(old, "")}
	for post, name := range b.names {
		first, last := chunkRange(int32(post))
		_ = across(ctx, old, "SELECT id, from_seq, to_seq, samples, from_ns, to_ns, removed FROM chunks WHERE id BETWEEN ? AND ? AND state = 2 AND data IS NULL ORDER BY id", first, last, func(scan func(...any) error) (id int64, err error) {
			var fromSeq, toSeq, rows, from, to, event sql.NullInt64
			err = scan(&id, &fromSeq, &toSeq, &rows, &from, &to, &event)
			samples, serr := v.newest(ctx, chainChunk, id, math.MaxInt64)
			known, kerr := v.newest(ctx, chainRemoved, id, math.MaxInt64)
			if errors.Join(serr, kerr) == nil && samples != nil && known != nil {
				if sum := removedHash(samples, id, fromSeq.Int64, toSeq.Int64, rows.Int64, from.Int64, to.Int64, event.Int64); !bytes.Equal(known, sum[:]) {
					b.out.Lost = append(b.out.Lost, fmt.Sprintf("which samples of post %s were removed as chunk %d: what is found of them is kept", name, id&math.MaxUint32))
					return id, err
				}
			}
			if err == nil {
				b.gone[name] = append(b.gone[name], chunk.Span{FromSeq: fromSeq.Int64, ToSeq: toSeq.Int64})
			}
			return id, err
		})
	}
	return ctx.Err()
}

// events enters the events and rows that were copied into the chain, and writes
// those that stand in commits only.
func (b *rebuild) events(ctx context.Context, s *Store) error {
	for n := 1; n > 0; {
		if err := s.ask(ctx, "enter the events", func(ctx context.Context, w *writer) (err error) {
			n, err = w.chainEvents(ctx)
			return err
		}); err != nil {
			return err
		}
	}
	if err := s.ask(ctx, "enter the rows", func(ctx context.Context, w *writer) error { return w.chainRows(ctx) }); err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(b.tail)) {
		if err := s.ask(ctx, "write the events of a commit", func(ctx context.Context, w *writer) error {
			return w.otherAgain(ctx, b.tail[id])
		}); err != nil {
			return err
		}
	}
	return nil
}

// rows compares what was found, but for samples and sums, with what the chain of hashes of
// the broken record knows, as Verify does: the new one's chain begins with what is there.
func (b *rebuild) rows(ctx context.Context, s *Store, old *sql.DB) {
	v := &verifier{reader: newReader(old, ""), rows: s.db, gone: "was not found"}
	not := fmt.Sprintf("kind NOT IN ('%s', '%s', '%s', '%s')", chainChunk, chainRemoved, chainRollups, chainSigning)
	err := across(ctx, old, "SELECT entry, day, kind, ref, sha256 FROM chain WHERE entry BETWEEN ? AND ? AND "+not+" ORDER BY entry", 0, 1<<61, func(scan func(...any) error) (int64, error) {
		var e entryRow
		if err := scan(&e.entry, &e.day, &e.kind, &e.ref, &e.sum); err != nil {
			return e.entry, err
		}
		if e.kind == chainEvent {
			err := each(ctx, s.db, selectEvents+"WHERE id = ?", func(scan func(...any) error) error {
				e.event.Valid = true
				return e.ev.scan(scan)
			}, e.ref)
			if err != nil {
				return e.entry, err
			}
		}
		var sum [sha256.Size]byte
		copy(sum[:], e.sum)
		return e.entry, v.entry(ctx, &e, sum)
	})
	if err == nil {
		var there, last int64
		err = old.QueryRowContext(ctx, "SELECT count(*), max(ifnull(max(entry), 0), (SELECT ifnull(max(entry), 0) FROM days)) FROM chain").Scan(&there, &last)
		if err == nil && there < last {
			err = fmt.Errorf("%d of its %d entries are there", there, last)
		}
	}
	if err != nil {
		b.out.Lost = append(b.out.Lost, fmt.Sprintf("the chain of hashes, so that rows may be missing of which nothing is said: %v", err))
	}
	b.out.Rows, b.out.More, b.compared = v.rep.Problems, v.rep.More, err == nil
}
