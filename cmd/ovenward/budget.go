package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
	"ovenward/config"
)

const budgetHelp = `usage: ovenward budget [--config.file=F] --post=P [--level="1 mW/cm2"] [--format=json]
       ovenward budget --storage.path=FOLDER [--post=P] [--format=json]

Prints what makes the corrected values of a post's probe uncertain, term by term,
by the GUM (JCGM 100:2008): what is stated or assumed of each source, its standard
uncertainty, and the expanded uncertainty for 95 % that values and verdicts carry.
Without --config.file it is a post of the model kitchen.

With --storage.path it lists the verdicts in that record that a calibration put in
doubt: one that found its probe farther off than was to be expected.

  --level=VALUE   corrected value to add it up at; the post's limit by default
  --format=FORMAT text or json
`

// budgetOf is the budget of one post as it is printed.
type budgetOf struct {
	post  acquire.Post
	cert  *calib.Certificate // in force now; nil without one
	terms calib.Budget
	total calib.Total
	limit calib.Total // at the post's limit
}

// budgetCommand prints the uncertainty budget of a post and returns the exit
// code.
func budgetCommand(args []string, stdout, stderr io.Writer) int {
	var file, post, level, record string
	flags := flag.NewFlagSet("ovenward budget", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&file, "config.file", "", "")
	flags.StringVar(&post, "post", "", "")
	flags.StringVar(&level, "level", "", "")
	flags.StringVar(&record, "storage.path", "", "")
	format := flags.String("format", "text", "")
	if err := parse(flags, args); err != nil {
		return ended("budget", budgetHelp, err, stdout, stderr)
	}
	switch {
	case *format != "text" && *format != "json":
		return fail(stderr, "--format=%s is not known: use text or json", *format)
	case record != "" && (file != "" || level != ""):
		return fail(stderr, "--config.file and --level belong to a budget, and --storage.path lists what is in doubt: leave one of them out")
	case record != "":
		if err := listDoubts(context.Background(), record, post, *format, stdout); err != nil {
			return fail(stderr, "%v", err)
		}
		return 0
	}
	b, err := readBudget(file, post, level, time.Now())
	if err != nil {
		return fail(stderr, "%v", err)
	}
	text := b.text()
	if *format == "json" {
		text, err = b.json()
	}
	if err == nil {
		_, err = io.WriteString(stdout, text)
	}
	if err != nil {
		return fail(stderr, "printing the budget: %v", err)
	}
	return 0
}

func readBudget(file, post, level string, now time.Time) (*budgetOf, error) {
	load := func() (*config.File, error) { return config.Load(file) }
	if file == "" {
		load = func() (*config.File, error) { return config.Parse("kitchen.toml", kitchenTOML) }
	}
	f, err := load()
	if err != nil {
		return nil, err
	}
	k, err := newKitchen(f, func() time.Time { return now })
	if err != nil {
		return nil, err
	}
	all, err := posts(f, k, nil)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(all, func(p acquire.Post) bool { return p.ID == post })
	if i < 0 {
		var ids []string
		for _, p := range all {
			ids = append(ids, p.ID)
		}
		if post == "" {
			return nil, fmt.Errorf("say of which post, with --post: %s", strings.Join(ids, ", "))
		}
		return nil, fmt.Errorf("there is no post %q: name one with --post: %s", post, strings.Join(ids, ", "))
	}
	p := all[i]
	at := p.Limit.Value
	if level != "" {
		if at, err = quantity.ParsePowerDensity(level); err != nil {
			return nil, fmt.Errorf("--level: %w", err)
		}
		if at < 0 {
			return nil, fmt.Errorf("--level: %q is below zero, and no field is: write for example %q", level, "1 mW/cm2")
		}
	}
	b := &budgetOf{post: p, cert: calib.InForce(p.Probe.Certificates(), now)}
	b.terms = calib.ProbeBudget(p.Nature(), b.cert, calib.Before(p.Probe.Certificates(), b.cert))
	if why := (calib.Correction{Certificate: b.cert, Setting: p.Nature().Setting}).Lacking(now); b.cert != nil && why != "" {
		if !slices.ContainsFunc(b.terms.Notes, func(n string) bool { return strings.HasPrefix(n, why) }) {
			b.terms.Notes = append(b.terms.Notes, why+": values are uncalibrated")
		}
	}
	b.total, b.limit = b.terms.At(at), b.terms.At(p.Limit.Value)
	return b, nil
}

