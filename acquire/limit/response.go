package limit

import "time"

// EmissionResponse is the response that emission limits ask of the instrument:
// 90 % of a step within this. Source: 21 CFR 1030.10(c)(3)(i); Canada, REDR Part
// III.
const EmissionResponse = maxResponse

// Response is how slow a probe the limit asks for, to 90 % of a step; 0 when it
// asks for none. A faster probe is filtered to it for the verdict, a slower one
// cannot give 'within'.
func (l Limit) Response() time.Duration {
	if l.Basis.Emission() {
		return EmissionResponse
	}
	return 0
}
