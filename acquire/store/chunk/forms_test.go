package chunk

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// form is how an instrument words its readings.
type form struct {
	name string
	most float64 // bytes a sample, with all heads
	row  func(i int, noise int64) Row
}

func forms() []form {
	said := func(digits int64, exp int8, format string, args ...any) Row {
		return Row{Digits: digits, Exp: exp, HasValue: true, Unit: "mW/cm2", Said: fmt.Appendf(nil, format, args...)}
	}
	return []form{
		{name: "fixed point", most: 1.1, row: func(_ int, n int64) Row { return said(1200+n, -3, "%.3f mW/cm2", float64(1200+n)/1000) }},
		{name: "signed and padded", most: 1.1, row: func(_ int, n int64) Row { return said(n, -3, "V=%+08.3f;OK", float64(n)/1000) }},
		{name: "scientific", most: 1.2, row: func(_ int, n int64) Row { return said(1234000+1000*n, -6, "+1.%03d000E+00", 234+n) }},
		{name: "a counter in front", most: 1.2, row: func(i int, n int64) Row { return said(1200+n, -3, "#%06d,%d", 77+i, 1200+n) }},
		{name: "three axes, twice", most: 3.0, row: func(i int, n int64) Row {
			x, y := 100+n, 30+n*7919%50
			r := said(1200+n, -3, "1.%03d %d.%02d 0.%02d -0.02", 200+n, x/100, x%100, y)
			r.More = fmt.Appendf(nil, `{"axes":[%d.%02d,0.%02d,-0.02],"battery":3.710,"battery_unit":"V"}`, x/100, x%100, y)
			return r
		}},
		{name: "a flag that flips", most: 1.3, row: func(_ int, n int64) Row {
			r := said(1200+n, -3, "1.%03d", 200+n)
			if n < 0 {
				r.Quality = 8
			}
			return r
		}},
		{name: "status words", most: 1.3, row: func(i int, n int64) Row {
			if i%500 < 20 {
				return Row{Said: []byte("OL"), Status: 1, Quality: 2}
			}
			return said(1200+n, -3, "1.%03d", 200+n)
		}},
		{name: "nothing changes", most: 0.1, row: func(int, int64) Row { return said(0, -3, "0.000 mW/cm2") }},
	}
}

// Each way to word a reading takes few bytes, and comes back byte for byte.
func TestForms(t *testing.T) {
	for _, f := range forms() {
		t.Run(f.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(5, 6))
			rows := make([]Row, 6000)
			for i := range rows {
				rows[i] = f.row(i, int64(rng.NormFloat64()*20))
				r := &rows[i]
				r.Seq, r.At, r.AtU, r.Version = int64(i+1), int64(i)*1e8, 5e6, 3
			}
			var e Encoder
			b, n := e.packed(nil, "fryer", rows, 1<<20)
			got := all(t, b)
			if n != len(rows) || len(got) != n {
				t.Fatalf("%d rows packed and %d read of %d", n, len(got), len(rows))
			}
			for i := range got {
				if !same(&got[i], &rows[i]) {
					t.Fatalf("row %d comes back as\n%+v\nwant\n%+v", i, got[i], rows[i])
				}
			}
			each := float64(len(b)) / float64(n)
			t.Logf("%.3f bytes a sample, %q", each, rows[0].Said)
			if each > f.most {
				t.Errorf("%.3f bytes a sample, want at most %.3f", each, f.most)
			}
		})
	}
}

// Any number in any text is found and written again as it was.
func TestNumberRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := []byte(rapid.StringMatching(`[-+]?[0-9]{0,20}(\.[0-9]{0,20})?[-+0-9.]{0,3}`).Draw(rt, "text"))
		v, s, n := number(b)
		if n == 0 {
			return
		}
		if got := s.append(nil, v); string(got) != string(b[:n]) {
			rt.Fatalf("%q is written again as %q", b[:n], got)
		}
		if w, m := s.as(b); w != v || m != n {
			rt.Fatalf("%q is %d of %d bytes, and spelled so %d of %d", b, v, n, w, m)
		}
	})
}

