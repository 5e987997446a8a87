package stats

import (
	"encoding/binary"
	"math/rand/v2"
	"reflect"
	"testing"
)

// TestSummariesAreKept: what was encoded comes back, all of it, and goes on as the
// first would have.
func TestSummariesAreKept(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for _, n := range []int{0, 1, 50, 3000} {
		s := NewSummary(50, 10)
		for _, p := range pieces(rng, n) {
			s.Add(p)
		}
		b, err := s.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%d pieces: %d bytes", n, len(b))
		var got Summary
		if err := got.UnmarshalBinary(b); err != nil || !reflect.DeepEqual(got, s) {
			t.Fatalf("%v\n got %+v\nwant %+v", err, got, s)
		}
		for cut := range b {
			if got.UnmarshalBinary(b[:cut]) == nil {
				t.Fatalf("cut off after %d of %d bytes, it was taken", cut, len(b))
			}
		}
		// One of before did not say what was calibrated: that of none of it is known.
		old := append([]byte(nil), b...)
		if old[0] = withoutCalibration; got.UnmarshalBinary(old) == nil {
			t.Fatal("the end of a newer one was taken as an older one's")
		}
		tail := len(binary.AppendVarint(nil, int64(s.Uncalibrated))) + 1
		if err := got.UnmarshalBinary(old[:len(old)-tail]); err != nil || got.Untold != s.Seen() || got.Uncalibrated != 0 {
			t.Fatalf("of before: %v, %v of %v not told, %v uncalibrated", err, got.Untold, s.Seen(), got.Uncalibrated)
		}
		if got.UnmarshalBinary(append(b, 0)) == nil {
			t.Fatal("with a byte more, it was taken")
		}
	}
}

// FuzzSummary: no bytes make it panic.
func FuzzSummary(f *testing.F) {
	s := NewSummary(50)
	for _, p := range pieces(rand.New(rand.NewPCG(1, 1)), 300) {
		s.Add(p)
	}
	b, _ := s.MarshalBinary()
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		var s Summary
		if s.UnmarshalBinary(b) == nil {
			if _, err := s.MarshalBinary(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
