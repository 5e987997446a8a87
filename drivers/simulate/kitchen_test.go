package simulate

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

// said is a line of the simulated instrument, taken apart.
type said struct {
	value    float64 // W/m²
	hasValue bool
	status   string
}

// decode takes a line apart by its own reading of the format.
func decode(t *testing.T, line string) said {
	t.Helper()
	parts := strings.Split(line, ",")
	if len(parts) != 3 || parts[1] != "mW/cm2" {
		t.Fatalf("line %q: want value,mW/cm2,status", line)
	}
	s := said{status: parts[2]}
	if parts[0] != "" {
		v, err := strconv.ParseFloat(parts[0], 64)
		if err != nil {
			t.Fatalf("line %q: %v", line, err)
		}
		s.value, s.hasValue = 10*v, true // 1 mW/cm² = 10 W/m² (reference values, 3.2)
	}
	return s
}

func build(t testing.TB, o Options) *Kitchen {
	t.Helper()
	k, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func field(p *Probe, t time.Duration) float64 {
	f, _ := p.Truth(t)
	return f
}

func TestPantrySeamFailsOnTime(t *testing.T) {
	for seed := uint64(1); seed <= 20; seed++ {
		p := build(t, ModelKitchen(seed, 1)).Probe("probe-2")
		passed, before, highest := time.Duration(-1), 0.0, 0.0
		for at := time.Duration(0); at < 360*time.Second; at += mainsCycle {
			f := field(p, at)
			if at >= 5*time.Second && at < 25*time.Second && (f < 3.5 || f > 4.5) {
				t.Fatalf("seed %d: %g W/m² at %v, want about 4 W/m² before the seam fails", seed, f, at)
			}
			if f >= 50 && passed < 0 {
				passed = at
			}
			if f < 50 && passed >= 0 {
				t.Fatalf("seed %d: back at %g W/m² at %v", seed, f, at)
			}
			if at < 30*time.Second {
				before = max(before, f)
			}
			highest = max(highest, f)
		}
		if passed < 40*time.Second || passed > 55*time.Second {
			t.Errorf("seed %d: passes 50 W/m² at %v, want 40 s to 55 s", seed, passed)
		}
		if before >= 50 {
			t.Errorf("seed %d: %g W/m² before 30 s", seed, before)
		}
		if highest < 70 || highest > 85 {
			t.Errorf("seed %d: reaches %g W/m², want 70 W/m² to 85 W/m²", seed, highest)
		}
		if f := field(p, 366*time.Second); f > 1 {
			t.Errorf("seed %d: %g W/m² at 366 s, want the oven off", seed, f)
		}
		again := false
		for at := 390 * time.Second; at < 1000*time.Second; at += time.Second {
			again = again || field(p, at) > 50
		}
		if !again {
			t.Errorf("seed %d: the failed seam is not seen to leak again", seed)
		}
	}
}

func TestSoundOvensStayLowForAnHour(t *testing.T) {
	for seed := uint64(1); seed <= 20; seed++ {
		k := build(t, ModelKitchen(seed, 1))
		for _, id := range []string{"probe-1", "probe-3"} {
			p, on, off := k.Probe(id), 0, 0
			for at := time.Duration(0); at < time.Hour; at += 25 * mainsCycle { // the ripple is slow: 12 s
				switch f := field(p, at); {
				case f > 10:
					t.Fatalf("seed %d, %s: %g W/m² at %v, want at most 10 W/m²", seed, id, f, at)
				case f > 1:
					on++
				case f < 0.1: // the pantry oven is still felt, metres away
					off++
				default:
					t.Fatalf("seed %d, %s: %g W/m² at %v is neither on nor off", seed, id, f, at)
				}
			}
			if on < 600 || off < 600 { // of 7200
				t.Errorf("seed %d, %s: on %d and off %d times in the hour", seed, id, on, off)
			}
		}
	}
}

func TestFirstMinute(t *testing.T) {
	k := build(t, ModelKitchen(1, 1))
	tests := []struct {
		probe string
		at    time.Duration
		on    bool
	}{
		// 11 s on and 11 s off with 2 s of heating, from 0 s on.
		{"probe-1", 1990 * time.Millisecond, false},
		{"probe-1", 2 * time.Second, true},
		{"probe-1", 10990 * time.Millisecond, true},
		{"probe-1", 11 * time.Second, false},
		{"probe-1", 23990 * time.Millisecond, false},
		{"probe-1", 24 * time.Second, true},
		// Full power from 2 s to 32 s, and from 44 s on.
		{"probe-3", 3990 * time.Millisecond, false},
		{"probe-3", 4 * time.Second, true},
		{"probe-3", 31990 * time.Millisecond, true},
		{"probe-3", 32 * time.Second, false},
		{"probe-3", 46 * time.Second, true},
		// The pantry oven heats at 3 s.
		{"probe-2", 4990 * time.Millisecond, false},
		{"probe-2", 5 * time.Second, true},
	}
	for _, test := range tests {
		if f := field(k.Probe(test.probe), test.at); (f > 1) != test.on {
			t.Errorf("%s at %v: %g W/m², want on = %v", test.probe, test.at, f, test.on)
		}
	}
}

func TestProgramsEmitAsTheManualSays(t *testing.T) {
	// On and off times and 2 s of filament heating in each on: reference values,
	// section 7. Left of 22 s: 15, 9 and 4 s.
	for program, want := range map[Program]time.Duration{
		On17Off5: 15 * time.Second, On11Off11: 9 * time.Second, On6Off16: 4 * time.Second,
	} {
		r := Run{Start: time.Second, Length: time.Hour, Program: program}
		var got time.Duration
		for at := 100 * time.Second; at < 122*time.Second; at += mainsCycle {
			if r.emits(at) {
				got += mainsCycle
			}
		}
		if got != want {
			t.Errorf("program %d emits for %v in 22 s, want %v", program, got, want)
		}
	}
}

func TestSeededRunsKeepTheirBounds(t *testing.T) {
	programs := map[Program]int{}
	for seed := uint64(0); seed < 50; seed++ {
		s := newSource(Oven{ID: "x", Magnetrons: 1, Power: 800, SeededFrom: time.Minute}, seed)
		for j := range 40 {
			begin := time.Minute + time.Duration(j)*slot
			r := s.run(begin)
			if r != s.run(begin+slot-1) {
				t.Fatalf("seed %d, slot %d: the run depends on when it is asked for", seed, j)
			}
			if r.Length < shortestRun || r.Length > longestRun || r.Start < begin || r.Start+r.Length > begin+slot-shortestPause {
				t.Fatalf("seed %d, slot %d: run %v of %v does not fit", seed, j, r.Start, r.Length)
			}
			programs[r.Program]++
		}
	}
	if len(programs) != int(programEnd) || programs[FullPower] < 800 || programs[FullPower] > 1200 {
		t.Errorf("programs of 2000 runs: %v, want all four, half of them at full power", programs)
	}
}

func TestNewRefuses(t *testing.T) {
	tests := []struct {
		name, want string
		change     func(*Options)
	}{
		{"speed", "a speed of -1", func(o *Options) { o.Speed = -1 }},
		{"speed that is no number", "a speed of NaN", func(o *Options) { o.Speed = math.NaN() }},
		{"two ovens of one name", `two ovens have the id "pantry"`, func(o *Options) { o.Ovens[0].ID = "pantry" }},
		{"two probes of one name", `two probes have the id "probe-2"`, func(o *Options) { o.Probes[0].ID = "probe-2" }},
		{"magnetrons", "3 magnetrons; give it 1 or 2", func(o *Options) { o.Ovens[1].Magnetrons = 3 }},
		{"a mending seam", "a gap grows", func(o *Options) { o.Ovens[1].Gap.After = 0 }},
		{"run", "has a run at 3s of length 0s", func(o *Options) { o.Ovens[1].Runs[0].Length = 0 }},
		{"pattern", "a pattern of 0s on", func(o *Options) { o.Ovens[1].Pattern = &Pattern{} }},
		{"response time", "response time of -1s", func(o *Options) { o.Probes[0].ResponseTime = -time.Second }},
		{"range", "below its range", func(o *Options) { o.Probes[0].Range = -1 }},
		{"noise", "no finite number", func(o *Options) { o.Probes[0].Zero = math.Inf(1) }},
		{"decimals", "shows 7 decimals", func(o *Options) { o.Probes[0].Decimals = 7 }},
		{"stream", "at 1e+09 Hz", func(o *Options) { o.Probes[0].Stream = 1e9 }},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			o := ModelKitchen(1, 1)
			test.change(&o)
			if _, err := New(o); err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("error %v, want one with %q", err, test.want)
			}
		})
	}
}

func TestSpeed(t *testing.T) {
	start := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		speed      float64
		host, want time.Duration
	}{
		{1, time.Second, time.Second},
		{1, -time.Second, -time.Second},
		{60, time.Second, time.Minute},
		{0.5, time.Minute, 30 * time.Second},
		{1e6, 24 * 365 * time.Hour, math.MaxInt64 / 2}, // held, not wrapped round
	} {
		o := ModelKitchen(1, test.speed)
		o.Start = start
		got := build(t, o).Time(start.Add(test.host))
		if math.Abs(float64(got-test.want)) > 1e-12*math.Abs(float64(test.want)) {
			t.Errorf("at speed %g, %v later: kitchen time %v, want %v", test.speed, test.host, got, test.want)
		}
	}
}