// A line that is spelled one way is read that way only if it is written so again.
func TestSpelling(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		draw := rapid.StringMatching(`[-+]?0{0,2}[0-9]{1,5}(\.[0-9]{0,3})?`)
		_, s, n := number([]byte(draw.Draw(rt, "one")))
		other := []byte(draw.Draw(rt, "other"))
		if n == 0 {
			return
		}
		if v, m := s.as(other); m > 0 && string(s.append(nil, v)) != string(other[:m]) {
			rt.Fatalf("%q, read as %+v, is written %q", other, s, s.append(nil, v))
		}
	})
}

// The signal is denser than its order-0 entropy.
func TestDensity(t *testing.T) {
	for _, tc := range []struct {
		places int
		most   float64
	}{{3, 0.85}, {2, 0.45}} {
		var e Encoder
		rows := signalRows(120_000, tc.places)
		full := 0
		for n, total := 0, len(rows); len(rows) > 0; rows = rows[n:] {
			var b []byte
			b, n = e.packed(nil, "fryer", rows, 32<<10)
			full += len(b)
			if n < len(rows) && len(b) < 32<<10*97/100 {
				t.Errorf("a chunk of %d rows has %d bytes, and more would have fitted into %d", n, len(b), 32<<10)
			}
			if n == len(rows) {
				each := float64(full) / float64(total)
				t.Logf("%d places: %.4f bytes a sample", tc.places, each)
				if each > tc.most {
					t.Errorf("%d places: %.4f bytes a sample, want at most %.2f", tc.places, each, tc.most)
				}
			}
		}
	}
}

// A chunk holds at most a minute in one block, cut at whole minutes.
func TestBlocksAreMinutes(t *testing.T) {
	rows := signalRows(5000, 3)
	for _, packed := range []func([]byte, string, []Row, int) ([]byte, int){new(Encoder).packed, new(Encoder).before, briefly} {
		b, _ := packed(nil, "fryer", rows, 1<<20)
		var c Chunk
		if err := c.Open(b); err != nil {
			t.Fatal(err)
		}
		var out Block
		for i := range c.Blocks() {
			if err := c.Read(i, &out); err != nil {
				t.Fatal(err)
			}
			first, last := time.Unix(0, out.At[0]), time.Unix(0, out.At[out.Len()-1])
			if !first.Truncate(time.Minute).Equal(last.Truncate(time.Minute)) {
				t.Errorf("block %d has rows from %v to %v", i, first, last)
			}
			s := c.BlockSpan(i)
			if s.Rows != out.Len() || s.FromSeq != out.Seq[0] || s.ToSeq != out.Seq[s.Rows-1] || s.From != out.At[0] || s.To < out.At[s.Rows-1] {
				t.Errorf("block %d has numbers %d to %d, its span is %+v", i, out.Seq[0], out.Seq[s.Rows-1], s)
			}
		}
	}
}

// What is damaged is named.
func TestDamageIsNamed(t *testing.T) {
	var e Encoder
	b, _ := e.packed(nil, "fryer", signalRows(1300, 3), 1<<20)
	var c Chunk
	if err := c.Open(b); err != nil {
		t.Fatal(err)
	}
	b[c.index[1].off+9] ^= 4
	err := c.Read(1, new(Block))
	want := "damage at post fryer: 600 samples, numbers 601 to 1200, 2026-01-01T00:01:00.001Z to 2026-01-01T00:02:00.003Z, cannot be read: its bytes are not those that were written"
	if err == nil || err.Error() != want {
		t.Errorf("it says\n%v\nwant\n%s", err, want)
	}
	if err := c.Open(b[10:40]); err == nil || !strings.Contains(err.Error(), "no chunk of samples") {
		t.Errorf("a part of a chunk opens: %v", err)
	}
}

// digitsOf is the number that b begins with.
func digitsOf(b []byte) int64 {
	v, _, _ := number(b)
	return v
}

// mistaken is what a careless reader takes b for.
func mistaken(b []byte) []int64 {
	var digits, bytes, first int64
	for i, c := range b {
		if isDigit(c) {
			digits = digits*10 + int64(c-'0')
		}
		if i < 5 && c != '.' {
			bytes = bytes*10 + int64(c-'0')
		}
		if i == 0 {
			first = int64(c - '0')
		}
	}
	return []int64{digitsOf(b) + 1, digits, -digits, bytes, first}
}

