package acquire

import (
	"fmt"
	"math"
	"slices"

	"ovenward/acquire/limit"
)

// check says what a post lacks to be watched.
func (p *Post) check() error {
	switch {
	case p.Stale <= 0 || p.Silent <= 0 || p.Stuck <= 0:
		return fmt.Errorf("post %s: stale, silent and stuck times must be positive", p.ID)
	case p.Probe.Protocol == nil || p.Probe.Dial == nil:
		return fmt.Errorf("post %s: its probe has no protocol or no port", p.ID)
	case p.Frequency < 0 || math.IsNaN(float64(p.Frequency)) || math.IsInf(float64(p.Frequency), 0):
		return fmt.Errorf("post %s: the frequency of its oven must be positive and finite, or not stated", p.ID)
	}
	for _, c := range p.Probe.Certificates() {
		if flaws := c.Flaws(); len(flaws) > 0 {
			return fmt.Errorf("post %s: certificate %s of probe %s: %s: %s", p.ID, c.Number, p.Probe.ID, flaws[0].Key, flaws[0].What)
		}
	}
	for _, r := range p.Rules {
		if !slices.ContainsFunc(p.Limits(), func(l limit.Limit) bool { return r.LimitID == "" || l.ID == r.LimitID }) {
			return fmt.Errorf("post %s: rule %s is about limit %q, which the post does not have", p.ID, r.Rule, r.LimitID)
		}
	}
	for _, l := range p.Limits() {
		switch {
		case !(l.Value > 0) || math.IsInf(float64(l.Value), 0):
			return fmt.Errorf("post %s: its limit must be positive and finite", p.ID)
		case !(p.Probe.Range > l.Value) || math.IsInf(float64(p.Probe.Range), 0):
			return fmt.Errorf("post %s: the range of probe %s ends at %s, and its limit is %s: a probe must show more than its limit",
				p.ID, p.Probe.ID, p.Probe.Range, l.Value)
		case !(3*p.Probe.Floor < l.Value):
			return fmt.Errorf("post %s: the noise floor of probe %s is %s, and its limit is %s: the floor must lie below a third of the limit",
				p.ID, p.Probe.ID, p.Probe.Floor, l.Value)
		}
	}
	return nil
}
