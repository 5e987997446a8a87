package cycle

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/quantity"
	"ovenward/drivers/simulate"
)

const (
	mains      = 20 * time.Millisecond // the kitchen's field is constant in it, but for half-waves
	kitchenFor = 15 * time.Minute
	probeFloor = 0.1 // W/m²
)

// kitchen is one random kitchen and how its probe is polled.
type kitchen struct {
	options  simulate.Options
	period   time.Duration
	response time.Duration
	signal   float64 // in floors: of the weakest field while on
}

// randomKitchen has one oven, and often a second far away, whose leak at the probe
// is 3 to 3 000 floors and swings with the turntable; a probe of 0.3 to 3 s with
// noise up to a third of the floor and a drifting zero; polls of 0.1 to 1 s.
func randomKitchen(seed uint64) kitchen {
	rng := rand.New(rand.NewPCG(seed, 77))
	between := func(a, b float64) float64 { return a * math.Pow(b/a, rng.Float64()) }
	k := kitchen{signal: between(3, 3000)}
	k.period = time.Duration(between(0.1, 1) * float64(time.Second)).Round(10 * time.Millisecond)
	k.response = time.Duration(between(0.3, 3) * float64(time.Second)).Round(10 * time.Millisecond)
	stir := 0.3 * rng.Float64()
	oven := func(id string, x, level float64) simulate.Oven {
		o := simulate.Oven{ID: id, Power: 1000, Magnetrons: 1 + rng.IntN(2), Seam: simulate.Point{X: x}, Stir: stir, SeededFrom: 5 * time.Second}
		gap := math.Sqrt(level / 5 / (1 - stir)) // 5 W/m² for each kilowatt and mm²
		o.Gap = simulate.Gap{Before: gap, After: gap * (1 + 0.3*rng.Float64()), From: time.Minute, Until: kitchenFor}
		return o
	}
	k.options = simulate.Options{Site: "random kitchen", Seed: seed, Ovens: []simulate.Oven{oven("near", 0, k.signal*probeFloor)},
		Probes: []simulate.ProbeSpec{{ID: "probe", At: simulate.Point{Y: 0.05}, ResponseTime: k.response, NoiseSD: probeFloor / 3 * (0.3 + 0.7*rng.Float64()),
			Zero: 0.05 * rng.Float64(), ZeroPerKelvin: 0.01 * (2*rng.Float64() - 1)}}}
	if rng.IntN(2) == 0 { // heard at the probe with a hundredth of a floor at most
		k.options.Ovens = append(k.options.Ovens, oven("far", 8, 20*rng.Float64()))
	}
	return k
}

type spell struct{ from, to time.Duration }

// watched is what a kitchen did and what Runs made of it.
type watched struct {
	truth, found []spell
	on           time.Duration // in truth, within the runs of truth
	foundOn      time.Duration
	samples      int
}

// watch lets Runs see a kitchen, and notes when the field is there in truth: from
// three floors on.
func (k kitchen) watch(t *testing.T) watched {
	t.Helper()
	site, err := simulate.New(k.options)
	if err != nil {
		t.Fatal(err)
	}
	probe := site.Probe("probe")
	r := NewRuns(Options{Floor: probeFloor, Gap: gap, Response: k.response, Stale: 10 * time.Second})
	var w watched
	finished, next, n := 0, time.Duration(0), uint64(0)
	for at := time.Duration(0); at < kitchenFor; at += mains {
		for next < at {
			r.Observe(next, said(t, probe.Line(next, n)))
			next, n = next+k.period, n+1
			w.samples++
			if c, run := r.Finished(); c > finished {
				finished = c
				w.found, w.foundOn = append(w.found, spell{run.Start, run.Last}), w.foundOn+run.On
			}
		}
		if field, _ := probe.Truth(at); field >= 0.999*3*probeFloor {
			w.on += mains
			if i := len(w.truth) - 1; i >= 0 && at-w.truth[i].to <= gap {
				w.truth[i].to = at + mains
			} else {
				w.truth = append(w.truth, spell{at, at + mains})
			}
		} else if field > 0.5*probeFloor {
			t.Fatalf("a field of %g W/m² at %v is neither on nor off: the kitchen is no test", field, at)
		}
	}
	if r.Advance(kitchenFor + 2*gap); r.finished > finished {
		w.found, w.foundOn = append(w.found, spell{r.last.Start, r.last.Last}), w.foundOn+r.last.On
	}
	return w
}

