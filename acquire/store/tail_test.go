package store

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire"
)

// Whatever is added, cut, committed, put back or dropped in whatever order: each
// row is committed once, in order, or lost once.
func TestTailKeepsEveryRow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tl := tail{maxRows: rapid.IntRange(1, 6).Draw(t, "blocks") * blockRows, maxBytes: 64 << 20}
		lost := map[int64]bool{}
		var added, committed int64
		var cuts []cut
		flying := false
		for range rapid.IntRange(1, 40).Draw(t, "acts") {
			switch rapid.IntRange(0, 2).Draw(t, "act") {
			case 0:
				for range rapid.IntRange(1, 3000).Draw(t, "rows") {
					added++
					tl.add(row{seq: added}, []byte{byte(added), 'x'}, func(r row) {
						if lost[r.seq] || r.seq <= committed {
							t.Fatalf("row %d is lost though it was lost or committed before", r.seq)
						}
						lost[r.seq] = true
					})
				}
			case 1:
				if !flying {
					cuts, _ = tl.take(nil)
					flying = true
				}
			case 2:
				if !flying {
					continue
				}
				flying = false
				if rapid.Bool().Draw(t, "failed") {
					tl.restore(cuts)
					continue
				}
				for _, c := range cuts {
					for _, r := range c.rows {
						for committed++; lost[committed]; committed++ {
						}
						if r.seq != committed || len(r.said) != 2 || r.said[0] != byte(r.seq) {
							t.Fatalf("row %d with %q is committed, want row %d", r.seq, r.said, committed)
						}
					}
				}
				tl.commit(cuts)
			}
			if tl.rows > tl.maxRows+batchRows {
				t.Fatalf("%d rows are kept, the bound is %d", tl.rows, tl.maxRows)
			}
		}
		if got := int64(tl.rows+len(lost)) + committedRows(committed, lost); got != added {
			t.Fatalf("%d rows are kept, lost or committed, %d were added", got, added)
		}
	})
}

// committedRows is how many of the rows up to the last committed one were not
// lost.
func committedRows(last int64, lost map[int64]bool) int64 {
	n := last
	for seq := range lost {
		if seq <= last {
			n--
		}
	}
	return n
}

func TestTailBytesBound(t *testing.T) {
	tl := tail{maxRows: 1 << 30, maxBytes: 2 << 20}
	lost := 0
	for n := range int64(1000) {
		tl.add(row{seq: n}, make([]byte, 10_000), func(row) { lost++ })
		if tl.bytes > 2<<20+blockRows*rowBytes+blockSaid {
			t.Fatalf("%d bytes are kept, the bound is %d", tl.bytes, 2<<20)
		}
	}
	if lost == 0 || tl.rows+lost != 1000 {
		t.Errorf("%d rows kept, %d lost, of 1000", tl.rows, lost)
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
	if n := testing.AllocsPerRun(blockRows/2, once); n != 0 {
		t.Errorf("Append allocates %v times", n)
	}
	tl := tail{maxRows: 1 << 20, maxBytes: 64 << 20}
	said := []byte("1.234 mW/cm2 OK")
	var cuts []cut
	cycle := func() {
		for n := range int64(3000) {
			tl.add(row{seq: n}, said, nil)
		}
		cuts, _ = tl.take(cuts[:0])
		tl.commit(cuts)
	}
	cycle()
	if n := testing.AllocsPerRun(100, cycle); n != 0 {
		t.Errorf("3000 samples through the tail allocate %v times", n)
	}
}
