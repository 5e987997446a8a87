package acquire

import (
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/quantity"
)

// Rule is a rule of the configuration for one post, judged beside its limits.
// Exactly one of Level, Dose and Count is set.
type Rule struct {
	Rule     alarm.Rule     `json:"rule"`
	Priority alarm.Priority `json:"priority"`

	Level   quantity.PowerDensity  `json:"level_w_per_m2,omitempty"` // the field above it
	Dose    quantity.EnergyDensity `json:"dose_j_per_m2,omitempty"`  // of the site's civil day, above it
	Count   int                    `json:"count,omitempty"`          // exceedances in one run, at least so many
	LimitID string                 `json:"limit,omitempty"`          // of which Level is a share, or which Count counts
	Share   float64                `json:"share,omitempty"`          // Level to that limit

	// Of Level: the mean over this long is compared; 0: each value, or with
	// Sustained the post's own rule for staying above.
	Window    time.Duration `json:"window,omitempty"`
	Sustained bool          `json:"sustained,omitempty"`

	Deadband float64       `json:"deadband,omitempty"`  // the alarm ends only at or below Level × (1 − Deadband)
	OnDelay  time.Duration `json:"on_delay,omitempty"`  // for this long above before it is raised
	OffDelay time.Duration `json:"off_delay,omitempty"` // for this long seen below before it ends
}