// said reads a line of the simulated probe into W/m²; over range is +Inf.
func said(t *testing.T, line string) quantity.PowerDensity {
	t.Helper()
	number, _, _ := strings.Cut(line, ",")
	if strings.HasSuffix(line, simulate.StatusOver) {
		return quantity.PowerDensity(math.Inf(1))
	}
	x, err := strconv.ParseFloat(number, 64)
	if err != nil {
		t.Fatalf("%q: %v", line, err)
	}
	return quantity.PowerDensity(10 * x)
}

// undecidable says that a pause is as long as the run gap, give or take what the
// ends of a run may be off: whether it parts two runs nobody can tell.
func undecidable(all []spell, tolerance time.Duration) bool {
	for i := 1; i < len(all); i++ {
		if p := all[i].from - all[i-1].to; p < gap+2*tolerance {
			return true
		}
	}
	return false
}

// TestRunsAgainstTheTruth holds run detection against what random kitchens truly
// did: a run counts as found when its start and its end lie within one response time
// and one sample.
func TestRunsAgainstTheTruth(t *testing.T) {
	kitchens := 100
	if underRace {
		kitchens = 5
	}
	if os.Getenv("OVENWARD_COUNTS") == "full" {
		kitchens = 1000
	}
	truths, founds, matched, skipped := 0, 0, 0, 0
	var worstStart, worstEnd, on, foundOn float64
	var wrong []string
	for seed := range uint64(kitchens) {
		k := randomKitchen(seed)
		tolerance := k.response + k.period
		w := k.watch(t)
		// The kitchen's truth joins pauses up to the gap; a seen pause is shorter.
		if undecidable(w.truth, tolerance) {
			skipped++
			continue
		}
		on, foundOn = on+w.on.Seconds(), foundOn+w.foundOn.Seconds()
		truths, founds = truths+len(w.truth), founds+len(w.found)
		for _, want := range w.truth {
			hit := false
			for _, got := range w.found {
				start, end := float64(got.from-want.from)/float64(tolerance), float64(got.to-want.to)/float64(tolerance)
				if math.Abs(start) <= 1 && math.Abs(end) <= 1 {
					hit = true
					worstStart, worstEnd = max(worstStart, math.Abs(start)), max(worstEnd, math.Abs(end))
				}
			}
			if hit {
				matched++
			} else {
				wrong = append(wrong, fmt.Sprintf("seed %d (%.3g floors, %v, each %v): run %v to %v; found %v", seed, k.signal, k.response, k.period, want.from, want.to, w.found))
			}
		}
	}
	precision, recall := 100*float64(matched)/float64(founds), 100*float64(matched)/float64(truths)
	t.Logf("%d kitchens, %d left out; %d runs, %d found, %d rightly: precision %.2f %%, recall %.2f %%; worst start %.2f, worst end %.2f of what is allowed; on for %.0f s, found %.0f s",
		kitchens, skipped, truths, founds, matched, precision, recall, worstStart, worstEnd, on, foundOn)
	if math.Abs(foundOn/on-1) > 0.05 {
		t.Errorf("time on: %.0f s found of %.0f s", foundOn, on)
	}
	if testing.Verbose() {
		t.Log(strings.Join(wrong, "\n"))
	}
	if precision < 99.5 || recall < 99.5 || truths < kitchens || skipped > kitchens/3 {
		t.Errorf("want 99.5 %% of both, of at least %d runs\n%s", kitchens, strings.Join(wrong, "\n"))
	}
}