// A row whose value stands alone follows its template as any other does.
func TestAloneIsNoOther(t *testing.T) {
	said := rapid.SampledFrom([]string{"1.200", "0.003", "-0.5", "12", "+3.10", "007", "0.0", "-0.00", "1.2.3", "", "OL", "1234567890.1", "1.20000000000",
		"-", ".", "1.", "-12.345", "1234.567", "12345.678", "1234567", "12345678", "-1234567", "0", "-0", "1:200", "1/200", "1.2\xb00", "01.200",
		".200", "-.200", "1.2:0", "500000000", "50000000", "5000.0000"})
	usual := rapid.SampledFrom([]string{"1.200", "0.003", "12.345", "-0.002", "7", "123456.7"})
	tails := rapid.SampledFrom([]string{"", " mW/cm2", ";OK", " 3", ".", "5", " milliwatts", " milliwatty", ","})
	row := func(t *rapid.T, tail string) Row {
		if rapid.IntRange(0, 3).Draw(t, "other tail") == 0 {
			tail = tails.Draw(t, "tail")
		}
		number := usual.Draw(t, "usual")
		if rapid.IntRange(0, 3).Draw(t, "other number") == 0 {
			number = said.Draw(t, "said")
		}
		r := Row{Said: []byte(number + tail), HasValue: rapid.IntRange(0, 9).Draw(t, "none") > 0}
		r.Digits = digitsOf(r.Said)
		if rapid.IntRange(0, 3).Draw(t, "other value") == 0 {
			r.Digits = rapid.SampledFrom(mistaken(r.Said)).Draw(t, "value")
		}
		if rapid.IntRange(0, 9).Draw(t, "more") == 0 {
			r.More = []byte(`{"battery":3}`)
		}
		return r
	}
	alone, followed := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		tail := tails.Draw(t, "usual tail")
		first := row(t, tail)
		quick, _ := learn(&first, nil)
		plain := quick
		plain.word = oneWord{}
		for range 300 {
			r := row(t, tail)
			got, ok := quick.match(&r, nil)
			want, wantOK := plain.match(&r, nil)
			if ok != wantOK || ok && !slices.Equal(got, want) {
				t.Fatalf("%q: %d, %v; want %d, %v", r.Said, got, ok, want, wantOK)
			}
			if quick.word.most > 0 {
				alone++
			}
			if quick.word.most > 0 && ok {
				followed++
			}
		}
	})
	if alone < 100 || followed < 20 {
		t.Errorf("%d times alone, %d followed: the test looks at nothing", alone, followed)
	}
}

