package store

import (
	"encoding/json"
	"testing"

	"pgregory.net/rapid"

	"ovenward/drivers"
)

// What goes into the column more comes back digit for digit, and is JSON.
func TestMoreIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		decimal := func(what string) drivers.Decimal {
			return drivers.Decimal{Digits: rapid.Int64().Draw(t, what), Exp: rapid.Int8().Draw(t, what+" exp")}
		}
		var want drivers.Reading
		if want.HasAxes = rapid.Bool().Draw(t, "has axes"); want.HasAxes {
			want.Axes = [3]drivers.Decimal{decimal("x"), decimal("y"), decimal("z")}
		}
		if want.HasTemp = rapid.Bool().Draw(t, "has temperature"); want.HasTemp {
			want.Temperature, want.TemperatureUnit = decimal("temperature"), rapid.SampledFrom([]string{"", "°C", "°F", "K"}).Draw(t, "degrees")
		}
		if want.BatteryUnit = rapid.SampledFrom([]string{"", "V", "%"}).Draw(t, "battery unit"); want.BatteryUnit != "" {
			want.Battery = decimal("battery")
		}
		text := appendMore(nil, want)
		if (len(text) == 0) != (want == drivers.Reading{}) {
			t.Fatalf("%q of %+v", text, want)
		}
		if len(text) == 0 {
			return
		}
		if !json.Valid(text) {
			t.Fatalf("%s is no JSON", text)
		}
		var got drivers.Reading
		if err := readMore(string(text), &got); err != nil || got != want {
			t.Fatalf("%s reads as %+v, %v, want %+v", text, got, err, want)
		}
	})
}

func TestAppendMoreDoesNotAllocate(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	b := samples(1, 1)[0]
	r := &b.Reading
	r.HasAxes, r.HasTemp, r.BatteryUnit = true, true, "V"
	r.Axes = [3]drivers.Decimal{{Digits: 120, Exp: -2}, {Digits: 3, Exp: -2}, {Digits: -2, Exp: 3}}
	if n := testing.AllocsPerRun(1000, func() { s.moreOf(&b) }); n != 0 {
		t.Errorf("%v allocations a sample, want none", n)
	}
}
