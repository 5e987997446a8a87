package report

import (
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

func inventedSurvey() *Survey {
	f := func(x float64) *float64 { return &x }
	r := survey.Result{ID: "2031-05-20-combi-2-1", Site: "Larkfield House", Who: "M. Ashdown", Begun: noon(), Ended: noon().Add(25 * time.Minute), State: survey.Complete,
		Oven: survey.Oven{ID: "combi oven 2", Place: "kitchen, by the pass", Model: "CX-9", Power: 1800, Stirrer: 3, Frequency: 2.45e9,
			Door: survey.Door{Width: 0.42, Height: 0.31, Hinge: survey.Left, ScreenWidth: 0.28, ScreenHeight: 0.18, Panel: 0.12, Depth: 0.4,
				Vents: []survey.Vent{{Surface: survey.Right, Rect: survey.Rect{X: 0.2, Y: 0.05, Width: 0.1, Height: 0.06}}}, Knobs: []survey.Knob{{Name: "handle", Rect: survey.Rect{X: 0.38, Y: 0.05, Width: 0.02, Height: 0.2}, Depth: 0.04}}}},
		Procedure: survey.Procedures()[0], Plan: survey.PlanFacts{Spacing: 0.025, Speed: 0.025, Distance: 0.05, Sweeps: 9, Length: 4.2, StageS: 51},
		Limit:      survey.LimitFacts{ID: "in-use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "an invented standard, clause 4", Rule: limit.GuardedAcceptance},
		Checks:     []survey.Check{{Name: "battery", Outcome: survey.CheckGood, Text: "3.9 V"}, {Name: "agreement", Outcome: survey.CheckNotDone, Text: "there is no second probe"}},
		Background: survey.Background{Taken: true, Place: "door seam, top side", Value: 0.02, Noise: 0.01, N: 40, At: noon()},
		Conditions: []survey.Condition{{Name: "load", Want: "275 ± 15 mL water", Was: "280 mL", Kept: true}, {Name: "water's temperature", Want: "20 ± 5 °C", Was: "27 °C", Kept: false}},
		Stages:     []survey.Stage{{N: 1, Volume: 280, Start: f(19.5), End: f(41), Begun: noon(), Ended: noon().Add(50 * time.Second), Allowed: 51, Proved: true, Evidence: "the water warmed by 21.5 K"}, {N: 2, Volume: 275, Begun: noon().Add(time.Minute)}},
		Verdict:    survey.Verdict{Outcome: limit.Exceeds, Reasons: []string{"place 4, door seam, right side: above the limit"}, Worst: 4},
		Comparison: &survey.Comparison{ID: "2030-05-18-combi-2-1", Ended: noon().AddDate(-1, 0, 0), Outcome: limit.Within, Worst: f(8), Change: f(58), U: f(9), Text: "higher than last time by more than the uncertainty", Cells: []survey.ComparisonCell{{Surface: survey.Front, Cell: 6, Then: 8, Now: 66}}},
		Next:       []string{"Withdraw the oven."}, Notes: []survey.Note{{At: noon(), Who: "M. Ashdown", Text: "crumbs on the seam"}},
		Cautions:    append(survey.ExceedsCautions(), survey.Cautions()...),
		Instruments: []survey.Instrument{{Probe: "probe-1", Certificate: "LM-2031-0117", Laboratory: "Larkfield Metrology", Date: noon().AddDate(0, -4, 0), Due: noon().AddDate(0, 8, 0), Factor: f(1.04), Response: 1, Range: 200, Floor: 0.1, Axes: 1}},
		Raw:         &survey.Digest{Post: "hand", From: 17, To: 9120, N: 9104, SHA256: "3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855e"}}
	for i, p := range []struct {
		x, y, v float64
		sweep   string
		surface survey.Surface
		o       limit.Outcome
	}{{0.1, 0.31, 3.1, "door seam, top side", survey.Front, limit.Within}, {0.0, 0.2, 2.2, "door seam, left side", survey.Front, limit.Within}, {0.3, 0, 4.1, "door seam, lower side", survey.Front, limit.Within},
		{0.42, 0.17, 66, "door seam, right side", survey.Front, limit.Exceeds}, {0.41, 0.165, 20, "handle", survey.Front, limit.NotDecided}, {0.2, 0.16, 1.1, "screen", survey.Front, limit.Within},
		{0.5, 0.1, 0.4, "control panel", survey.Front, limit.NotDecided}, {0.25, 0.08, 0.9, "vent 1", survey.Right, limit.Within}} {
		v := p.v
		ratio := v / 50
		u := 0.13 * v
		r.Places = append(r.Places, survey.Place{N: i + 1, Sweep: p.sweep, Surface: p.surface, Cell: r.Oven.Door.Cell(p.surface, quantity.Length(p.x), quantity.Length(p.y)),
			X: quantity.Length(p.x), Y: quantity.Length(p.y), Stage: 1, At: noon(), Value: &v, U: &u, K: 2, Ratio: &ratio, Peak: &v, Turned: true, Settled: i != 4, Held: 9, Samples: 90,
			Verdict: survey.Verdict{Outcome: p.o, Reasons: []string{"an invented reason"}}})
	}
	return &Survey{Result: r, Form: Form{Type: "initial", Label: "there, legible"}, Version: "test"}
}