// A row that goes the short way into a Brief is written as by the long one.
func TestAnotherIsAsAdd(t *testing.T) {
	another, added := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		res := time.Duration(rapid.SampledFrom([]int{0, 10, 1e2, 1e3, 1e4, 1e5, 1e6}).Draw(t, "resolution"))
		var quick, plain Brief
		quickQ, plainQ := Quantiser{Resolution: res}, Quantiser{Resolution: res}
		var quickH, plainH Habit
		spelled := spelling{width: 1, places: uint8(rapid.SampledFrom([]int{0, 1, 2, 3, 3, 4, 6, 7}).Draw(t, "places"))}
		tail := rapid.SampledFrom([]string{"", " mW/cm2", " milliwatts", ";OK"}).Draw(t, "tail")
		scale := int64(rapid.SampledFrom([]int{1, 100, 100, 5000, 5000, 1e6, 1e9}).Draw(t, "scale"))
		period := rapid.SampledFrom([]int64{1e6, 1e8, 3e9}).Draw(t, "period")
		jitter := rapid.SampledFrom([]int64{0, 0, 1, 1e3, 1e6, 1e6, 2e8}).Draw(t, "jitter")
		at := rapid.SampledFrom([]int64{0, 1e15, 1e15, -1e12}).Draw(t, "start")
		var last Row
		unusual := make([]int, 60)
		for i := range 8 {
			unusual[52+i] = i + 1
		}
		for i := range rapid.IntRange(100, 300).Draw(t, "rows") {
			at += max(period+rapid.Int64Range(-jitter, jitter).Draw(t, "late"), 0)
			r := Row{Seq: last.Seq + 1, At: at, AtU: 1e6, HasValue: true, Exp: -int8(spelled.places), Unit: "mW/cm2", Version: 1, Correction: 1,
				Digits: rapid.Int64Range(-scale/4, scale).Draw(t, "digits")}
			r.Said = append(spelled.append(nil, r.Digits), tail...)
			switch rapid.SampledFrom(unusual).Draw(t, "unusual") {
			case 1:
				r.Seq += rapid.Int64Range(1, 9).Draw(t, "gap")
			case 2:
				r.AtU = rapid.Int64Range(0, 1e9).Draw(t, "unsure by")
			case 3:
				r.Digits++
			case 4:
				r.Quality = 1
			case 5:
				r.Said = append([]byte("+"), r.Said...)
			case 6:
				r.More = []byte(`{"battery":3}`)
			case 7:
				r.At += 90e9
				at = r.At
			case 8: // a row that goes nowhere
				for _, q := range []*Quantiser{&quickQ, &plainQ} {
					q.Set(&Row{At: at, AtU: 3e6})
				}
			}
			like := i > 0 && r.Quality == last.Quality && len(r.More) == 0
			last = r
			took := like && quick.Another(&quickQ, r.Seq, r.At, r.AtU, r.Digits, r.Said)
			if took {
				another++
			} else {
				added++
			}
			short, long := r, r
			plainQ.Set(&long)
			if !took {
				quickQ.Set(&short)
				took = quick.Add(&short, &quickH)
			}
			if want := plain.Add(&long, &plainH); took != want {
				t.Fatalf("row %d, %q, was taken: %v, want %v", i, r.Said, took, want)
			}
			if quickQ != plainQ {
				t.Fatalf("after row %d instants are coarsened as %+v, want %+v", i, quickQ, plainQ)
			}
			if !took {
				sameBrief(t, &quick, &plain)
				quick.Reset()
				plain.Reset()
				quick.Add(&short, &quickH)
				plain.Add(&long, &plainH)
			}
		}
		sameBrief(t, &quick, &plain)
	})
	if another < 1000 || added < 1000 {
		t.Errorf("%d the short way, %d the long one: the test looks at nothing", another, added)
	}
	t.Logf("%d the short way, %d the long one", another, added)
}

func sameBrief(t *rapid.T, got, want *Brief) {
	t.Helper()
	if got.Span() != want.Span() || !bytes.Equal(got.AppendTo(nil, "fryer"), want.AppendTo(nil, "fryer")) {
		t.Fatalf("%+v\n%q\nwant %+v\n%q", got.Span(), got.AppendTo(nil, "fryer"), want.Span(), want.AppendTo(nil, "fryer"))
	}
}

// The digits of a unit are text, so a value with its unit stands alone.
func TestUnitHoldsNoNumber(t *testing.T) {
	row := Row{Said: []byte("1.200 mW/cm2"), Unit: "mW/cm2", Digits: 1200, HasValue: true}
	with, _ := learn(&row, nil)
	row.Unit = ""
	without, _ := learn(&row, nil)
	if len(with.fields) != 1 || with.word.most == 0 || len(without.fields) != 2 || without.word.most > 0 {
		t.Errorf("with its unit %+v, without %+v", with, without)
	}
}

// Rows of raw bytes that look like the end of a text and a number go into no other's template.
func TestRawBytesMakeTheirOwnTemplate(t *testing.T) {
	var rows []Row
	for i, said := range []string{"a5T", "a\xfe\x01\x00\x00\x00T", "a6T", "a\xfd", "a\xff7"} {
		for range 3 {
			rows = append(rows, Row{Seq: int64(len(rows) + 1), At: int64(len(rows)) * 1e8, Said: []byte(said), Digits: int64(i + 5), HasValue: true})
		}
	}
	var e Encoder
	b, n := e.packed(nil, "fryer", rows, 1<<20)
	got := all(t, b)
	if n != len(rows) || len(got) != n {
		t.Fatalf("%d rows packed and %d read of %d", n, len(got), len(rows))
	}
	for i := range got {
		if !same(&got[i], &rows[i]) {
			t.Errorf("row %d comes back as\n%+v\nwant\n%+v", i, got[i], rows[i])
		}
	}
}