func (b *budgetOf) text() string {
	var s strings.Builder
	p := &b.post
	fmt.Fprintf(&s, "uncertainty budget of post %s: probe %s, oven %s, %s from it\n", p.ID, p.Probe.ID, p.Oven, p.Distance)
	if b.cert == nil {
		s.WriteString("no certificate\n")
	} else {
		fmt.Fprintf(&s, "certificate %s of %s, from %s, due %s\nat a corrected value of %s\n\n", b.cert.Number, b.cert.Laboratory,
			b.cert.Date.Format(time.DateOnly), b.cert.Due.Format(time.DateOnly), b.total.Level)
		b.table(&s)
		fmt.Fprintf(&s, "\ncombined standard uncertainty  %s (%s of the value)\n", mw(b.total.Combined), share(b.total.Combined, float64(b.total.Level)))
		fmt.Fprintf(&s, "effective degrees of freedom   %s\n", freedom(b.total.DF))
		fmt.Fprintf(&s, "coverage factor for 95 %%       k = %.3f\n", b.total.K)
		fmt.Fprintf(&s, "expanded uncertainty           U = %s (%s of the value)\n", mw(b.total.U), share(b.total.U, float64(b.total.Level)))
		if b.total.Level != b.limit.Level {
			fmt.Fprintf(&s, "samples and verdicts carry k = %.3f, that at the limit of %s\n", b.limit.K, b.limit.Level)
		}
	}
	for _, w := range b.total.Warnings {
		fmt.Fprintf(&s, "warning: %s\n", w)
	}
	for _, n := range b.terms.Notes {
		fmt.Fprintf(&s, "note: %s\n", n)
	}
	if f := b.filter(); f.Active() {
		fmt.Fprintf(&s, "note: for verdicts against limit %s values are filtered with a time constant of %.3g s, so that a first-order probe of %s and the filter together take %s to 90 %% of a step; alarms compare the value itself\n",
			p.Limit.ID, f.Tau(), quantity.FormatDuration(p.Probe.Response), quantity.FormatDuration(p.Limit.Response()))
	}
	if slices.ContainsFunc(b.terms.Terms, func(t calib.Term) bool { return t.Assumed }) {
		s.WriteString("note: what is marked 'assumed' nobody stated: it is common practice, without a source; state it in [probe.uncertainty] or at the post\n")
	}
	return s.String()
}

func (b *budgetOf) filter() *calib.Filter {
	f := calib.NewFilter(b.post.Probe.Response, b.post.Limit.Response())
	return &f
}

func (b *budgetOf) table(w io.Writer) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "source\tstated\tdistribution\tdivisor\tsensitivity\tstandard uncertainty\tdegrees of freedom\tshare\tfrom")
	for _, x := range b.terms.Terms {
		c := x.Contribution(b.total.Level)
		fmt.Fprintf(t, "%s\t%s\t%s\t%.4g\t%s\t%s\t%s\t%s\t%s\n", x.Name, stated(x), x.Distribution, x.Divisor, sensitivity(x), mw(c),
			freedom(x.DF), share(c*c, b.total.Combined*b.total.Combined), x.From)
	}
	t.Flush()
}

