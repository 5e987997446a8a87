package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

const limitsHelp = `usage: ovenward limits --frequency=FREQUENCY [--basis=BASIS] [--id=ID] [--format=text|json]

Prints the built-in limits at a frequency: value, averaging time, distance, basis
and source, and what of it is not confirmed. For example:
  ovenward limits --frequency=2450MHz
  ovenward limits --frequency=915MHz --format=json
  ovenward limits --frequency=2450MHz --basis="exposure public"
  ovenward limits --frequency=2450MHz --id=us-emission-in-use

None applies by itself. A configuration names the ones that do:
  [[limit]]
  id = "door"
  builtin = "us-emission-in-use"

Limits on emission hold at a distance from an oven; limits on exposure hold where
people are, as a mean over time. They are different things, and no number of the
one says anything about the other.
`

// errLimitsHelp says that the operator asked for help.
var errLimitsHelp = errors.New("help asked for")

// limitsCommand prints the built-in limits at a frequency and returns the exit
// code.
func limitsCommand(args []string, stdout, stderr io.Writer) int {
	a, err := parseLimits(args)
	if errors.Is(err, errLimitsHelp) {
		fmt.Fprint(stdout, limitsHelp)
		return 0
	}
	if err != nil {
		fmt.Fprintf(stderr, "ovenward limits: %v\n", err)
		return 1
	}
	entries, err := a.entries()
	if err != nil {
		fmt.Fprintf(stderr, "ovenward limits: %v\n", err)
		return 1
	}
	if a.asJSON {
		err = limitsJSON(stdout, a.frequency, entries)
	} else {
		_, err = io.WriteString(stdout, limitsText(a.frequency, entries))
	}
	if err != nil {
		fmt.Fprintf(stderr, "ovenward limits: print the limits: %v\n", err)
		return 1
	}
	return 0
}

// limitsAsk is what the command line of limits asks for.
type limitsAsk struct {
	frequency quantity.Frequency
	basis, id string // empty: all
	asJSON    bool
}

func parseLimits(args []string) (a limitsAsk, err error) {
	const want = "say at which frequency: ovenward limits --frequency=2450MHz"
	for i := 0; i < len(args); i++ {
		name, value, given := strings.Cut(args[i], "=")
		name = "-" + strings.TrimLeft(name, "-")
		if name == "-help" || name == "-h" {
			return a, errLimitsHelp
		}
		if !slices.Contains([]string{"-frequency", "-basis", "-id", "-format"}, name) || !strings.HasPrefix(args[i], "-") {
			return a, fmt.Errorf("%q is not understood; see ovenward limits --help", args[i])
		}
		if !given {
			if i++; i == len(args) {
				return a, fmt.Errorf("-%s needs a value; see ovenward limits --help", name)
			}
			value = args[i]
		}
		switch name {
		case "-format":
			if value != "json" && value != "text" {
				return a, fmt.Errorf("there is no format %q; write --format=text or --format=json", value)
			}
			a.asJSON = value == "json"
		case "-basis":
			a.basis = value
		case "-id":
			a.id = value
		case "-frequency":
			if a.frequency, err = quantity.ParseFrequency(value); err != nil {
				return a, err
			}
			if !(a.frequency > 0) {
				return a, fmt.Errorf("the frequency %s is not above zero; %s", a.frequency, want)
			}
		}
	}
	if a.frequency == 0 {
		return a, errors.New(want)
	}
	return a, nil
}

// entries picks what is asked for of the built-in limits.
func (a limitsAsk) entries() ([]limit.Entry, error) {
	var bases, ids []string
	var picked []limit.Entry
	for _, e := range limit.Catalogue() {
		basis := string(e.Basis)
		if !slices.Contains(bases, basis) {
			bases = append(bases, basis)
		}
		if a.basis != "" && basis != a.basis {
			continue
		}
		ids = append(ids, e.ID)
		if a.id == "" || e.ID == a.id {
			picked = append(picked, e)
		}
	}
	switch {
	case a.basis != "" && len(ids) == 0:
		return nil, fmt.Errorf("there is no basis %q; use one of: %s", a.basis, strings.Join(bases, ", "))
	case len(picked) == 0 && a.basis != "":
		return nil, fmt.Errorf("there is no built-in limit %q of basis %q; use one of %s", a.id, a.basis, strings.Join(ids, ", "))
	case len(picked) == 0:
		return nil, fmt.Errorf("there is no built-in limit %q; use one of %s", a.id, strings.Join(ids, ", "))
	}
	return picked, nil
}

// limitsText prints one paragraph a limit.
func limitsText(f quantity.Frequency, entries []limit.Entry) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Built-in limits at %s%s. None applies by itself: a configuration names the ones that do.\n", f, bandWords(f))
	group := ""
	for _, e := range entries {
		g := "On people where they stand, as a mean over time"
		if e.Basis.Emission() {
			g = "On ovens, at a distance from the outer surface"
		}
		if g != group {
			group = g
			fmt.Fprintf(&b, "\n%s\n", g)
		}
		fmt.Fprintf(&b, "\n  %s: %s\n", e.ID, e.Title)
		say := func(name, text string) {
			if text != "" {
				fmt.Fprintf(&b, "    %-10s %s\n", name, text)
			}
		}
		l, err := e.At(f)
		if err != nil {
			say("value", "none: "+err.Error())
		} else {
			say("value", valueWords(l))
			say("averaging", averagingWords(e, l))
		}
		say("pulses", pulseWords(e))
		if e.Distance > 0 {
			say("distance", e.Distance.String())
		}
		say("basis", string(e.Basis))
		source := e.Source
		if e.Edition != "" {
			source += ", " + e.Edition
		}
		say("source", source)
		for _, n := range e.Notes {
			say("note", n)
		}
	}
	return b.String()
}

