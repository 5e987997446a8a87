package limit

import "time"

// EmissionResponse is the slowest response that an emission limit may be judged
// with: 90 % of a step within this. Source: 21 CFR 1030.10(c)(3)(i); Canada, REDR
// Part III.
const EmissionResponse = maxResponse

// Response is how slow a probe the limit's document allows, to 90 % of a step; 0
// when it states none. A faster probe is filtered to it for the verdict. Where
// nothing is stated values are judged as they were measured, which is the stricter.
func (l Limit) Response() time.Duration {
	if l.Basis.Emission() {
		return min(l.Slowest, EmissionResponse)
	}
	return 0
}
