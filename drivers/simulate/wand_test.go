package simulate

import (
	"math"
	"testing"
	"time"
)

// A wand that stands still says what a probe at the same place is expected to,
// and one that is moved away says less, after its lag.
func TestWandFeelsWhatTheProbeWould(t *testing.T) {
	o := Scripted(3, 1, Pattern{Begin: time.Second, On: time.Hour, Level: 40})
	k, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	spec := ProbeSpec{ID: "hand", At: Point{0, reference, 0}, NoiseSD: -1}
	w, err := k.Wand(spec)
	if err != nil {
		t.Fatal(err)
	}
	p := k.Probe("probe-1")
	for at := 500 * time.Millisecond; at < 6*time.Second; at += 500 * time.Millisecond {
		said, over := w.Move(spec.At, at)
		if _, want := p.Truth(at); over || math.Abs(said-want) > 0.02+1e-3*want {
			t.Errorf("after %v the wand says %g W/m², the probe there is expected to say %g", at, said, want)
		}
	}
	away := Point{0, 2 * reference, 0}
	w.Move(away, 6500*time.Millisecond)
	if said, _ := w.Move(away, 12*time.Second); math.Abs(said-10) > 0.5 {
		t.Errorf("at twice the distance the wand says %g W/m², want about 10", said)
	}
	if f := k.Field(away, 12*time.Second); math.Abs(f-10) > 1e-9 {
		t.Errorf("the field there is %g W/m², want 10", f)
	}
}
