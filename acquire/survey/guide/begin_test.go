package guide

import (
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/survey"
)

// A battery is good that the probe says something of, and that neither it nor an alarm
// calls low.
func TestCheckOfTheBattery(t *testing.T) {
	now := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	said := acquire.Vitals{Battery: 3.3, BatteryUnit: "V", BatteryAt: now}
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
		"said, below a bound": {acquire.Stats{Vitals: said, Alarms: low(alarm.Acknowledged)}, survey.CheckBad},
	} {
		if c := checks(&tt.st, "no certificate", nil, now)[0]; c.Name != survey.CheckBattery || c.Outcome != tt.want {
			t.Errorf("%s: %+v, want %s", name, c, tt.want)
		}
	}
}
