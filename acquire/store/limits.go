package store

import (
	"encoding/json"

	"ovenward/acquire/limit"
)

// orNull keeps zero as NULL, 'none'.
func orNull(x float64) any {
	if x == 0 {
		return nil
	}
	return x
}

// ruleOf is the decision rule of a limit; NULL for the one that holds by itself.
func ruleOf(l limit.Limit) any {
	if l.Rule == "" || l.Rule == limit.GuardedAcceptance {
		return nil
	}
	return string(l.Rule)
}

// moreLimits writes the further limits of a post as JSON; NULL when there are
// none.
func moreLimits(all []limit.Limit) any {
	if len(all) == 0 {
		return nil
	}
	out := make([]keptLimit, 0, len(all))
	for _, l := range all {
		out = append(out, keptLimit{l.ID, float64(l.Value), float64(l.Distance), string(l.Basis), l.Source,
			l.Averaging.Seconds(), l.Local, string(l.Rule), l.Builtin, l.Slowest.Seconds()})
	}
	text, err := json.Marshal(out)
	if err != nil { // a number that is none; the station refuses such a limit
		return nil
	}
	return string(text)
}
