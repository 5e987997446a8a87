package chunk

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"os"
	"testing"
)

// counts is how often a random trial runs: full every night, else few.
func counts(full, few int) int {
	if os.Getenv("OVENWARD_COUNTS") == "full" {
		return full
	}
	return few
}

// mixed is rows of many sorts: of one kind, with gaps, with frames that follow no
// template, with axes, and with runs of other kinds.
func mixed(n int) []Row {
	rows := signalRows(n, 3)
	for i := range rows {
		r := &rows[i]
		switch {
		case i > n/2 && i%97 == 0:
			r.Said, r.HasValue, r.Status = []byte("OL"), false, 1
		case i > n/2 && i%31 == 0:
			r.Said = []byte{0xff, 0, byte(i), byte(i >> 8)}
		case i > n*3/4:
			r.Said = append(bytes.Clone(r.Said), ";23.5;3.71"...)
			r.More = []byte(`{"temperature":23.5,"battery":3.71}`)
		}
		if i > n/3 {
			r.Seq += int64(i / 50)
			r.Quality = uint8(i / 40 % 3)
		}
	}
	return rows
}

// readable returns the rows of all blocks that can be read, and how many blocks
// cannot.
func readable(t testing.TB, c *Chunk, out *Block) (rows []Row, bad int) {
	t.Helper()
	var buf []byte
	for i := range c.Blocks() {
		err := c.Read(i, out)
		if err != nil {
			var d *Damage
			if !errors.As(err, &d) || d.Post != c.Post() || d.Span != c.BlockSpan(i) || out.Len() != 0 {
				t.Fatalf("a block that cannot be read gives %v", err)
			}
			bad++
			continue
		}
		for j := range out.Len() {
			rows = append(rows, out.Row(j, &buf))
		}
	}
	return rows, bad
}

// checkPart fails unless all rows are some of want.
func checkPart(t testing.TB, rows, want []Row) {
	t.Helper()
	at := 0
	for i := range rows {
		for at < len(want) && want[at].Seq < rows[i].Seq {
			at++
		}
		if at == len(want) || !same(&rows[i], &want[at]) {
			t.Fatalf("a row that nobody wrote: %+v", rows[i])
		}
	}
}

