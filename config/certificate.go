package config

import (
	"fmt"
	"slices"
	"sort"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// Certificate is a [probe.certificate] or one [[probe.certificate]] of a probe:
// its calibration as the laboratory states it.
type Certificate struct {
	Line                int
	Number              string
	Laboratory          string
	Date                time.Time // first instant of that day, UTC
	Due                 time.Time // likewise; overdue from then on
	Factor              float64   // as left: multiplies the reading; 1 where ByFrequency gives it
	ExpandedUncertainty float64   // relative: 25 % is 0.25
	K                   float64   // coverage factor of it

	DegreesOfFreedom float64 // of it; 0: not stated
	AsFound          float64 // the factor before any adjustment; 0: not stated
	FoundBound       float64 // relative: how far it may lie from the certificate before; 0: by the uncertainty of that
	ByFrequency      []calib.FrequencyPoint
	ByLevel          []calib.LevelPoint
	PerKelvin        float64 // relative rise of the reading, 1/K; 0: not stated
	Reference        float64 // °C, at which the factors hold
}

// Calib returns the certificate as the program uses it.
func (c *Certificate) Calib() *calib.Certificate {
	return &calib.Certificate{Number: c.Number, Laboratory: c.Laboratory, Date: c.Date, Due: c.Due, Factor: c.Factor,
		U: c.ExpandedUncertainty, K: c.K, DF: c.DegreesOfFreedom, AsFound: c.AsFound, FoundBound: c.FoundBound, ByFrequency: c.ByFrequency, ByLevel: c.ByLevel,
		PerKelvin: c.PerKelvin, Reference: c.Reference}
}

// readCertificates reads all certificates of a probe, the newest first. One may
// be written [probe.certificate], several [[probe.certificate]].
func readCertificates(t *table) []*Certificate {
	const key = "certificate"
	v, ok := t.get(ask{key: key})
	if !ok {
		return nil
	}
	var tables []*table
	if _, one := v.(map[string]any); one {
		tables = append(tables, t.table(key))
	} else if tables = t.tables(key); tables == nil {
		return nil
	} else {
		for _, each := range tables {
			each.label = t.label + ", " + each.label
		}
	}
	var all []*Certificate
	for _, each := range tables {
		c := readCertificate(each)
		for _, other := range all {
			if c.Number != "" && c.Number == other.Number {
				each.problem("number", "%q is the number of the certificate on line %d already; each has its own", c.Number, other.Line)
			}
			if !c.Date.IsZero() && c.Date.Equal(other.Date) {
				each.problem("date", "the certificate on line %d has the same date, so that neither is the newer; keep the one that counts", other.Line)
			}
		}
		all = append(all, c)
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].Date.After(all[j].Date) })
	return all
}

func readCertificate(t *table) *Certificate {
	c := &Certificate{
		Line:       t.at.line,
		Number:     t.text(ask{"number", `"LH-0417"`, true}),
		Laboratory: t.text(ask{"laboratory", `"the laboratory that signed it"`, true}),
		Date:       t.date(ask{"date", "2026-02-10", true}),
		Due:        t.date(ask{"due", "2027-02-10", true}),
		ExpandedUncertainty: t.percent(ask{"expanded_uncertainty", `"25 %"`, true},
			span[float64]{0.0001, 1, `"0.01 %" to "100 %"`}),
		// With few degrees of freedom k for 95 % reaches 13.97 (JCGM 100:2008,
		// table G.2, 95.45 %, one degree of freedom; from memory).
		K: t.number(ask{"k", "2", true}, span[float64]{1, 14, "a number from 1 to 14; most certificates state 2"}, 0),
	}
	factor := span[float64]{0.1, 10, "a number from 0.1 to 10"}
	table := t.has("frequency_factor")
	c.Factor = t.number(ask{"factor", "1.03", !table}, factor, 0)
	if table && t.has("factor") {
		t.problem("factor", "frequency_factor gives the factor at each frequency; remove factor, or remove frequency_factor")
	}
	if table {
		c.Factor = 1
	}
	c.DegreesOfFreedom = t.number(ask{"degrees_of_freedom", "50", false}, span[float64]{1, 1e6, "a number from 1 to 1000000"}, 0)
	c.AsFound = t.number(ask{"as_found", "1.05", false}, factor, 0)
	if t.has("as_found_bound") {
		c.FoundBound = t.percent(ask{"as_found_bound", `"10 %"`, false}, span[float64]{0.0001, 1, `"0.01 %" to "100 %"`})
		if !t.has("as_found") {
			t.problem("as_found_bound", "it says how far as_found may lie from the certificate before, and as_found is not stated; write it, or remove the bound")
		}
	}
	c.PerKelvin = readPerKelvin(t)
	c.Reference = readTemperature(t, ask{"reference_temperature", `"23 °C"`, t.has("temperature_coefficient")})
	tell := readTables(t, c)
	if !c.Date.IsZero() && !c.Due.IsZero() && !c.Due.After(c.Date) {
		t.problem("due", "it is not after date, %s; write the day by which the probe is to be calibrated again", c.Date.Format(time.DateOnly))
	}
	tell()
	t.finish()
	return c
}

