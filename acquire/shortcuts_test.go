package acquire

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// What is done faster than plainly says what the plain way says.

func TestReadingIsWhatItsSettingMakesOfIt(t *testing.T) {
	w := newTestWatch(newMemory())
	w.post.Probe.Impedance = field.Standard377
	w.certified = false
	w.certify(w.epoch)
	units := []string{"mW/cm2", "W/m2", "mW/m2", "uW/cm2", "kW/m2", "dBm/cm2", "V/m", "furlong"}
	rapid.Check(t, func(t *rapid.T) {
		r := drivers.Reading{Unit: rapid.SampledFrom(units).Draw(t, "unit"), HasValue: rapid.Bool().Draw(t, "value"), HasAxes: rapid.Bool().Draw(t, "axes"),
			HasTemp: rapid.Bool().Draw(t, "says a temperature"), TemperatureUnit: rapid.SampledFrom([]string{"", "K", "°F", "°R"}).Draw(t, "of temperature"),
			Temperature: drivers.Decimal{Digits: rapid.Int64Range(200, 203).Draw(t, "temperature"), Exp: -1},
			Value:       drivers.Decimal{Digits: rapid.Int64Range(-20, 99999).Draw(t, "digits"), Exp: rapid.Int8Range(-6, 3).Draw(t, "exponent")}}
		for i := range r.Axes {
			r.Axes[i] = drivers.Decimal{Digits: rapid.Int64Range(0, 999).Draw(t, "axis"), Exp: -2}
		}
		got, err := w.read(&r)
		has := err == nil && (r.HasValue || r.HasAxes)
		u, known := quantity.LookupUnit(r.Unit)
		switch {
		case !r.HasValue && !r.HasAxes:
			if has || err != nil {
				t.Fatalf("%v, %v of nothing", has, err)
			}
			return
		case !known:
			if err == nil {
				t.Fatal("a unit that nobody knows was read")
			}
			return
		}
		want, wantErr := w.correction.Setting.Raw(&r, u)
		if err == nil && got != want.S || has != (wantErr == nil) || fmt.Sprint(err) != fmt.Sprint(wantErr) {
			t.Fatalf("%+v, %v, %v; want %+v, %v", got, has, err, want, wantErr)
		}
		c, ok := w.warmth.of(&r)
		if wantC, wantOK := r.Celsius(); c != wantC || ok != wantOK {
			t.Fatalf("%v °C, %v; want %v, %v", c, ok, wantC, wantOK)
		}
	})
}

// A clock line that takes the short way where both clocks went on alike is as one
// that never does.
func TestClockLineByTheShortWay(t *testing.T) {
	short, long := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		var c, plain clockLine
		start := time.Unix(rapid.Int64Range(-1e11, 1e11).Draw(t, "start"), 0)
		c.startAfter(start.Add(time.Duration(rapid.Int64Range(-1e9, 1e9).Draw(t, "record ahead"))))
		plain = c
		mono, offset := time.Duration(0), time.Duration(0)
		for range rapid.IntRange(1, 100).Draw(t, "looks") {
			mono += time.Duration(rapid.OneOf(rapid.Int64Range(0, 3), rapid.Int64Range(0, 3e8), rapid.Int64Range(-1e8, 1e10)).Draw(t, "elapsed"))
			switch rapid.IntRange(0, 9).Draw(t, "step") {
			case 0:
				offset += time.Duration(rapid.OneOf(rapid.Int64Range(-2e8, 2e8), rapid.Int64Range(-1e18, 1e18)).Draw(t, "by"))
			case 1:
				offset += rapid.SampledFrom([]time.Duration{-stepBound - 1, -stepBound, stepBound, stepBound + 1, 40 * 24 * time.Hour}).Draw(t, "by just")
			}
			wall := start.Add(mono).Add(offset)
			if rapid.IntRange(0, 99).Draw(t, "far") == 0 { // by as much as 64 bits of ns go round in
				wall = c.wall.Add(math.MaxInt64).Add(math.MaxInt64).Add(2 + max(mono-c.mono, 0))
			}
			if c.started && c.parted {
				long++
			}
			short++
			at, unsure, step := c.look(wall, mono)
			wantAt, wantUnsure, wantStep := plain.lookPlainly(wall, mono)
			if at != wantAt || unsure != wantUnsure || step != wantStep || c != plain {
				t.Fatalf("%v, %v, %v; want %v, %v, %v\n%+v\n%+v", at, unsure, step, wantAt, wantUnsure, wantStep, c, plain)
			}
		}
	})
	if long < 100 || short < 10*long/9 {
		t.Errorf("%d looks, %d of them off the wall clock: the test looks at nothing", short, long)
	}
}