// A byte that changes costs at most the block it is in, and one in a head costs
// nothing.
func TestFlips(t *testing.T) {
	want := mixed(2400)
	var e Encoder
	b, n := e.packed(nil, "fryer", want, 1<<20)
	if n != len(want) {
		t.Fatalf("%d rows of %d", n, len(want))
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var c Chunk
	var out Block
	lost := 0
	for range counts(10_000, 300) {
		at, mask := rng.IntN(len(b)), byte(1+rng.IntN(255))
		b[at] ^= mask
		if err := c.Open(b); err != nil {
			t.Fatalf("byte %d changed: %v", at, err)
		}
		rows, bad := readable(t, &c, &out)
		inBlock := at >= c.index[0].off && at < c.index[len(c.index)-1].off+c.index[len(c.index)-1].size
		if want := map[bool]int{true: 1}[inBlock]; bad != want {
			t.Fatalf("byte %d changed: %d blocks cannot be read, want %d", at, bad, want)
		}
		checkPart(t, rows, want)
		lost += n - len(rows)
		b[at] ^= mask
	}
	if lost == 0 {
		t.Error("no flip hit a block")
	}
}

// What is cut off anywhere, before or behind, leaves the blocks that are whole.
func TestTruncation(t *testing.T) {
	want := mixed(160)
	for i := range want {
		want[i].At += int64(i) * 1e9 // several blocks
	}
	var e Encoder
	whole, n := e.packed(nil, "fryer", want, 1<<20)
	if n != len(want) {
		t.Fatalf("%d rows of %d", n, len(want))
	}
	var full Chunk
	if err := full.Open(whole); err != nil {
		t.Fatal(err)
	}
	var out Block
	for cut := range len(whole) {
		for _, behind := range []bool{true, false} {
			part, most := whole[:cut], 0
			if !behind {
				part = whole[cut:]
			}
			for _, x := range full.index {
				if behind && x.off+x.size <= cut || !behind && x.off >= cut {
					most += x.span.Rows
				}
			}
			headed := behind && cut >= full.index[0].off || !behind && cut <= full.index[len(full.index)-1].off+full.index[len(full.index)-1].size
			found := 0
			Scan(part, func(at int, c *Chunk) bool {
				rows, _ := readable(t, c, &out)
				checkPart(t, rows, want)
				found += len(rows)
				return true
			})
			if headed && found != most || !headed && found != 0 {
				t.Fatalf("cut at %d, behind: %v: %d rows found, want %d", cut, behind, found, most)
			}
		}
	}
}

// Scan finds chunks among anything, and each once.
func TestScan(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	rows := mixed(2400)
	var e Encoder
	var b []byte
	var places []int
	for i := 0; i < 2400; i += 600 {
		for range rng.IntN(5000) {
			b = append(b, byte(rng.Uint32()))
		}
		b = append(b, magicHead+"\x02"+magicTail...)
		places = append(places, len(b))
		if i == 600 {
			b, _ = e.before(b, "griddle", rows[i:i+600], 1<<20)
		} else {
			b, _ = e.packed(b, "fryer", rows[i:i+600], 1<<20)
		}
	}
	b[places[2]+20]++ // the third's first head is damaged; it is found by its second
	var out Block
	var got []Row
	i := 0
	Scan(b, func(at int, c *Chunk) bool {
		if i >= len(places) || at != places[i] || (c.Post() == "griddle") != (i == 1) || c.Span().Rows != 600 {
			t.Fatalf("chunk %d found at %d: %s, %+v; want it at %v", i, at, c.Post(), c.Span(), places)
		}
		i++
		rows, _ := readable(t, c, &out)
		got = append(got, rows...)
		return true
	})
	if len(got) != len(rows) {
		t.Fatalf("%d rows found, want %d", len(got), len(rows))
	}
	checkPart(t, got, rows)
	n := 0
	Scan(b, func(int, *Chunk) bool { n++; return false })
	if n != 1 {
		t.Errorf("Scan goes on after it was told to end")
	}
}

// seal makes the checks of b right where its sizes allow, so that trials reach
// what stands behind them.
func seal(b []byte) {
	if len(b) < fixed {
		return
	}
	copy(b, magicHead)
	binary.LittleEndian.PutUint32(b[5:], uint32(len(b)))
	size := int(binary.LittleEndian.Uint32(b[9:]))
	if size > len(b)-fixed-crcBytes {
		return
	}
	body := b[fixed : fixed+size]
	crc := headCRC(b[4], uint32(len(b)), uint32(size), body)
	binary.LittleEndian.PutUint32(b[fixed+size:], crc)
	var c Chunk
	if c.openHead(b, 0) != nil {
		return
	}
	for i, e := range c.index {
		data := b[e.off : e.off+e.size-crcBytes]
		binary.LittleEndian.PutUint32(b[e.off+len(data):], blockCRC(crc, i, data))
	}
}

// FuzzRead reads anything, as it is and with its checks made right.
func FuzzRead(f *testing.F) {
	var e Encoder
	small := mixed(40)
	for _, rows := range [][]Row{small, small[:1], small[30:]} {
		b, _ := e.before(nil, "fryer", rows, 1<<20)
		f.Add(b)
		b, _ = briefly(nil, "fryer", rows, 0)
		f.Add(b)
	}
	d, _ := e.packed(nil, "fryer", mixed(400), 1<<20)
	f.Add(d)
	f.Fuzz(func(t *testing.T, b []byte) {
		var out Block
		b = bytes.Clone(b)
		for range 2 {
			Scan(b, func(at int, c *Chunk) bool {
				if c.Size() > len(b)+max(-at, 0)+maxSize || c.Blocks() > len(b) {
					t.Fatalf("%d bytes hold a chunk of %d with %d blocks", len(b), c.Size(), c.Blocks())
				}
				n := 0
				for i := range c.Blocks() {
					if c.Read(i, &out) == nil && out.Len() != c.BlockSpan(i).Rows {
						t.Fatalf("block %d has %d rows, its head says %d", i, out.Len(), c.BlockSpan(i).Rows)
					}
					var buf []byte
					for j := range min(out.Len(), 3) {
						out.Row(j, &buf)
					}
					if n += out.Len(); n > 1<<16 {
						break // enough for one trial
					}
				}
				return true
			})
			seal(b)
		}
	})
}

// FuzzFlip changes bytes of chunks, and cuts them: no row comes back that was
// not written.
func FuzzFlip(f *testing.F) {
	want := mixed(900)
	var e Encoder
	dense, _ := e.packed(nil, "fryer", want, 1<<20)
	plain, _ := e.before(nil, "fryer", want, 1<<20)
	brief, _ := briefly(nil, "fryer", want[500:], 0)
	all := [][]byte{dense, plain, brief}
	f.Add(uint8(0), uint32(700), uint32(1), uint32(90), uint32(5), uint32(0))
	f.Add(uint8(1), uint32(3), uint32(1), uint32(5), uint32(1), uint32(20))
	f.Add(uint8(2), uint32(30), uint32(1), uint32(150), uint32(1), uint32(0))
	f.Fuzz(func(t *testing.T, form uint8, a, maskA, b, maskB, cut uint32) {
		chunk := bytes.Clone(all[int(form)%len(all)])
		chunk[a%uint32(len(chunk))] ^= byte(maskA)
		chunk[b%uint32(len(chunk))] ^= byte(maskB)
		chunk = chunk[:uint32(len(chunk))-cut%uint32(len(chunk))]
		var out Block
		Scan(chunk, func(at int, c *Chunk) bool {
			rows, _ := readable(t, c, &out)
			checkPart(t, rows, want)
			return true
		})
	})
}
