package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

func (s *standoff) text() string {
	var b strings.Builder
	r := &s.result
	fmt.Fprintf(&b, "walk back %s: %d marks", s.file, len(r.Marks))
	if r.Count > 0 {
		fmt.Fprintf(&b, ", fitted at %d distances from %s to %s", r.Count, r.From, r.To)
	}
	b.WriteString("\n\n")
	if len(r.Refused) > 0 {
		fmt.Fprintf(&b, "no exponent and no distance: %s\n\n", s.refused())
	} else {
		s.curve(&b)
		s.reached(&b)
	}
	s.plot(&b)
	for _, w := range s.warnings() {
		fmt.Fprintf(&b, "warning: %s\n", w)
	}
	for _, n := range s.remarks() {
		fmt.Fprintf(&b, "note: %s\n", n)
	}
	fmt.Fprintf(&b, "\n%s\n%s\n", lineCaution, caution)
	return b.String()
}

func (s *standoff) curve(w io.Writer) {
	r := &s.result
	fmt.Fprintln(w, "S(r) = S0·(r0/r)^n + background, intervals for 95 % by profile likelihood")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "  S0 at r0 = %s\t%s\t%s\n", r.From, mw(r.S0.Value), ends(r.S0, mw))
	plain := func(x float64) string { return fmt.Sprintf("%.3g", x) }
	fmt.Fprintf(t, "  n\t%.4g\t%s\n", r.N.Value, ends(r.N, plain))
	fmt.Fprintf(t, "  background\t%s\t%s\n", mw(r.Background.Value), ends(r.Background, mw))
	t.Flush()
	if r.Stated {
		fmt.Fprintf(w, "  weighted sum of squares %.4g, %d degrees of freedom; as large by chance with probability %.2g\n\n", r.Sum, r.DF, r.P)
		return
	}
	fmt.Fprintf(w, "  scatter about the curve %s, %d degrees of freedom\n\n", mw(math.Sqrt(r.Sum/float64(r.DF))), r.DF)
}

// ends prints an interval, with words where an end is not given.
func ends(e survey.Estimate, print func(float64) string) string {
	lo, hi := math.IsInf(e.Lo, 0), math.IsInf(e.Hi, 0)
	switch {
	case lo && hi:
		return "not bounded"
	case lo:
		return "at most " + print(e.Hi) + ", not bounded from below"
	case hi:
		return "at least " + print(e.Lo) + ", not bounded from above"
	}
	return print(e.Lo) + " to " + print(e.Hi)
}

func metres(x float64) string { return quantity.Length(roundTo(x, 3)).String() }

// roundTo keeps so many significant digits.
func roundTo(x float64, digits int) float64 {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return x
	}
	scale := math.Pow(10, float64(digits-1)-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*scale) / scale
}

func (s *standoff) reached(w io.Writer) {
	if len(s.result.Levels) == 0 {
		return
	}
	fmt.Fprintln(w, "distances at which a level is reached")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, l := range s.result.Levels {
		fmt.Fprintf(t, "  %s, %s\t%s\n", l.Name, l.Value, distanceWords(l))
	}
	t.Flush()
	fmt.Fprintln(w)
}

// distanceWords never lets a distance beyond the marks pass for a seen one.
func distanceWords(l survey.Reached) string {
	if l.Where == survey.Nowhere {
		return "no distance: " + l.Why
	}
	text := metres(l.Distance.Value) + "\t" + ends(l.Distance, metres)
	switch {
	case l.Where != survey.Among:
		text += "\tEXTRAPOLATED: " + string(l.Where)
	case l.Beyond:
		text += "\tthe interval is EXTRAPOLATED in part: it leaves the marks"
	}
	return text
}

// The residual plot spans ± 4 standard deviations, a column each half.
const (
	plotSpan    = 4
	plotColumns = 2
)