func bandWords(f quantity.Frequency) string {
	from, to, ok := limit.ISMBand(f)
	if !ok {
		return ", outside the bands that ovens use (47 CFR 18.301)"
	}
	return fmt.Sprintf(", in the band %s to %s (47 CFR 18.301)", from, to)
}

// valueWords prints a level in both units, and the field strengths beside it.
func valueWords(l limit.Level) string {
	s := fmt.Sprintf("%s (%s)", quantity.MilliwattPerSquareCentimetre().FormatDigits(float64(l.Value), 4),
		quantity.WattPerSquareMetre().FormatDigits(float64(l.Value), 4))
	if l.FromE {
		s += fmt.Sprintf(", which is %.4g V/m as a plane wave with Z0 = 376.73 Ω", l.E)
	}
	if !l.As.Confirmed() {
		s += ", not confirmed"
	}
	if l.FromE {
		return s
	}
	var fields []string
	if !math.IsNaN(l.E) {
		fields = append(fields, fmt.Sprintf("%.4g V/m", l.E))
	}
	if !math.IsNaN(l.H) {
		fields = append(fields, fmt.Sprintf("%.4g A/m", l.H))
	}
	if len(fields) > 0 {
		s += "; " + strings.Join(fields, ", ")
		if !l.FieldsAs.Confirmed() {
			s += " (not confirmed)"
		}
	}
	return s
}

// pulseWords tells how far above the level one pulse may be; no verdict rests on
// it.
func pulseWords(e limit.Entry) string {
	if e.PulseS == 0 {
		return ""
	}
	s := fmt.Sprintf("the mean over one pulse at most %.4g times the value, E at most %.4g times E", e.PulseS, e.PulseE)
	if !e.PulseAs.Confirmed() {
		s += ", not confirmed"
	}
	return s + "; shorter than a probe's response, so that no verdict looks at it"
}

func averagingWords(e limit.Entry, l limit.Level) string {
	switch {
	case e.Basis.Emission() && e.Slowest > 0:
		return fmt.Sprintf("none: a maximum, by a meter that shows 90 %% of a step within %s", quantity.FormatDuration(e.Slowest))
	case e.Basis.Emission():
		return "none: a maximum"
	case l.Averaging == 0:
		return "not in our table"
	case !l.AveragingAs.Confirmed():
		return quantity.FormatDuration(l.Averaging) + ", not confirmed"
	}
	return quantity.FormatDuration(l.Averaging)
}

// limitJSON is one limit as programs read it: SI units, null where there is no
// number.
type limitJSON struct {
	ID          string   `json:"id"`
	Title       string   `json:"title"`
	Tier        string   `json:"tier"`
	Basis       string   `json:"basis"`
	Local       bool     `json:"local"`
	InBand      bool     `json:"in_band"`
	Outside     string   `json:"outside,omitempty"`
	Value       *float64 `json:"value_w_per_m2"`
	E           *float64 `json:"electric_field_v_per_m"`
	H           *float64 `json:"magnetic_field_a_per_m"`
	FromE       bool     `json:"value_from_electric_field"`
	Averaging   *float64 `json:"averaging_s"`
	Distance    *float64 `json:"distance_m"`
	Response    *float64 `json:"response_s"`
	Source      string   `json:"source"`
	Edition     string   `json:"edition"`
	Status      string   `json:"status"`
	Confirmed   bool     `json:"confirmed"`
	Unconfirmed string   `json:"not_confirmed,omitempty"`
	PulseS      *float64 `json:"pulse_power_density_ratio"`
	PulseE      *float64 `json:"pulse_electric_field_ratio"`
	Notes       []string `json:"notes,omitempty"`
}

func limitsJSON(w io.Writer, f quantity.Frequency, entries []limit.Entry) error {
	number := func(x float64) *float64 {
		if math.IsNaN(x) || x == 0 {
			return nil
		}
		return &x
	}
	var all []limitJSON
	for _, e := range entries {
		j := limitJSON{ID: e.ID, Title: e.Title, Tier: e.Tier, Basis: string(e.Basis), Local: e.Local, Source: e.Source, Edition: e.Edition,
			Distance: number(float64(e.Distance)), Response: number(e.Slowest.Seconds()), PulseS: number(e.PulseS), PulseE: number(e.PulseE), Notes: e.Notes}
		l, err := e.At(f)
		if err != nil {
			j.Outside = err.Error()
		} else {
			j.InBand, j.FromE = true, l.FromE
			j.Value, j.E, j.H, j.Averaging = number(float64(l.Value)), number(l.E), number(l.H), number(l.Averaging.Seconds())
			j.Status, j.Unconfirmed = string(l.As), e.Unconfirmed(l)
			j.Confirmed = j.Unconfirmed == ""
		}
		all = append(all, j)
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(map[string]any{"frequency_hz": float64(f), "limits": all})
}
