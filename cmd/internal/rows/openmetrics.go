package rows

import (
	"bufio"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
	"ovenward/metrics/remotewrite"
)

// overEvery is how often it is said again that a post is over range or not.
const overEvery = time.Minute

// openMetrics writes OpenMetrics text (1.0). A family stands together, so the
// rows are given twice: for the values, and for whether they were over range.
// Where a post had no number, or none any more, the value is NaN.
type openMetrics struct {
	w     *bufio.Writer
	v     Values
	pass  int // whose family was begun; -1: none
	buf   []byte
	of    omSeries
	value []float64
}

// omSeries is where the text stands in one series.
type omSeries struct {
	key    [5]string // site, post, oven, probe, origin
	labels string
	ms     remotewrite.Millis
	last   time.Time
	stale  time.Duration
	number bool // the newest value was one
	said   time.Time
	over   bool
}

func newOpenMetrics(w *bufio.Writer, v Values) *openMetrics {
	return &openMetrics{w: w, v: v, pass: -1}
}

func (o *openMetrics) Passes() int { return 2 }

// name is the family of the values; the remote-write series' own in its unit.
func (o *openMetrics) name() (name, unit string) {
	unit = metricUnit(o.v.Unit)
	switch {
	case o.v.Raw:
		return "ovenward_recorded_indicated_" + kindWords(o.v.Unit) + "_" + unit, unit
	case o.v.Unit == quantity.WattPerSquareMetre():
		return remotewrite.PowerDensity, unit
	}
	return "ovenward_recorded_" + kindWords(o.v.Unit) + "_" + unit, unit
}

func (o *openMetrics) begin(pass int) error {
	if o.pass == pass {
		return nil
	}
	o.pass, o.of = pass, omSeries{}
	if pass == 1 {
		_, err := fmt.Fprintf(o.w, "# TYPE %s gauge\n# HELP %s 1 while the probe was over its range: the field was above its top.\n",
			remotewrite.OverRange, remotewrite.OverRange)
		return err
	}
	name, unit := o.name()
	what := "Samples of the record, corrected."
	if o.v.Raw {
		what = "Samples of the record as the probe said them, not corrected."
	}
	_, err := fmt.Fprintf(o.w, "# TYPE %s gauge\n# UNIT %s %s\n# HELP %s %s Not a number where the probe said none, or has ceased to speak.\n",
		name, name, unit, name, what)
	return err
}

func (o *openMetrics) Add(pass int, r *Row) error {
	if err := o.begin(pass); err != nil {
		return err
	}
	s := r.Sample
	if key := [5]string{r.Site, r.Post, r.Oven, r.Probe, r.Origin}; key != o.of.key {
		if key[1] == o.of.key[1] {
			o.of.stale = min(o.of.stale, max(s.At.Sub(o.of.last), 1)) // the post was given to another probe
			if err := o.ended(math.MaxInt64); err != nil {
				return err
			}
		}
		o.of = omSeries{key: key, labels: omLabels(key)}
	}
	if pass == 1 {
		return o.overRange(s)
	}
	if err := o.ended(s.At.UnixMilli()); err != nil {
		return err
	}
	ms, ok := o.of.ms.Next(s.At)
	if !ok {
		return fmt.Errorf("post %s has more than one sample a millisecond at %s, and OpenMetrics has room for one: export it as csv or jsonl",
			r.Post, s.At.UTC().Format(utcLayout))
	}
	o.value = o.v.of(r, o.value)
	o.of.last, o.of.stale, o.of.number = s.At, r.Stale, !math.IsNaN(o.value[0])
	name, _ := o.name()
	return o.line(name, ms, o.value[0])
}

// ended writes not-a-number where the newest value ceased to hold before ms. After
// the last row nothing is: the record may go on.
func (o *openMetrics) ended(before int64) error {
	if o.pass != 0 || !o.of.number || o.of.stale <= 0 {
		return nil
	}
	end := max(o.of.last.Add(o.of.stale).UnixMilli(), o.of.ms.Last+1)
	if end >= before {
		return nil
	}
	o.of.number, o.of.ms.Last = false, end
	name, _ := o.name()
	return o.line(name, end, math.NaN())
}

func (o *openMetrics) overRange(s acquire.Sample) error {
	over := s.Quality&acquire.OverRange != 0
	if !o.of.said.IsZero() && over == o.of.over && s.At.Sub(o.of.said) < overEvery {
		return nil
	}
	ms, ok := o.of.ms.Next(s.At)
	if !ok {
		return nil // told by the next one
	}
	o.of.said, o.of.over = s.At, over
	v := 0.0
	if over {
		v = 1
	}
	return o.line(remotewrite.OverRange, ms, v)
}

func (o *openMetrics) line(name string, ms int64, v float64) error {
	b := append(o.buf[:0], name...)
	b = append(append(b, o.of.labels...), ' ')
	if math.IsNaN(v) {
		b = append(b, "NaN "...)
	} else {
		b = append(strconv.AppendFloat(b, v, 'g', -1, 64), ' ')
	}
	b = append(appendSeconds(b, ms), '\n')
	o.buf = b
	_, err := o.w.Write(b)
	return err
}

// appendSeconds prints ms as seconds. A reader that multiplies by 1 000 and cuts
// off, as Prometheus does, must find ms again: where the binary fraction falls
// below it, a third of a microsecond is added.
func appendSeconds(b []byte, ms int64) []byte {
	from := len(b)
	b = fmt.Appendf(b, "%d.%03d", ms/1000, ms%1000)
	if f, err := strconv.ParseFloat(string(b[from:]), 64); err == nil && int64(f*1000) != ms {
		b = append(b, "0003"...)
	}
	return b
}

func omLabels(key [5]string) string {
	var b strings.Builder
	escape := strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`)
	for i, name := range []string{"site", "post", "oven", "probe", "origin"} {
		if name == "origin" && key[i] == "" {
			key[i] = "not known"
		}
		if key[i] == "" || name == "origin" && key[i] == Probe {
			continue
		}
		sep := ","
		if b.Len() == 0 {
			sep = "{"
		}
		fmt.Fprintf(&b, `%s%s="%s"`, sep, name, escape.Replace(key[i]))
	}
	if b.Len() == 0 {
		return ""
	}
	return b.String() + "}"
}

// metricUnit is a unit, no level, in a metric's name.
func metricUnit(u quantity.Unit) string {
	s := u.ASCII()
	over, per, _ := strings.Cut(s, "/")
	per = map[string]string{"m2": "square_meter", "cm2": "square_centimeter", "m": "meter"}[per]
	base := map[byte]string{'W': "watts", 'V': "volts", 'A': "amperes"}[over[len(over)-1]]
	prefix := map[string]string{"": "", "m": "milli", "u": "micro", "n": "nano", "k": "kilo"}[over[:len(over)-1]]
	return prefix + base + "_per_" + per
}

func (o *openMetrics) Close() error {
	for pass := range 2 {
		if o.pass < pass {
			if err := o.begin(pass); err != nil {
				return err
			}
		}
	}
	if _, err := o.w.WriteString("# EOF\n"); err != nil {
		return err
	}
	return o.w.Flush()
}
