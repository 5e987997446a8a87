package config

import (
	"reflect"
	"testing"
	"time"

	"ovenward/acquire/calib"
)

// A certificate of the record is, taken over and back, what it was: no field of it
// gets lost on the way.
func TestACertificateComesBackWhole(t *testing.T) {
	want := calib.Certificate{Number: "B-7", Laboratory: "Norrfeld Lab", Date: time.Date(2031, 1, 2, 0, 0, 0, 0, time.UTC), Due: time.Date(2032, 1, 2, 0, 0, 0, 0, time.UTC),
		Factor: 1.02, U: 0.1, K: 2, DF: 40, AsFound: 1.1, FoundBound: 0.15, PerKelvin: 0.001, Reference: 23,
		ByFrequency: []calib.FrequencyPoint{{Frequency: 2.45e9, Factor: 1.02}}, ByLevel: []calib.LevelPoint{{}}}
	v := reflect.ValueOf(want)
	for i := range v.NumField() {
		if v.Field(i).IsZero() {
			t.Errorf("%s is not tried", v.Type().Field(i).Name)
		}
	}
	if got := certificateFrom(3, want).Calib(); !reflect.DeepEqual(*got, want) {
		t.Errorf("%+v, want %+v", *got, want)
	}
}