// lookPlainly is look without the short way.
func (c *clockLine) lookPlainly(wall time.Time, mono time.Duration) (at time.Time, unsure, step time.Duration) {
	if !c.started {
		return c.look(wall, mono)
	}
	return c.lookLong(wall.Round(0).UTC(), mono, max(mono-c.mono, 0))
}

// A trace that finds its slot anew each time, and a peak that asks for the minute
// each time, are as those that do not.
func TestRingsFindTheirPlaces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		epoch := time.Unix(rapid.Int64Range(0, 1000).Draw(t, "epoch"), 0)
		var fast, plain trace
		peak, plainPeak := newMinutePeak(epoch), newMinutePeak(epoch)
		at := time.Duration(rapid.Int64Range(-1e9, 1e9).Draw(t, "start"))
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			at += time.Duration(rapid.OneOf(rapid.Int64Range(0, 3e8), rapid.Int64Range(0, 9e10), rapid.Int64Range(-3e8, 0), rapid.Int64Range(0, 4e11)).Draw(t, "later"))
			s := quantity.PowerDensity(rapid.Float64Range(0, 100).Draw(t, "value"))
			has, over := rapid.Bool().Draw(t, "has"), rapid.IntRange(0, 5).Draw(t, "over") == 0
			fast.add(at, s, has, over)
			plain.from, plain.to = 0, 0
			plain.add(at, s, has, over)
			peak.add(at, s)
			plainPeak.until = math.MinInt64
			plainPeak.add(at, s)
			if rapid.IntRange(0, 9).Draw(t, "read") == 0 {
				later := at + time.Duration(rapid.Int64Range(0, 1e11).Draw(t, "read later"))
				wall := epoch.Add(later)
				if a, b := fast.read(later, wall), plain.read(later, wall); !reflect.DeepEqual(a, b) {
					t.Fatalf("trace %+v, want %+v", a, b)
				}
				a, hasA := peak.read(later)
				if b, hasB := plainPeak.read(later); a != b || hasA != hasB {
					t.Fatalf("peak %v, want %v", a, b)
				}
			}
		}
		if fast.slots != plain.slots || fast.newest != plain.newest {
			t.Fatal("the slots differ")
		}
	})
}

// Readings for a zero are all there also when more came than 32 bits count.
func TestRawReadingsBeyond32Bits(t *testing.T) {
	r := rawRing{end: math.MaxUint32 - 9}
	for i := range 200 {
		r.add(time.Duration(i), quantity.PowerDensity(i))
	}
	if got := r.since(1); len(got) != 199 || got[0] != 1 || got[198] != 199 {
		t.Errorf("%d readings %v, want those from 1 to 199", len(got), got)
	}
}

// Alarms of limits that are looked at only while a limit is tense are those of
// limits that are looked at always.
func TestNothingIsMissedWhileAtEase(t *testing.T) {
	eased, moved := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		watching := func(told *[]Event) *watch {
			inUse := aPost(&fakeProbe{}).Limit
			w := peopleWatch(newMemory(), func(e Event) { *told = append(*told, e) }, inUse, onPeople("minute", 20, time.Minute), onPeople("second", 30, time.Second))
			w.post.Sustained.Clear = 10 * time.Second
			return w
		}
		var told, plainly []Event
		w, plain := watching(&told), watching(&plainly)
		at := time.Duration(0)
		words := rapid.SampledFrom([]string{"0.000", "0.500", "2.000", "3.001", "4.999", "5.001", "9.000", "OVER", "FAULT", ""})
		for range rapid.IntRange(1, 40).Draw(t, "pieces") {
			word := words.Draw(t, "word")
			step := time.Duration(rapid.SampledFrom([]int64{1e8, 2.5e8, 1e9, 7e9}).Draw(t, "step"))
			for range rapid.IntRange(1, 40).Draw(t, "times") {
				at += step
				for _, v := range []*watch{w, plain} {
					v.tense = v.tense || v == plain
					if word != "" {
						v.feed(at, word)
					}
					v.tense = v.tense || v == plain
					v.tick(v.epoch.Add(at))
				}
				if !w.tense {
					eased++
				}
			}
			if !slices.Equal(w.alarms, plain.alarms) {
				t.Fatalf("alarms %+v\nwant %+v", w.alarms, plain.alarms)
			}
		}
		if !reflect.DeepEqual(told, plainly) {
			t.Fatalf("told %+v\nwant %+v", told, plainly)
		}
		moved += len(told)
	})
	if eased < 1000 || moved < 100 {
		t.Errorf("at ease %d times, %d events: the test looks at nothing", eased, moved)
	}
}
