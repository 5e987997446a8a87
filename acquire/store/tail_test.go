package store

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
)

// adding adds numbered samples to pens in turn.
func adding(tl *tail, p *pen, seq int64, said []byte, lose func(*block)) {
	p.row = chunk.Row{Seq: seq, At: seq * 1e6, Said: said, Unit: "mW/cm2"}
	tl.add(p, lose)
}

// rowsOf returns the rows of a block as they are read once it is written.
func rowsOf(t rapid.TB, b *block) (rows []chunk.Row) {
	t.Helper()
	var out chunk.Block
	err := blocksOf(b.AppendTo(nil, b.pen.name), &out, func(_ *chunk.Chunk, damage error) bool {
		for i := range out.Len() {
			rows = append(rows, out.Row(i, new([]byte)))
		}
		return damage == nil
	})
	if err != nil || len(rows) != b.Len() {
		t.Fatalf("a block of %d rows gives %d (%v)", b.Len(), len(rows), err)
	}
	return rows
}

// fate is what became of the samples of a post.
type fate struct {
	added, committed int64 // the last numbers
	done             int64 // samples committed
	gone             map[int64]bool
}

func (f *fate) lose(t rapid.TB, rows []chunk.Row) {
	t.Helper()
	for _, r := range rows {
		if r.Seq <= f.committed || f.gone[r.Seq] {
			t.Fatalf("sample %d is lost though it was lost or committed before", r.Seq)
		}
		f.gone[r.Seq] = true
	}
}

func (f *fate) commit(t rapid.TB, rows []chunk.Row) {
	t.Helper()
	for _, r := range rows {
		for f.committed++; f.gone[f.committed]; f.committed++ {
		}
		if r.Seq != f.committed || len(r.Said) != 2 || r.Said[0] != byte(r.Seq) {
			t.Fatalf("sample %d with %q is committed, want sample %d", r.Seq, r.Said, f.committed)
		}
		f.done++
	}
}

// Whatever is added, taken, committed, put back or dropped in whatever order: each
// sample is committed once, in order, or lost once.
func TestTailKeepsEveryRow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tl := tail{maxRows: rapid.IntRange(1, 6).Draw(t, "rows") * 1024, maxBytes: 64 << 20}
		pens := []*pen{{post: 1, name: "fryer"}, {post: 2, name: "combi"}}
		of := [3]fate{1: {gone: map[int64]bool{}}, 2: {gone: map[int64]bool{}}}
		lose := func(b *block) { of[b.pen.post].lose(t, rowsOf(t, b)) }
		var taken []*block
		flying := false
		for range rapid.IntRange(1, 40).Draw(t, "acts") {
			switch rapid.IntRange(0, 2).Draw(t, "act") {
			case 0:
				run := rapid.IntRange(1, 2000).Draw(t, "run")
				for i := range rapid.IntRange(1, 3000).Draw(t, "samples") {
					p := pens[i/run%2]
					c := &of[p.post]
					c.added++
					adding(&tl, p, c.added, []byte{byte(c.added), 'x'}, lose)
				}
			case 1:
				if !flying {
					taken, _ = tl.take(nil)
					flying = true
				}
			case 2:
				if !flying {
					continue
				}
				flying = false
				if rapid.Bool().Draw(t, "failed") {
					tl.restore(taken)
					continue
				}
				for _, b := range taken {
					of[b.pen.post].commit(t, rowsOf(t, b))
				}
				tl.commit(taken)
			}
			if tl.rows > tl.maxRows+batchRows {
				t.Fatalf("%d samples are kept, the bound is %d", tl.rows, tl.maxRows)
			}
		}
		var all int64
		for _, c := range of {
			all += c.added - int64(len(c.gone)) - c.done
		}
		if int64(tl.rows) != all {
			t.Fatalf("%d samples are kept, want %d", tl.rows, all)
		}
	})
}

func TestTailBytesBound(t *testing.T) {
	tl := tail{maxRows: 1 << 30, maxBytes: 2 << 20}
	p := &pen{post: 1, name: "fryer"}
	lost := 0
	for n := range int64(1000) {
		adding(&tl, p, n+1, make([]byte, 10_000), func(b *block) { lost += b.Len() })
		if tl.bytes > 2<<20+blockSize+16_384 {
			t.Fatalf("%d bytes are kept, the bound is %d", tl.bytes, 2<<20)
		}
	}
	if lost == 0 || tl.rows+lost != 1000 {
		t.Errorf("%d samples kept, %d lost, of 1000", tl.rows, lost)
	}
}

// In steady state a sample costs no allocation.
func TestAppendAllocatesNothing(t *testing.T) {
	s := open(t, t.TempDir(), Options{CommitEvery: time.Hour})
	register(t, s, post("fryer"))
	batch := []acquire.Sample{sample(1)}
	seq := int64(0)
	once := func() {
		seq++
		batch[0].Seq = seq
		s.Append(0, batch)
	}
	once()
	if n := testing.AllocsPerRun(512, once); n != 0 {
		t.Errorf("Append allocates %v times", n)
	}
	tl := tail{maxRows: 1 << 20, maxBytes: 64 << 20}
	p := &pen{post: 1, name: "fryer"}
	said := []byte("1.234 mW/cm2 OK")
	var taken []*block
	cycle := func() {
		for range 3000 {
			seq++
			adding(&tl, p, seq, said, nil)
		}
		taken, _ = tl.take(taken[:0])
		tl.commit(taken)
	}
	for range 3 {
		cycle()
	}
	if n := testing.AllocsPerRun(100, cycle); n != 0 {
		t.Errorf("3000 samples through the tail allocate %v times", n)
	}
}
