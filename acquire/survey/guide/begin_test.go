package guide

import (
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/survey"
)

// A battery is good whose value of just now is held against a bound, and that neither the
// probe nor an alarm calls low.
func TestCheckOfTheBattery(t *testing.T) {
	now := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	said := acquire.Vitals{Battery: 3.3, BatteryUnit: "V", BatteryAt: now}
	old, share := said, said
	old.BatteryAt, share.BatteryUnit = now.Add(-time.Hour), "%"
	post := acquire.Post{Probe: acquire.Probe{Vitals: acquire.VitalBounds{BatteryVolts: new(3.2)}}}
	low := func(s alarm.State) []alarm.Alarm {
		return []alarm.Alarm{{Post: "galley", Rule: alarm.Battery, State: s}}
	}
	for name, tt := range map[string]struct {
		st   acquire.Stats
		want string
	}{
		"nothing said":        {acquire.Stats{}, survey.CheckNotDone},
		"said":                {acquire.Stats{Vitals: said, Alarms: low(alarm.ReturnedUnacknowledged)}, survey.CheckGood},
		"called low":          {acquire.Stats{Vitals: said, Battery: true}, survey.CheckBad},
		"said long ago":       {acquire.Stats{Vitals: old}, survey.CheckNotDone},
		"said, and no bound":  {acquire.Stats{Vitals: share}, survey.CheckNotDone},
		"said, below a bound": {acquire.Stats{Vitals: said, Alarms: low(alarm.Acknowledged)}, survey.CheckBad},
	} {
		tt.st.Post = &post
		if c := checks(&tt.st, "no certificate", nil, now)[0]; c.Name != survey.CheckBattery || c.Outcome != tt.want {
			t.Errorf("%s: %+v, want %s", name, c, tt.want)
		}
	}
}