// plot draws the marks with what is left of each beside the curve.
func (s *standoff) plot(w io.Writer) {
	if len(s.result.Marks) == 0 {
		return
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	drawn := len(s.result.Refused) == 0
	if drawn {
		fmt.Fprintf(t, "distance\tvalue\tcurve\t-%d      0      +%d  standard deviations\n", plotSpan, plotSpan)
	} else {
		fmt.Fprintln(t, "distance\tvalue")
	}
	for _, m := range s.result.Marks {
		at := m.Distance.String()
		if m.Off() {
			at = "oven off"
		}
		fmt.Fprintf(t, "%s\t%s", at, mw(float64(m.Value)))
		switch {
		case m.Left:
			fmt.Fprint(t, "\t-\tnot in the fit")
		case drawn:
			fmt.Fprintf(t, "\t%s\t%s", mw(float64(m.Fitted)), bar(m.InUnits))
		}
		fmt.Fprintln(t)
	}
	t.Flush()
	fmt.Fprintln(w)
}

// bar draws one residual: a cross on a line of dots; what lies beyond its ends is
// drawn at the end as an arrow. The number stands beside it.
func bar(x float64) string {
	line := []byte(strings.Repeat(".", 2*plotSpan*plotColumns+1))
	line[plotSpan*plotColumns] = '|'
	switch k := int(math.Round(x * plotColumns)); {
	case k < -plotSpan*plotColumns:
		line[0] = '<'
	case k > plotSpan*plotColumns:
		line[len(line)-1] = '>'
	default:
		line[k+plotSpan*plotColumns] = 'x'
	}
	return string(line) + " " + quantity.Signed(x, 1)
}

// estimateJSON is a value with its interval; null: no number, or an end that is
// not given.
type estimateJSON struct {
	Value *float64 `json:"value"`
	Lo    *float64 `json:"lo"`
	Hi    *float64 `json:"hi"`
}

func asJSON(e survey.Estimate) *estimateJSON {
	return &estimateJSON{finite(e.Value), finite(e.Lo), finite(e.Hi)}
}

type markJSON struct {
	Distance *float64 `json:"distance_m"` // null: oven off
	Off      bool     `json:"oven_off"`
	Value    float64  `json:"value_w_per_m2"`
	U        *float64 `json:"standard_uncertainty_w_per_m2"`
	InFit    bool     `json:"in_fit"`
	Fitted   *float64 `json:"fitted_w_per_m2"`
	Residual *float64 `json:"residual_in_standard_deviations"`
	Line     int      `json:"line"`
}

type levelJSON struct {
	Name         string        `json:"name"`
	Source       string        `json:"source,omitempty"`
	Value        float64       `json:"level_w_per_m2"`
	Distance     *estimateJSON `json:"distance_m"` // null: none
	Where        string        `json:"where"`
	Extrapolated bool          `json:"extrapolated"`
	Why          string        `json:"why,omitempty"`
}

func (s *standoff) json() (string, error) {
	r := &s.result
	out := struct {
		File       string        `json:"file"`
		Refused    []string      `json:"refused"`
		From       *float64      `json:"nearest_m"`
		To         *float64      `json:"farthest_m"`
		Confidence float64       `json:"confidence"`
		S0         *estimateJSON `json:"s0_w_per_m2"`
		N          *estimateJSON `json:"n"`
		Background *estimateJSON `json:"background_w_per_m2"`
		Stated     bool          `json:"uncertainties_stated"`
		Sum        *float64      `json:"sum_of_squares"`
		DF         int           `json:"degrees_of_freedom"`
		P          *float64      `json:"probability_by_chance"`
		Widened    float64       `json:"intervals_widened_by"`
		Levels     []levelJSON   `json:"levels"`
		Marks      []markJSON    `json:"marks"`
		Warnings   []string      `json:"warnings"`
		Notes      []string      `json:"notes"`
		Caution    string        `json:"caution"`
	}{File: s.file, Refused: append([]string{}, r.Refused...), Confidence: survey.Confidence, Levels: []levelJSON{}, Marks: []markJSON{},
		Warnings: append([]string{}, s.warnings()...), Notes: s.remarks(), Caution: lineCaution, Stated: r.Stated, DF: r.DF, Widened: r.Widened}
	if r.Count > 0 {
		out.From, out.To = finite(float64(r.From)), finite(float64(r.To))
	}
	if len(r.Refused) == 0 {
		out.S0, out.N, out.Background = asJSON(r.S0), asJSON(r.N), asJSON(r.Background)
		out.Sum, out.P = finite(r.Sum), finite(r.P)
	}
	for _, l := range r.Levels {
		j := levelJSON{Name: l.Name, Source: l.Source, Value: float64(l.Value), Where: string(l.Where), Extrapolated: l.Beyond, Why: l.Why}
		if l.Where != survey.Nowhere {
			j.Distance = asJSON(l.Distance)
		}
		out.Levels = append(out.Levels, j)
	}
	for _, m := range r.Marks {
		j := markJSON{Distance: finite(float64(m.Distance)), Off: m.Off(), Value: float64(m.Value), InFit: !m.Left,
			Fitted: finite(float64(m.Fitted)), Residual: finite(m.InUnits), Line: m.Line}
		if m.U > 0 {
			j.U = finite(float64(m.U))
		}
		out.Marks = append(out.Marks, j)
	}
	text, err := json.MarshalIndent(out, "", "  ")
	return string(text) + "\n", err
}
