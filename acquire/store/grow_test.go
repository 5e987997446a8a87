package store

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"ovenward/acquire/store/chunk"
)

// growth makes rows that pack well and badly, in runs of either.
type growth struct {
	*rand.Rand
	seq, at int64
	rows    []chunk.Row // all that it made
}

// run makes n rows of one sort.
func (g *growth) run(sort string, n int) []chunk.Row {
	from := len(g.rows)
	for i := range n {
		g.seq, g.at = g.seq+1, g.at+100_000_000+g.Int64N(3)*1_000_000
		r := chunk.Row{Seq: g.seq, At: g.at, AtU: 2_000_000, HasValue: true, Exp: -3, Unit: "mW/cm2", Version: 1, Digits: 20 + g.Int64N(3)}
		r.Said = fmt.Appendf(nil, "0.%03d mW/cm2", r.Digits)
		switch sort {
		case "kinds": // more than a chunk may have
			r.AtU, r.Quality = int64(i+1), uint8(g.IntN(3))
		case "templates":
			r.Said = append(bytes.Repeat([]byte("a;"), g.IntN(60)), r.Said...)
		case "bytes":
			r.Said = make([]byte, g.IntN(60))
			for j := range r.Said {
				r.Said[j] = byte(g.Uint32())
			}
		case "large": // three fill a page
			r.Said, r.HasValue, r.Digits, r.Exp = bytes.Repeat([]byte{byte(g.Uint32())}, 4000), false, 0, 0
		case "gaps":
			g.seq, g.at = g.seq+g.Int64N(3), g.at+g.Int64N(90)*1_000_000_000
			r.More = fmt.Appendf(nil, `{"axes":[1.%02d,0.3,-2]}`, g.IntN(100))
		case "far": // beyond all instants that are packed together
			g.at = max(g.at, 1<<62) + 1
			r.At = g.at
		}
		g.rows = append(g.rows, r)
	}
	return g.rows[from:]
}

// inChunks are the rows of all chunks of a post, as they stand there.
func inChunks(t *rapid.T, s *Store, name string) (rows []chunk.Row) {
	var before, state int64
	err := each(context.Background(), s.db, "SELECT c.id, c.from_seq, c.to_seq, c.samples, c.from_ns, c.to_ns, c.state, c.data FROM chunks AS c JOIN posts ON c.id >> 32 = posts.post WHERE posts.id = ? ORDER BY c.id",
		func(scan func(...any) error) error {
			var c chunkRow
			if err := scan(&c.id, &c.fromSeq, &c.toSeq, &c.rows, &c.from, &c.to, &c.state, &c.data); err != nil {
				return err
			}
			if before != 0 && (c.id != before+1 || state == growing) {
				t.Fatalf("chunk %d of state %d is followed by %d", before, state, c.id)
			}
			before, state = c.id, c.state.Int64
			var block chunk.Block
			first, damaged := len(rows), false
			err := blocksOf(c.data, &block, func(_ *chunk.Chunk, damage error) bool {
				damaged = damaged || damage != nil
				for i := range block.Len() {
					rows = append(rows, block.Row(i, new([]byte)))
				}
				return true
			})
			if n := len(rows); err == nil && !damaged && (n-first != int(c.rows.Int64) || rows[first].Seq != c.fromSeq.Int64 || rows[n-1].Seq != c.toSeq.Int64 ||
				rows[first].At != c.from.Int64 || rows[n-1].At != c.to.Int64) {
				t.Fatalf("chunk %d says %+v of %d rows", c.id, c, n-first)
			}
			return nil
		}, name)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// TestAChunkGrowsByAnySteps: whatever is added to what grows, in steps of any size, comes back
// once, in its order, as it was. A chunk that is damaged while it grows costs no row but its own.
func TestAChunkGrowsByAnySteps(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	post := 0
	rapid.Check(t, func(t *rapid.T) {
		post++
		name := fmt.Sprint("post ", post)
		g := &growth{Rand: rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)), at: nanos(noon())}
		sorts := rapid.SampledFrom([]string{"plain", "plain", "kinds", "templates", "bytes", "large", "gaps", "far"})
		sizes := rapid.OneOf(rapid.IntRange(1, 9), rapid.IntRange(1, 300), rapid.SampledFrom([]int{255, 256, 257, 1023, 1024, 1025}))
		hurt := 0 // so many rows were there, none of which need come back
		for range rapid.IntRange(1, 8).Draw(t, "steps") {
			var step []chunk.Row
			for range rapid.IntRange(1, 2).Draw(t, "runs") {
				sort, n := sorts.Draw(t, "sort"), sizes.Draw(t, "rows")
				if sort == "large" || sort == "far" || g.at >= 1<<62 {
					n = min(n, 9) // each takes a page, or much of one
				}
				step = append(step, g.run(sort, n)...)
			}
			if err := s.putRows(context.Background(), name, step); err != nil {
				t.Fatal(err)
			}
			if rapid.IntRange(0, 9).Draw(t, "damage") == 0 && damagedGrowing(t, s, name, g.Uint64()) {
				hurt = len(g.rows)
			}
		}
		wanted := g.rows
		for _, r := range inChunks(t, s, name) {
			for len(wanted) > 0 && wanted[0].Seq < r.Seq && len(g.rows)-len(wanted) < hurt {
				wanted = wanted[1:] // lost with what was damaged
			}
			if len(wanted) == 0 || !sameRow(&wanted[0], &r) {
				t.Fatalf("row %d comes back as\n%+v\nwhere this was to come\n%+v", len(g.rows)-len(wanted), r, wanted[:min(1, len(wanted))])
			}
			wanted = wanted[1:]
		}
		if len(wanted) > 0 && len(g.rows) > hurt {
			t.Fatalf("the last %d of %d rows do not come back", len(wanted), len(g.rows))
		}
	})
}

// damagedGrowing changes a byte of the chunk of a post that grows, if one does.
func damagedGrowing(t *rapid.T, s *Store, name string, at uint64) (is bool) {
	err := s.ask(context.Background(), "damage what grows", func(ctx context.Context, w *writer) error {
		var id int64
		var data []byte
		err := w.conn.QueryRowContext(ctx, "SELECT c.id, c.data FROM chunks AS c JOIN posts ON c.id >> 32 = posts.post WHERE posts.id = ? AND c.state = ?", name, growing).Scan(&id, &data)
		if err == sql.ErrNoRows {
			return nil
		}
		if err != nil {
			return err
		}
		is = true
		data[at%uint64(len(data))] ^= 0x40
		_, err = w.exec(ctx, "UPDATE chunks SET data = ? WHERE id = ?", data, id)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return is
}

func sameRow(a, b *chunk.Row) bool {
	return a.Seq == b.Seq && a.At == b.At && a.AtU == b.AtU && a.HasValue == b.HasValue && a.Exp == b.Exp && a.Status == b.Status && a.Quality == b.Quality &&
		a.Digits == b.Digits && a.Unit == b.Unit && a.Version == b.Version && a.Correction == b.Correction && bytes.Equal(a.Said, b.Said) && bytes.Equal(a.More, b.More)
}
