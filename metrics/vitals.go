package metrics

import (
	"time"

	"ovenward/acquire"
)

// collectVitals shows what the probe says of itself, while that is fresh.
func (c *Collector) collectVitals(o out, s acquire.Stats) {
	v := s.Vitals
	young := func(at time.Time) bool {
		return !at.IsZero() && (s.Post.Stale <= 0 || s.Now.Sub(at) <= s.Post.Stale)
	}
	if young(v.TemperatureAt) {
		o.gauge(c.d.temperature, v.Temperature)
	}
	if !young(v.BatteryAt) {
		return
	}
	if v.BatteryUnit == "%" {
		o.gauge(c.d.batteryRatio, v.Battery)
	} else {
		o.gauge(c.d.batteryVolts, v.Battery)
	}
}
