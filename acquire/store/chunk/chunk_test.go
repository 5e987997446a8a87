package chunk

import (
	"bytes"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func hostileRows(t *rapid.T) []Row {
	small := rapid.Int64Range(-3, 3)
	number := rapid.OneOf(small, small, rapid.Int64(), rapid.SampledFrom([]int64{math.MinInt64, math.MaxInt64, 0}))
	multiple := rapid.Int64Range(1, 7).Draw(t, "multiple")
	number = rapid.OneOf(number, rapid.Map(small, func(v int64) int64 { return v * multiple }))
	said := rapid.OneOf(rapid.SliceOfN(rapid.Byte(), 0, 40),
		rapid.Map(rapid.StringMatching(`[ +-]?[0-9]{1,20}(\.[0-9]{0,4})?( mW/cm2)?(;-?[0-9]\.[0-9]{2}){0,3}`), func(s string) []byte { return []byte(s) }))
	more := rapid.OneOf(rapid.Just([]byte(nil)), rapid.SliceOfN(rapid.Byte(), 0, 9),
		rapid.Map(rapid.StringMatching(`\{"axes":\[1\.[0-9]{2},0\.[0-9],-?3\]\}`), func(s string) []byte { return []byte(s) }))
	var rows []Row
	var seq, at int64 = number.Draw(t, "seq"), number.Draw(t, "at")
	for range rapid.IntRange(1, 40).Draw(t, "runs") {
		r := Row{HasValue: rapid.Bool().Draw(t, "has"), Exp: int8(rapid.IntRange(-128, 127).Draw(t, "exp")),
			Status: rapid.Uint8Max(3).Draw(t, "status"), Quality: rapid.Uint8Max(3).Draw(t, "quality"),
			Unit: rapid.SampledFrom([]string{"mW/cm2", "", "W/m²"}).Draw(t, "unit"), AtU: number.Draw(t, "u"),
			Version: number.Draw(t, "version"), Correction: number.Draw(t, "correction")}
		for range rapid.IntRange(1, 60).Draw(t, "rows") {
			seq += 1 + max(0, small.Draw(t, "gap"))*rapid.SampledFrom([]int64{0, 0, 1, 1 << 60}).Draw(t, "gaps")
			at += rapid.SampledFrom([]int64{1e8, 1e8, 1e8 + 1e6, 1, 0, 61e9, -5, 1 << 62}).Draw(t, "step")
			r.Seq, r.At, r.Digits, r.Said, r.More = seq, at, number.Draw(t, "digits"), said.Draw(t, "said"), more.Draw(t, "more")
			rows = append(rows, r)
		}
	}
	return rows
}

// scaled makes all values multiples of a number, but for an offset.
func scaled(t *rapid.T, rows []Row) {
	by, offset := rapid.Int64Range(2, 9).Draw(t, "by"), rapid.Int64Range(-9, 9).Draw(t, "offset")
	for i := range rows {
		rows[i].Digits = rapid.Int64Range(-4, 4).Draw(t, "steps")*by + offset
		rows[i].HasValue = true
	}
}

// all reads every row of the chunk b, and fails on damage.
func all(t testing.TB, b []byte) []Row {
	t.Helper()
	var c Chunk
	if err := c.Open(b); err != nil {
		t.Fatal(err)
	}
	var rows []Row
	var out Block
	for i := range c.Blocks() {
		if err := c.Read(i, &out); err != nil {
			t.Fatal(err)
		}
		for j := range out.Len() {
			rows = append(rows, out.Row(j, new([]byte)))
		}
	}
	return rows
}

// before packs as commits did once; their chunks are read still.
func (e *Encoder) before(dst []byte, post string, rows []Row, limit int) ([]byte, int) {
	return e.plain(dst, post, rows, limit, formPlain)
}

// briefly packs as many rows as a Brief takes.
func briefly(dst []byte, post string, rows []Row, _ int) ([]byte, int) {
	var b Brief
	var h Habit
	n := 0
	for n < len(rows) && b.Add(&rows[n], &h) {
		n++
	}
	return b.AppendTo(dst, post), n
}

func same(a, b *Row) bool {
	x, y := *a, *b
	x.Said, x.More, y.Said, y.More = nil, nil, nil, nil
	for _, r := range []*Row{&x, &y} {
		if !r.HasValue {
			r.Digits, r.Exp = 0, 0
		}
	}
	return rowsEqual(x, y) && bytes.Equal(a.Said, b.Said) && bytes.Equal(a.More, b.More)
}

func rowsEqual(a, b Row) bool {
	return a.Seq == b.Seq && a.At == b.At && a.AtU == b.AtU && a.HasValue == b.HasValue && a.Exp == b.Exp && a.Status == b.Status &&
		a.Quality == b.Quality && a.Digits == b.Digits && a.Unit == b.Unit && a.Version == b.Version && a.Correction == b.Correction
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		rows := hostileRows(rt)
		if rapid.Bool().Draw(rt, "regular") {
			scaled(rt, rows)
		}
		limit := rapid.SampledFrom([]int{0, 100, 4096, 32 << 10, 1 << 20}).Draw(rt, "limit")
		var e Encoder
		for i, encode := range []func([]byte, string, []Row, int) ([]byte, int){e.packed, e.before, briefly} {
			limit := limit
			if i == 2 {
				limit = 3900 // what a page of 4096 bytes has room for in a fragment
			}
			for rest := rows; len(rest) > 0; {
				b, n := encode(nil, "fryer", rest, limit)
				if n < 1 || n > len(rest) {
					rt.Fatalf("%d of %d rows taken", n, len(rest))
				}
				if len(b) > limit && n > 1 {
					rt.Fatalf("%d rows take %d bytes, more than %d", n, len(b), limit)
				}
				if post, size := PostOf(append(b[:len(b):len(b)], "behind it"...)); string(post) != "fryer" || size != len(b) {
					rt.Fatalf("a chunk of %d bytes is of %q, with %d", len(b), post, size)
				}
				if _, size := PostOf(b[:len(b)-1]); size != 0 {
					rt.Fatalf("a chunk that is cut off has %d bytes", size)
				}
				got := all(t, b)
				if len(got) != n {
					rt.Fatalf("%d rows come back, want %d", len(got), n)
				}
				for i := range got {
					if !same(&got[i], &rest[i]) {
						rt.Fatalf("row %d comes back as\n%+v\nwant\n%+v", i, got[i], rest[i])
					}
				}
				rest = rest[n:]
			}
		}
	})
}

