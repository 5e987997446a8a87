package web

import (
	"fmt"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// budgetView is how uncertain the values of a post are, and why, at its limit.
type budgetView struct {
	Level    string
	U        string // expanded
	K        string
	Lacking  string // why there is none, or why it does not count
	Terms    []budgetTerm
	Warnings []string
}

type budgetTerm struct{ Name, Contribution, Share, From string }

// budget adds the uncertainty of a post up at the value of its first limit. The
// contributions are of power density, whatever unit the viewer reads in: a share
// of E is another share of S.
func (v voice) budget(p *acquire.Post, now time.Time) budgetView {
	cert := calib.InForce(p.Probe.Certificates(), now)
	b := budgetView{Level: v.read(p.Limit.Value)}
	if cert == nil {
		b.Lacking = v.t("post.no_certificate")
		return b
	}
	all := calib.ProbeBudget(p.Nature(), cert, calib.Before(p.Probe.Certificates(), cert))
	total := all.At(p.Limit.Value)
	b.Lacking = v.said(calib.Correction{Certificate: cert, Setting: p.Nature().Setting}.Lacking(now))
	b.U = v.t("post.budget_u", "u", inPower(v, total.U), "share", share(total.U, float64(p.Limit.Value)))
	b.K = fmt.Sprintf("%.3g", total.K)
	for _, t := range all.Terms {
		c := t.Contribution(p.Limit.Value)
		from := v.said(t.From)
		if t.Assumed {
			from = v.t("post.assumed", "from", from)
		}
		b.Terms = append(b.Terms, budgetTerm{v.said(t.Name), inPower(v, c), share(c*c, total.Combined*total.Combined), from})
	}
	b.Warnings = v.saidAll(slices.Concat(total.Warnings, all.Notes))
	return b
}

// inPower prints a part of a power density in the viewer's unit, or in W/m² where
// that is one of field strength.
func inPower(v voice, s float64) string {
	if v.unit.Kind() != quantity.KindPowerDensity {
		return si(quantity.PowerDensity(s))
	}
	return v.read(quantity.PowerDensity(s))
}

func share(part, whole float64) string {
	if !(whole > 0) || math.IsNaN(part) {
		return ""
	}
	return fmt.Sprintf("%.3g %%", 100*part/whole)
}

func quantityOf(s float64) quantity.PowerDensity { return quantity.PowerDensity(s) }