// maxRows bounds a table of a certificate.
const maxRows = 64

// readTables reads the two tables of a certificate. What it returns tells what
// makes no sense in them.
func readTables(t *table, c *Certificate) (tell func()) {
	rows := map[string][]int{} // the line of each row, by the table's key
	each := func(key, x, example string, read func(row *table, factor float64)) {
		for i, row := range t.rows(key, example) {
			if i == maxRows {
				t.problem(key, "it has more than %d rows; keep those that matter here", maxRows)
				break
			}
			f := row.number(ask{"factor", "1.03", true}, span[float64]{0.1, 10, "a number from 0.1 to 10"}, 0)
			read(row, f)
			rows[key] = append(rows[key], row.line(x))
			row.finish()
		}
	}
	each("frequency_factor", "frequency", `[{ frequency = "2450 MHz", factor = 1.03 }]`, func(row *table, f float64) {
		c.ByFrequency = append(c.ByFrequency, calib.FrequencyPoint{Factor: f, Frequency: quantityOf(row, ask{"frequency", `"2450 MHz"`, true},
			quantity.ParseFrequency, span[quantity.Frequency]{1e6, 300e9, `"1 MHz" to "300 GHz"`}, 0)})
	})
	each("linearity", "level", `[{ level = "1 mW/cm2", factor = 1.0 }]`, func(row *table, f float64) {
		c.ByLevel = append(c.ByLevel, calib.LevelPoint{Factor: f, Level: row.powerDensity(ask{"level", `"1 mW/cm2"`, true})})
	})
	return func() {
		// A row that could not be read was told; its neighbours are then not compared.
		for _, f := range (&calib.Certificate{ByFrequency: c.ByFrequency, ByLevel: c.ByLevel}).Flaws() {
			if f.Row >= 0 && f.Row < len(rows[f.Key]) && !c.unread(f.Key, f.Row) {
				t.r.add(rows[f.Key][f.Row], "%s: %s: %s", t.label, f.Key, f.What)
			}
		}
	}
}

// unread says whether a row of a table, or the one before it, could not be read.
func (c *Certificate) unread(key string, row int) bool {
	for i := max(row-1, 0); i <= row; i++ {
		if key == "linearity" && (c.ByLevel[i].Level == 0 || c.ByLevel[i].Factor == 0) ||
			key == "frequency_factor" && (c.ByFrequency[i].Frequency == 0 || c.ByFrequency[i].Factor == 0) {
			return true
		}
	}
	return false
}

// rows reads a list of small tables that stand in one value.
func (t *table) rows(key, example string) []*table {
	v, ok := t.get(ask{key: key})
	if !ok {
		return nil
	}
	var list []any
	switch v := v.(type) {
	case []any:
		list = v
	case []map[string]any:
		for _, m := range v {
			list = append(list, m)
		}
	default:
		t.wrongType(ask{key: key, example: example}, v, "a list of rows")
		return nil
	}
	if len(list) == 0 {
		t.problem(key, "the list is empty; write for example %s = %s, or leave it out", key, example)
	}
	at := t.at.key(key)
	var all []*table
	for i, v := range list {
		m, ok := v.(map[string]any)
		if !ok {
			t.r.add(at.item(i).line, "%s: %s: row %d is %s; write for example %s = %s", t.label, key, i+1, typeOf(v), key, example)
			continue
		}
		all = append(all, &table{r: t.r, label: fmt.Sprintf("%s, %s, row %d", t.label, key, i+1), values: m, at: at.item(i)})
	}
	return all
}

// checkCertificates tells posts whose oven works at a frequency that a
// certificate of their probe does not reach.
func (f *File) checkCertificates(r *reader) {
	for _, p := range f.Posts {
		i := slices.IndexFunc(f.Ovens, func(o Oven) bool { return o.ID == p.Oven })
		j := slices.IndexFunc(f.Probes, func(q Probe) bool { return q.ID == p.Probe })
		if i < 0 || j < 0 || f.Ovens[i].Frequency <= 0 {
			continue // told elsewhere
		}
		for _, c := range f.Probes[j].Certificates {
			if len(c.Calib().Flaws()) > 0 {
				continue
			}
			if _, why := c.Calib().FactorAt(f.Ovens[i].Frequency); why != "" {
				r.add(c.Line, "probe %q, certificate: frequency_factor: oven %q at post %q: %s; have the probe calibrated there, or name another probe",
					p.Probe, p.Oven, p.ID, why)
			}
		}
	}
}
