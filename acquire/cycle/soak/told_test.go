package soak

import (
	"testing"
	"time"
)

// A measured time is told to what people read, never in nanoseconds.
func TestMeasuredTimesAreRounded(t *testing.T) {
	for d, want := range map[time.Duration]string{
		301563461869 * time.Nanosecond:            "302 s",
		2*time.Hour + 123*time.Millisecond:        "2 h",
		3*time.Second + 141592653*time.Nanosecond: "3.1 s",
		0:                             "0.0 s",
		time.Minute - time.Nanosecond: "1 min",
	} {
		if got := told(d); got != want {
			t.Errorf("%v is told as %q, want %q", time.Duration(d), got, want)
		}
	}
}