// stated prints what is stated of a term, with its unit.
func stated(x calib.Term) string {
	text := ""
	switch x.Unit {
	case "1":
		text = fmt.Sprintf("%.3g %%", 100*x.Value)
	case "W/m²":
		text = mw(x.Value)
	case "m":
		text = quantity.Length(x.Value).String()
	default:
		text = fmt.Sprintf("%.3g %s", x.Value, x.Unit)
	}
	if x.Distribution == calib.Rectangular {
		return "±" + text
	}
	return text
}

// sensitivity prints how much of the result one unit of the term makes.
func sensitivity(x calib.Term) string {
	if x.Relative && x.Unit == "m" { // as people read distances
		return fmt.Sprintf("%.4g %%/mm", 100*x.Sensitivity/1000)
	}
	if x.Relative && x.Unit != "1" {
		return fmt.Sprintf("%.4g %%/%s", 100*x.Sensitivity, x.Unit)
	}
	return fmt.Sprintf("%.4g", x.Sensitivity)
}

func mw(s float64) string { return quantity.MilliwattPerSquareCentimetre().FormatDigits(s, 3) }

func share(part, whole float64) string {
	if !(whole != 0) {
		return "-"
	}
	return fmt.Sprintf("%.3g %%", 100*part/math.Abs(whole))
}

func freedom(df float64) string {
	if math.IsInf(df, 1) {
		return "unlimited"
	}
	return fmt.Sprintf("%.1f", df)
}

func (b *budgetOf) json() (string, error) {
	type term struct {
		Name         string   `json:"name"`
		Value        float64  `json:"value"`
		Unit         string   `json:"unit"`
		Distribution string   `json:"distribution"`
		Divisor      float64  `json:"divisor"`
		Sensitivity  float64  `json:"sensitivity"`
		Relative     bool     `json:"relative"`
		Contribution float64  `json:"standard_uncertainty_w_per_m2"`
		DF           *float64 `json:"degrees_of_freedom"` // null: unlimited
		From         string   `json:"from"`
		Assumed      bool     `json:"assumed"`
	}
	out := struct {
		Post        string   `json:"post"`
		Probe       string   `json:"probe"`
		Oven        string   `json:"oven"`
		Distance    float64  `json:"distance_m"`
		Certificate string   `json:"certificate,omitempty"`
		Level       float64  `json:"level_w_per_m2"`
		Terms       []term   `json:"terms"`
		Combined    *float64 `json:"combined_standard_uncertainty_w_per_m2"` // null: not known
		DF          *float64 `json:"effective_degrees_of_freedom"`           // null: unlimited
		Confidence  float64  `json:"confidence"`
		K           *float64 `json:"k"`
		U           *float64 `json:"expanded_uncertainty_w_per_m2"`
		KAtLimit    *float64 `json:"k_at_limit"`
		Limit       string   `json:"limit"`
		Tau         float64  `json:"filter_time_constant_s,omitempty"`
		Warnings    []string `json:"warnings"`
		Notes       []string `json:"notes"`
	}{Post: b.post.ID, Probe: b.post.Probe.ID, Oven: b.post.Oven, Distance: float64(b.post.Distance), Level: float64(b.total.Level),
		Terms: []term{}, Confidence: 0.95, Limit: b.post.Limit.ID, Tau: b.filter().Tau(),
		Warnings: append([]string{}, b.total.Warnings...), Notes: append([]string{}, b.terms.Notes...)}
	if b.cert != nil {
		out.Certificate = b.cert.Number
		out.Combined, out.DF, out.K, out.U, out.KAtLimit = finite(b.total.Combined), finite(b.total.DF), finite(b.total.K), finite(b.total.U), finite(b.limit.K)
	}
	for _, x := range b.terms.Terms {
		out.Terms = append(out.Terms, term{x.Name, x.Value, x.Unit, string(x.Distribution), x.Divisor, x.Sensitivity, x.Relative,
			x.Contribution(b.total.Level), finite(x.DF), x.From, x.Assumed})
	}
	text, err := json.MarshalIndent(out, "", "  ")
	return string(text) + "\n", err
}

func finite(x float64) *float64 {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return nil
	}
	return &x
}
