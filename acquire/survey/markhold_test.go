package survey

import (
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

// held lets a mark be held over readings of a field.
func held(d quantity.Length, every time.Duration, field func(time.Duration) Reading) (Mark, error) {
	h := &MarkHold{Distance: d, Begun: epoch(), Response: time.Second, Turn: 12 * time.Second, Floor: 0.2, End: EndOf(50)}
	for at := time.Duration(0); at < time.Minute; at += every {
		r := field(at)
		r.At = epoch().Add(at)
		if h.Observe(r) || h.Overdue(r.At) {
			break
		}
	}
	return h.Mark()
}

func TestMarkIsTheMeanOfWholeTurns(t *testing.T) {
	turning := func(at time.Duration) Reading {
		s := 10 * (1 + 0.25*math.Sin(2*math.Pi*at.Seconds()/12))
		if at < 2*time.Second {
			s = 200 // the step on arriving
		}
		return Reading{S: s, HasValue: true}
	}
	m, err := held(0.2, 100*time.Millisecond, turning)
	if err != nil || math.Abs(float64(m.Value)-10) > 0.02 {
		t.Errorf("%+v, %v; want the mean of 10 W/m²", m, err)
	}
	// The distance alone: 2·10·2 mm/(20 cm·√3).
	if want := 2 * 10 * 0.002 / 0.2 / math.Sqrt(3); math.Abs(float64(m.U)-want) > 0.1*want {
		t.Errorf("standard uncertainty %g W/m², want about %g", m.U, want)
	}
	off, err := held(quantity.Length(math.Inf(1)), 100*time.Millisecond, func(time.Duration) Reading { return Reading{S: 0.1, HasValue: true} })
	if err != nil || !off.Off() || float64(off.U) > 0.02 || !(off.U > 0) {
		t.Errorf("oven off: %+v, %v", off, err)
	}
	drifting, err := held(0.2, 100*time.Millisecond, func(at time.Duration) Reading {
		return Reading{S: 10 + at.Seconds()/6, HasValue: true}
	})
	if err != nil || float64(drifting.U) < 0.9 {
		t.Errorf("turns that differ by 2 W/m²: %+v, %v", drifting, err)
	}
}

func TestMarksThatAreNone(t *testing.T) {
	for want, field := range map[string]func(time.Duration) Reading{
		"over the probe's range": func(at time.Duration) Reading {
			return Reading{S: 1, HasValue: at < 9*time.Second, OverRange: at >= 9*time.Second}
		},
		"Step back now": func(time.Duration) Reading { return Reading{S: 500, HasValue: true} },
		"said nothing": func(at time.Duration) Reading {
			return Reading{S: 1, HasValue: at < 9*time.Second || at > 12*time.Second}
		},
		"too little":  func(time.Duration) Reading { return Reading{Fault: true} },
		"zero is off": func(time.Duration) Reading { return Reading{S: -1, HasValue: true} },
		"certificate": func(time.Duration) Reading { return Reading{S: 1, HasValue: true, Unsure: true} },
	} {
		if m, err := held(0.2, 100*time.Millisecond, field); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %+v, %v", want, m, err)
		}
	}
	if _, err := held(0.2, 900*time.Millisecond*5, func(time.Duration) Reading { return Reading{S: 1, HasValue: true} }); err == nil {
		t.Error("a reading each 4.5 s makes a mark")
	}
}
