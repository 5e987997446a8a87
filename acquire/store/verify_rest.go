package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"ovenward/acquire/store/chunk"
)

// unchained finds what was put in beside the chain, and chunks that are missing.
func (v *verifier) unchained(ctx context.Context) error {
	err := each(ctx, v.reader.db, "SELECT id, at_ns, post FROM events WHERE id NOT IN (SELECT ref FROM chain WHERE kind = 'event') ORDER BY id", func(scan func(...any) error) error {
		var id, at int64
		var post string
		err := loosely(scan, &id, &at, &post)
		if errors.Is(err, ErrLost) { // which is no reason not to tell the others
			err = nil
		}
		v.rep.add(Problem{Post: post, From: instant(at), To: instant(at), Text: fmt.Sprintf("event %d was inserted: the chain of hashes does not know it", id)})
		return err
	})
	if err != nil {
		return err
	}
	before := int64(0)
	return each(ctx, v.reader.db, `SELECT id, from_ns, to_ns, state IS NOT 0 AND id NOT IN (SELECT ref FROM chain WHERE kind = 'chunk') FROM chunks ORDER BY id`, func(scan func(...any) error) error {
		var id, from, to int64
		var strange bool
		err := loosely(scan, &id, &from, &to, &strange)
		if errors.Is(err, ErrLost) {
			err = nil
		}
		p := Problem{Post: v.name(int32(id >> 32)), From: instant(from), To: instant(to)}
		if strange {
			p.Text = fmt.Sprintf("chunk %d was inserted: the chain of hashes does not know it", id&math.MaxUint32)
			v.rep.add(p)
		}
		if id>>32 != before>>32 && id&math.MaxUint32 != 1 || id>>32 == before>>32 && id != before+1 {
			p.Text = fmt.Sprintf("chunks before number %d are missing", id&math.MaxUint32)
			v.rep.add(p)
		}
		before = id
		return err
	})
}

// growing checks the chunks that are not in the chain yet.
func (v *verifier) growing(ctx context.Context) error {
	for post, name := range v.posts {
		if endHidden(ctx, v.reader.db, post) {
			v.rep.add(Problem{Post: name, Text: "the last chunks are missing: sums were made of later samples"})
		}
	}
	return each(ctx, v.reader.db, "SELECT id, from_seq, to_seq, samples, from_ns, to_ns, state, data FROM chunks WHERE state = 0", func(scan func(...any) error) error {
		var c chunkRow
		err := loosely(scan, &c.id, &c.fromSeq, &c.toSeq, &c.rows, &c.from, &c.to, &c.state, &c.data)
		if err != nil && !errors.Is(err, ErrLost) { // what does not fit is not what the chunk holds
			return err
		}
		name := v.name(int32(c.id >> 32))
		v.open[name] = &Unsealed{name, instant(c.from.Int64), c.rows.Int64}
		return v.content(ctx, &c)
	})
}

// unsealed lists what the chain does not hold yet, by post.
func (v *verifier) unsealed() (all []Unsealed) {
	for _, name := range slices.Sorted(maps.Keys(v.open)) {
		all = append(all, *v.open[name])
	}
	return all
}

// commits checks the fragments, and that each follows the one before.
func (v *verifier) commits(ctx context.Context) error {
	tx, err := v.reader.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	var link [sha256.Size]byte
	var merged []byte
	if err := tx.QueryRowContext(ctx, "SELECT link FROM record").Scan(&merged); err != nil {
		return err
	}
	copy(link[:], merged)
	return each(ctx, tx, "SELECT id, data FROM fragments ORDER BY id", func(scan func(...any) error) error {
		var id int64
		var b []byte
		if err := scan(&id, &b); err != nil {
			return err
		}
		f, size, err := readFragment(b)
		if err != nil || size != len(b) {
			v.rep.addf("commit %d is damaged: %v", id/partsOfCommit, err)
			return nil
		}
		if f.link != f.relink(link) || f.commit*partsOfCommit+int64(f.part) != id {
			v.rep.addf("commit %d, of %s, was changed, or those before it were", id/partsOfCommit, instant(f.at).Format(time.RFC3339Nano))
		}
		link = f.link
		err = blocksOf(f.samples, &v.block, func(c *chunk.Chunk, damage error) bool {
			if damage != nil {
				v.rep.addf("commit %d: %v", id/partsOfCommit, damage)
			}
			n := int64(v.block.Len())
			v.rep.Samples += n
			if n == 0 || damage != nil {
				return true
			}
			if v.open[c.Post()] == nil {
				v.open[c.Post()] = &Unsealed{Post: c.Post(), From: instant(v.block.At[0])}
			}
			v.open[c.Post()].Samples += n
			return true
		})
		if err != nil {
			v.rep.addf("commit %d: %v", id/partsOfCommit, err)
		}
		return nil
	})
}
