package alarm

// Change is one transition with all that a reader years later needs to take it
// apart.
type Change struct {
	Alarm
	From    State    `json:"from"`
	Reason  Reason   `json:"reason"`
	Remark  string   `json:"remark,omitempty"`  // what the operator said: why, which remedy, the comment
	Verdict *Grounds `json:"verdict,omitempty"` // what the change rests on; absent for operators' acts
}

// Grounds is the verdict behind a change, in numbers with SI units and words.
type Grounds struct {
	Outcome     string   `json:"outcome"`                        // within, exceeds or not decided
	Value       *float64 `json:"value_w_per_m2,omitempty"`       // absent when there is no number
	Uncertainty *float64 `json:"uncertainty_w_per_m2,omitempty"` // expanded
	Limit       float64  `json:"limit_w_per_m2"`
	LimitID     string   `json:"limit_id"`
	Source      string   `json:"limit_source"`
	Reasons     []string `json:"reasons"`

	Judged            *float64 `json:"judged_w_per_m2,omitempty"`             // what the outcome rests on
	JudgedUncertainty *float64 `json:"judged_uncertainty_w_per_m2,omitempty"` // expanded
	Coverage          *float64 `json:"coverage_factor,omitempty"`             // k of both uncertainties
	Rule              string   `json:"decision_rule,omitempty"`
	Averaging         float64  `json:"averaging_s,omitempty"` // the mean over this long was judged
	MeanLo            *float64 `json:"mean_lower_w_per_m2,omitempty"`
	MeanHi            *float64 `json:"mean_upper_w_per_m2,omitempty"` // absent when it has no upper bound
	Cover             *float64 `json:"cover_ratio,omitempty"`         // seen fraction of the window
	Distance          *float64 `json:"distance_m,omitempty"`
	Certificate       string   `json:"certificate,omitempty"`
	Wrong             *float64 `json:"wrong_acceptance_probability,omitempty"` // of accepting Judged
	Notes             []string `json:"notes,omitempty"`
}
