package acquire

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// Sum is posts at one place whose probes see ovens of different frequencies. What
// they measure is held together against limits of one document: the sum of the
// ratios to them must not be above 1.
type Sum struct {
	ID    string
	Posts []string // ids
	Limit string   // id of the limit at each post; its value is that at the frequency of the post's oven
}

// SumVerdict is what can be said of a sum.
type SumVerdict struct {
	Sum     Sum
	Lo, Hi  float64 // bounds of the sum of ratios; Hi is +Inf while any is over range
	U       float64 // expanded; NaN if unknown of any
	Outcome limit.Outcome
	Reasons []string // never empty
}

// Judge adds up the means of the posts, as they stand. Within is earned by each
// post before it can be by the sum; what keeps a post from it keeps the sum.
func (s Sum) Judge(all []Stats) SumVerdict {
	v := SumVerdict{Sum: s, Lo: math.NaN(), Hi: math.NaN(), U: math.NaN(), Outcome: limit.NotDecided}
	var parts []limit.Part
	var rule limit.Rule
	exceeds := false
	for _, id := range s.Posts {
		one, ok := s.of(all, id)
		if !ok {
			v.Reasons = append(v.Reasons, fmt.Sprintf("post %s has no mean against limit %s", id, s.Limit))
			return v
		}
		p := limit.Part{Lo: one.Mean.Lo, Hi: one.Mean.Hi, U: one.Mean.U, Limit: one.Limit}
		if math.IsInf(one.Ratio, 1) { // over range now, before it has a duration
			p.Hi = limit.Unbounded()
		}
		parts, rule = append(parts, p), one.Rule
		exceeds = exceeds || one.Outcome == limit.Exceeds
		if one.Outcome != limit.Within {
			v.Reasons = append(v.Reasons, fmt.Sprintf("post %s: %s: %s", id, one.Outcome, strings.Join(one.Reasons, "; ")))
		}
	}
	sum, err := limit.SumOfRatios(parts...)
	if err != nil {
		v.Reasons = append(v.Reasons, err.Error())
		return v
	}
	v.Lo, v.Hi, v.U = sum.Lo, sum.Hi, sum.U
	switch o := sum.Outcome(rule); {
	case exceeds:
		v.Outcome = limit.Exceeds
	case o == limit.Exceeds:
		v.Outcome = o
		v.Reasons = slices.Insert(v.Reasons, 0, fmt.Sprintf("the ratios to the limits add up to at least %.3g", sum.Lo))
	case o == limit.NotDecided:
		v.Reasons = slices.Insert(v.Reasons, 0, fmt.Sprintf("the ratios to the limits add up to between %.3g and %.3g, ± %.2g", sum.Lo, sum.Hi, sum.U))
	case len(v.Reasons) == 0:
		v.Outcome = limit.Within
		v.Reasons = []string{fmt.Sprintf("the ratios to the limits add up to at most %.3g ± %.2g", sum.Hi, sum.U)}
	}
	return v
}

// of finds the verdict of a post against the limit of the sum.
func (s Sum) of(all []Stats, id string) (limit.Verdict, bool) {
	for i := range all {
		if all[i].Post.ID != id {
			continue
		}
		for _, v := range all[i].Verdicts {
			if v.Limit.ID == s.Limit && v.Averaged {
				return v, true
			}
		}
	}
	return limit.Verdict{}, false
}

// sumTroubles tells of sums that are above 1 for certain. While one of its posts alone
// is above the limit that post's alarm tells it already.
func (s *Station) sumTroubles() []Trouble {
	var out []Trouble
	for _, sum := range s.sums {
		t := Trouble{Rule: alarm.SumOf(sum.ID), Unknown: true}
		parts, alone := s.partsOf(sum)
		total, err := limit.SumOfRatios(parts...)
		at := fmt.Sprintf("the ratios of the means at posts %s to limit %s", strings.Join(sum.Posts, ", "), sum.Limit)
		switch {
		case err != nil, len(parts) < len(sum.Posts), alone && total.Lo > 1:
		case total.Lo > 1:
			t.Unknown, t.Text = false, fmt.Sprintf("%s add up to more than 1, at least to %.4g", at, total.Lo)
		case total.Hi <= 1:
			t.Unknown, t.Ended = false, fmt.Sprintf("%s add up to at most %.3g", at, total.Hi)
		}
		out = append(out, t)
	}
	return out
}

// partsOf reads the means of the posts of a sum, and says whether one alone is above
// its limit.
func (s *Station) partsOf(sum Sum) (parts []limit.Part, alone bool) {
	for _, w := range s.watches {
		if !slices.Contains(sum.Posts, w.post.ID) {
			continue
		}
		w.mu.Lock()
		for i := range w.held {
			h := &w.held[i]
			if h.limit.ID != sum.Limit || h.mean == nil {
				continue
			}
			mean := h.mean.Read()
			p := limit.Part{Lo: mean.Lo, Hi: mean.Hi, U: mean.U, Limit: h.limit}
			if w.overRange() { // before it has a duration
				p.Hi = limit.Unbounded()
			}
			parts, alone = append(parts, p), alone || p.Lo > h.limit.Value
		}
		w.mu.Unlock()
	}
	return parts, alone
}

// clearOf is for how long a sum must be known to be kept before its alarm returns.
func (s *Station) clearOf(sum string) (clear time.Duration) {
	for _, one := range s.sums {
		for i := range s.posts {
			if one.ID == sum && slices.Contains(one.Posts, s.posts[i].ID) {
				clear = max(clear, s.posts[i].Sustained.Clear)
			}
		}
	}
	return clear
}
