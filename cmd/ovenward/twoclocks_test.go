package main

import (
	"testing"
	"time"
	"unsafe"
)

// twoClocks is an instant with a reading of both clocks, as time.Now gives outside
// a bubble: inside there is none of the monotonic clock, and no way to set the
// wall's alone. It writes the fields of time.Time; TestFaultTwoClocks holds it to what it
// says.
func twoClocks(wall time.Time, mono time.Duration) time.Time {
	const hasMonotonic, since1885 = 1 << 63, 2682288000 // seconds from 1885 to 1970
	t := struct {
		wall uint64
		ext  int64
		loc  *time.Location
	}{hasMonotonic | uint64(wall.Unix()+since1885)<<30 | uint64(wall.Nanosecond()), int64(mono) + 1, time.UTC}
	return *(*time.Time)(unsafe.Pointer(&t))
}

func TestFaultTwoClocks(t *testing.T) {
	if unsafe.Sizeof(time.Time{}) != 24 {
		t.Fatal("time.Time is not what it was")
	}
	noon := time.Date(2026, 3, 1, 12, 0, 0, 123456789, time.UTC)
	a, b := twoClocks(noon, time.Minute), twoClocks(noon.Add(-time.Hour), time.Minute+time.Second)
	if !a.Round(0).Equal(noon) || a.Round(0).Format(time.RFC3339Nano) != "2026-03-01T12:00:00.123456789Z" || !b.Round(0).Equal(noon.Add(-time.Hour)) {
		t.Errorf("the wall clock reads %v and %v", a, b)
	}
	if d := b.Sub(a); d != time.Second {
		t.Errorf("%s went by on the monotonic clock, want 1 s", d)
	}
	if a.Add(time.Second).Sub(a) != time.Second || !b.After(a) {
		t.Error("spans and order are not those of the monotonic clock")
	}
}
