package history

import (
	"math/rand/v2"
	"testing"
	"time"
)

// Where samples are missing, faulty and over range, a run emits for no longer than it
// lasts, and for as long as its pieces say.
func TestARunEmitsAsLongAsItsPieces(t *testing.T) {
	all, _ := made(rand.New(rand.NewPCG(61, 62)), 60*time.Hour, true)
	for i := range all { // a probe that is taken away in a run: samples come, and count for nothing
		if i%5000 > 4000 && i%5000 < 4400 {
			all[i].Valid = false
		}
	}
	p := pass()
	end := all[len(all)-1].At
	k := keptOf(t, all, end.Add(time.Hour))
	out, err := Stretches(t.Context(), k, p, PerRun, begin, end, time.UTC)
	if err != nil || len(out) < 50 {
		t.Fatalf("%d runs, %v", len(out), err)
	}
	unseen := 0
	for _, x := range out {
		if x.Run.Unseen > 0 {
			unseen++
		}
		if lasts := x.Run.End.Sub(x.Run.Start); x.Run.On+x.Run.Unseen > lasts || x.Run.On != x.Sum.On.Quantiles.Total() {
			t.Errorf("run %d lasts %v, of which %v were not seen and it emitted %v, by its pieces %v",
				x.Run.Number, lasts, x.Run.Unseen, x.Run.On, x.Sum.On.Quantiles.Total())
		}
	}
	if unseen < 5 {
		t.Errorf("in %d of %d runs something was not seen: this tries nothing", unseen, len(out))
	}
}
