package config

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/BurntSushi/toml"
)

// Trial is a probe given by flags instead of a file: the keys and values are those
// of a [[probe]] and of its driver's table, and so are the messages.
type Trial struct {
	Driver, Port string
	Set          []string // "key=value"; a value that is no TOML is text
}

// trialDefault is what the file demands and a trial can do without: the words in
// the block that is suggested say so.
type trialDefault struct{ key, value, remark string }

func (tr Trial) defaults() []trialDefault {
	return []trialDefault{
		{"response", `"1 s"`, "to 90 % of a step: write what the probe's handbook says"},
		{"range", `"20 mW/cm2"`, "write what the probe's handbook says"},
		{"floor", `"0.02 mW/cm2"`, "noise: write what the probe's handbook says"},
		{"axes", "3", "1 or 3: write what the probe has"},
	}
}

// trialLine is one line of the file that the flags come to.
type trialLine struct{ text, from string } // from is the flag, for messages

// Read reads the trial as the file would be read. block is the [[probe]] that does
// the same in a file. Range and Floor
// are 0 when no flag says them. Problems name the flag that they stand in.
func (tr Trial) Read() (p Probe, block string, err error) {
	if !slices.Contains(Drivers(), tr.Driver) {
		return p, "", fmt.Errorf("--driver=%s is not known: use %s", tr.Driver, strings.Join(Drivers(), ", "))
	}
	known := tr.keys()
	top := []trialLine{{"[[probe]]", "the flags"}, {`id = "trial"`, ""},
		{"driver = " + quoted(tr.Driver), "--driver"}, {"port = " + quoted(tr.Port), "--port"}}
	var below []trialLine
	set := map[string]bool{}
	for _, s := range tr.Set {
		key, value, ok := strings.Cut(s, "=")
		key = strings.TrimSpace(key)
		if !ok || key == "" {
			return p, "", fmt.Errorf("--set %s: write --set key=value, with the keys of the configuration", s)
		}
		first, rest, dotted := strings.Cut(key, ".")
		line := trialLine{key + " = " + tomlValue(value), "--set " + key}
		switch {
		case dotted && first == tr.Driver:
			line.text = rest + " = " + tomlValue(value)
			below = append(below, line)
		case slices.Contains(known, first):
			set[first] = true
			top = append(top, line)
		default:
			below = append(below, line)
		}
	}
	if !set["poll"] && !set["stream"] {
		top = append(top, trialLine{`poll = "1 s"`, "the default of poll"})
	}
	if !set["baud"] && !named(tr.Port) && !strings.HasPrefix(tr.Port, simulatePrefix) {
		top = append(top, trialLine{"baud = 9600", "the default of baud"})
	}
	for _, d := range tr.defaults() {
		if !set[d.key] {
			top = append(top, trialLine{fmt.Sprintf("%s = %s # %s", d.key, d.value, d.remark), "the default of " + d.key})
		}
	}
	top = append(top, trialLine{"", ""}, trialLine{"  [probe." + tr.Driver + "]", "--driver=" + tr.Driver})
	for _, l := range below {
		top = append(top, trialLine{"  " + l.text, l.from})
	}
	if p, block, err = readTrial(tr.Driver, top); err != nil {
		return p, "", err
	}
	// Nothing is held against an instrument that nobody said of it.
	if !set["range"] {
		p.Range = 0
	}
	if !set["floor"] {
		p.Floor = 0
	}
	return p, block, nil
}

func readTrial(driver string, lines []trialLine) (p Probe, block string, err error) {
	var b strings.Builder
	for _, l := range lines {
		b.WriteString(l.text + "\n")
	}
	r := &reader{claims: map[string]claim{}}
	var probes []Probe
	if root := r.decode([]byte(b.String())); root != nil {
		probes = readProbes(root, Alarm{Stale: 2 * time.Hour, Silent: 2 * time.Hour})
	}
	var errs []error
	for _, problem := range r.problems.sorted() {
		from := "the flags"
		if i := problem.Line - 1; i < len(lines) && lines[i].from != "" {
			from = lines[i].from
		}
		what := strings.TrimLeft(strings.TrimPrefix(problem.What, `probe "trial"`), ":, ")
		what = strings.TrimPrefix(what, driver+": ") // the flags name driver and key
		what = strings.TrimPrefix(what, strings.TrimPrefix(strings.TrimPrefix(from, "--set "), "--")+": ")
		errs = append(errs, fmt.Errorf("%s: %s", from, what))
	}
	if len(errs) > 0 {
		return p, "", errors.Join(errs...)
	}
	return probes[0], b.String(), nil
}

// keys lists the keys of a [[probe]]; all others are of its driver's table.
func (tr Trial) keys() []string {
	r := &reader{claims: map[string]claim{}}
	readProbes(r.decode([]byte("[[probe]]\nid = \"trial\"\n")), Alarm{})
	return slices.DeleteFunc(r.probeKeys, func(k string) bool { return slices.Contains(Drivers(), k) })
}

// tomlValue writes a value as TOML: as it stands when it is, else as text, in
// which \r, \n and the like mean what they mean there.
func tomlValue(s string) string {
	s = strings.TrimSpace(s)
	var into map[string]any
	if _, err := toml.Decode("x = "+s, &into); err == nil && len(into) == 1 && !strings.ContainsAny(s, "\n#") {
		return s
	}
	text := `"` + strings.ReplaceAll(s, `"`, `\"`) + `"`
	if _, err := toml.Decode("x = "+text, &into); err == nil && !strings.Contains(text, "\n") {
		return text
	}
	return quoted(s)
}

// quoted writes s as a basic string of TOML.
func quoted(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range strings.ToValidUTF8(s, "�") {
		switch {
		case c == '"' || c == '\\':
			b.WriteString(`\` + string(c))
		case c == '\n':
			b.WriteString(`\n`)
		case c == '\r':
			b.WriteString(`\r`)
		case c == '\t':
			b.WriteString(`\t`)
		case c < ' ' || c == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, c)
		default:
			b.WriteRune(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// settings writes the values of a table as lines "key = value", sorted, but for
// some keys; those of tables within it are dotted.
func settings(values map[string]any, but ...string) []string {
	var out []string
	for _, key := range keysOf(values) {
		if slices.Contains(but, key) {
			continue
		}
		if inner, ok := values[key].(map[string]any); ok {
			for _, s := range settings(inner) {
				out = append(out, key+"."+s)
			}
			continue
		}
		if s, ok := written(values[key]); ok {
			out = append(out, key+" = "+s)
		}
	}
	return out
}

// written writes a decoded value as TOML.
func written(v any) (string, bool) {
	switch v := v.(type) {
	case string:
		return quoted(v), true
	case int64, bool:
		return fmt.Sprint(v), true
	case float64:
		s := strconv.FormatFloat(v, 'g', -1, 64)
		if !strings.ContainsAny(s, ".e") {
			s += ".0"
		}
		return s, true
	case []any:
		items := make([]string, len(v))
		for i := range v {
			s, ok := written(v[i])
			if !ok {
				return "", false
			}
			items[i] = s
		}
		return "[" + strings.Join(items, ", ") + "]", true
	}
	return "", false // dates and lists of tables: no driver has any
}
