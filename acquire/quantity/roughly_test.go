package quantity

import (
	"testing"
	"time"
)

func TestRoughly(t *testing.T) {
	for d, want := range map[time.Duration]string{0: "0 s", 371609152: "0.3716 s", 79800 * time.Millisecond: "79.8 s", 897 * time.Second: "14.95 min", 119 * time.Minute: "119 min", 4800 * time.Hour: "4800 h"} {
		if got := Roughly(d); got != want {
			t.Errorf("%d: %q, want %q", d, got, want)
		}
	}
}
