package chunk

import (
	"fmt"
	"testing"
	"time"

	"ovenward/acquire/store/storetest"
)

// signalRows returns n rows of the signal that density and speed are measured
// with.
func signalRows(n, places int) []Row {
	s := storetest.New(1, places, time.Unix(1_767_225_600, 0))
	said := make([]byte, 0, 16*n)
	rows := make([]Row, n)
	for i := range rows {
		at, digits := s.Next()
		from := len(said)
		said = s.AppendSaid(said, digits)
		rows[i] = Row{Seq: int64(i + 1), At: at, AtU: 1e6, HasValue: true, Digits: digits, Exp: int8(-places), Unit: "mW/cm2",
			Version: 1, Correction: 1, Said: said[from:len(said):len(said)]}
	}
	return rows
}

// chunks packs all rows.
func chunks(e *Encoder, rows []Row, limit int) [][]byte {
	var all [][]byte
	for len(rows) > 0 {
		b, n := e.packed(nil, "fryer", rows, limit)
		all = append(all, b)
		rows = rows[n:]
	}
	return all
}

func size(all [][]byte) int {
	n := 0
	for _, b := range all {
		n += len(b)
	}
	return n
}

// BenchmarkEncode packs a day, and says how dense that is beside the signal's
// order-0 entropy.
func BenchmarkEncode(b *testing.B) {
	const day = 864_000
	for _, places := range []int{3, 2} {
		for _, limit := range []int{8 << 10, 32 << 10, 64 << 10} {
			b.Run(fmt.Sprintf("places=%d/limit=%d", places, limit), func(b *testing.B) {
				rows := signalRows(day, places)
				var e Encoder
				var all [][]byte
				for b.Loop() {
					all = chunks(&e, rows, limit)
				}
				v, t := storetest.Entropy(storetest.New(1, places, time.Unix(1_767_225_600, 0)), day)
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/day, "ns/sample")
				b.ReportMetric(float64(size(all))/day, "B/sample")
				b.ReportMetric(v+t, "entropy-B/sample")
			})
		}
	}
}

// BenchmarkDecode reads a day: columns alone, and with what was said.
func BenchmarkDecode(b *testing.B) {
	const day = 864_000
	for _, places := range []int{3, 2} {
		var e Encoder
		all := chunks(&e, signalRows(day, places), 32<<10)
		for _, said := range []bool{false, true} {
			b.Run(fmt.Sprintf("places=%d/said=%v", places, said), func(b *testing.B) {
				var c Chunk
				var out Block
				var buf []byte
				for b.Loop() {
					n := 0
					for _, one := range all {
						if err := c.Open(one); err != nil {
							b.Fatal(err)
						}
						for i := range c.Blocks() {
							if err := c.Read(i, &out); err != nil {
								b.Fatal(err)
							}
							n += out.Len()
							for j := 0; said && j < out.Len(); j++ {
								buf = out.AppendSaid(buf[:0], j)
							}
						}
					}
					if n != day {
						b.Fatalf("%d rows", n)
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/day, "ns/sample")
			})
		}
	}
}

// BenchmarkBrief packs a second of 10 Hz at a time, and a minute.
func BenchmarkBrief(b *testing.B) {
	for _, n := range []int{10, 600} {
		b.Run(fmt.Sprint("rows=", n), func(b *testing.B) {
			rows := signalRows(36_000, 3)
			var one Brief
			var h Habit
			var buf []byte
			i := 0
			for b.Loop() {
				one.Reset()
				for j := range rows[i : i+n] {
					if !one.Add(&rows[i+j], &h) {
						b.Fatal("a Brief is full")
					}
				}
				buf = one.AppendTo(buf[:0], "fryer")
				i = (i + n) % len(rows)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/sample")
			b.ReportMetric(float64(len(buf))/float64(n), "B/sample")
		})
	}
}