// Values that are multiples but for an offset come back, also when the first is 0.
func TestScaleFromZero(t *testing.T) {
	rows := signalRows(600, 3)
	for i := range rows {
		rows[i].Digits, rows[i].Said = int64(3+5*(i%9)), nil
	}
	rows[0].Digits = 0
	b, _ := new(Encoder).packed(nil, "fryer", rows, 1<<20)
	for i, r := range all(t, b) {
		if !same(&r, &rows[i]) {
			t.Fatalf("row %d has %d, want %d", i, r.Digits, rows[i].Digits)
		}
	}
}

// packed is Encode for rows that are at hand, which it hands over as the record does: one
// after the other in the same place. It returns how many went into the chunk.
func (e *Encoder) packed(dst []byte, post string, rows []Row, limit int) ([]byte, int) {
	b, of := e.Encode(dst, post, len(rows), func(yield func(*Row) bool) {
		var r Row
		var said []byte
		for i := range rows {
			said = append(append(said[:0], rows[i].Said...), rows[i].More...)
			n := len(rows[i].Said)
			r = rows[i]
			r.Said, r.More = said[:n:n], said[n:]
			if !yield(&r) {
				return
			}
		}
	}, limit)
	return b, of.Rows
}

// Of no rows no chunk is made.
func TestNoRowsMakeNoChunk(t *testing.T) {
	var e Encoder
	for _, before := range [][]Row{nil, signalRows(10, 3)} {
		e.packed(nil, "fryer", before, 1<<20)
		if b, of := e.Encode([]byte("before"), "fryer", 0, func(func(*Row) bool) {}, 1<<20); string(b) != "before" || of != (Span{}) {
			t.Errorf("%q, %+v", b, of)
		}
	}
}

// TestLateCenturiesPackAsWell: an instant is not taken for a slip before 2116.
func TestLateCenturiesPackAsWell(t *testing.T) {
	rows := signalRows(2000, 3)
	for i := range rows {
		rows[i].At += time.Date(2115, 1, 1, 0, 0, 0, 0, time.UTC).UnixNano() - rows[0].At/minute*minute
	}
	b, n := new(Encoder).packed(nil, "fryer", rows, 1<<20)
	if n != len(rows) || len(b) > 2*n {
		t.Errorf("%d of %d rows take %d bytes", n, len(rows), len(b))
	}
	for i, r := range all(t, b) {
		if !same(&r, &rows[i]) {
			t.Fatalf("row %d comes back as\n%+v\nwant\n%+v", i, r, rows[i])
		}
	}
}
