package store

import (
	"database/sql"
	"encoding/json"
	"errors"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
)

// schemaCalibration keeps all that a corrected value and its uncertainty rest
// on, so that both can be derived again.
//
// certificates.detail is NULL, or a JSON object of what else the certificate
// states: as_found, as_found_bound, degrees_of_freedom, the tables frequency_factor and linearity,
// temperature_coefficient (1/K) and reference_temperature_c.
//
// A value is corrected so: by impedance ('377' or 'codata', NULL for what is said
// as a power density) into W/m², axes added where no total was said; less zero;
// times factor, times the factors of the tables at frequency_hz and at the level;
// over 1 + temperature_coefficient × (temperature − reference), if
// says_temperature. Its expanded uncertainty is
// u_k × √((u_rel × value)² + u_abs_w_per_m2²). Rows of before have u_k NULL: theirs
// is expanded_uncertainty × value. post_versions.doubt is a JSON object of what the
// configuration states of the sources of uncertainty.
const schemaCalibration = `
ALTER TABLE certificates ADD COLUMN detail TEXT;
ALTER TABLE corrections ADD COLUMN frequency_hz REAL;
ALTER TABLE corrections ADD COLUMN impedance TEXT;
ALTER TABLE corrections ADD COLUMN says_temperature INTEGER NOT NULL DEFAULT 0;
ALTER TABLE corrections ADD COLUMN u_rel REAL;
ALTER TABLE corrections ADD COLUMN u_abs_w_per_m2 REAL;
ALTER TABLE corrections ADD COLUMN u_k REAL;
ALTER TABLE post_versions ADD COLUMN turned_by TEXT;
ALTER TABLE post_versions ADD COLUMN turned_on TEXT;
ALTER TABLE post_versions ADD COLUMN oven_frequency_hz REAL;
ALTER TABLE post_versions ADD COLUMN doubt TEXT;
`

// detail is what certificates.detail holds.
type detail struct {
	DF          float64                `json:"degrees_of_freedom,omitempty"`
	AsFound     float64                `json:"as_found,omitempty"`
	FoundBound  float64                `json:"as_found_bound,omitempty"`
	ByFrequency []calib.FrequencyPoint `json:"frequency_factor,omitempty"`
	ByLevel     []calib.LevelPoint     `json:"linearity,omitempty"`
	PerKelvin   float64                `json:"temperature_coefficient,omitempty"`
	Reference   float64                `json:"reference_temperature_c,omitempty"`
}

// detailOf is the column detail of a certificate; NULL when it states no more.
func detailOf(c *calib.Certificate) any {
	return jsonOrNull(detail{c.DF, c.AsFound, c.FoundBound, c.ByFrequency, c.ByLevel, c.PerKelvin, c.Reference})
}

// jsonOrNull writes x as JSON; NULL when nothing of it is set, and when a number
// in it is none: the station refuses to start with such.
func jsonOrNull(x any) any {
	text, err := json.Marshal(x)
	if err != nil || string(text) == "{}" {
		return nil
	}
	return string(text)
}

// certificateColumns are those of a row of certificates, joined as c.
const certificateColumns = "c.number, c.laboratory, c.date, c.due, c.factor, c.expanded_uncertainty, c.k, c.detail"

// certificateRow is what is read back of them; NULLs where there is none.
type certificateRow struct {
	number, laboratory, date, due, detail sql.NullString
	factor, u, k                          sql.NullFloat64
}

func (r *certificateRow) into() []any {
	return []any{&r.number, &r.laboratory, &r.date, &r.due, &r.factor, &r.u, &r.k, &r.detail}
}

// read is the certificate; nil where there is none. One that is damaged is lost.
func (r *certificateRow) read() (c *calib.Certificate, lost bool) {
	if !r.number.Valid {
		return nil, false
	}
	date, derr := time.Parse(time.RFC3339Nano, r.date.String)
	due, err := time.Parse(time.RFC3339Nano, r.due.String)
	var d detail
	if err = errors.Join(derr, err); err == nil && r.detail.Valid {
		err = json.Unmarshal([]byte(r.detail.String), &d)
	}
	if err != nil {
		return nil, true
	}
	return &calib.Certificate{Number: r.number.String, Laboratory: r.laboratory.String, Date: date, Due: due, Factor: orNaN(r.factor), U: orNaN(r.u), K: orNaN(r.k),
		DF: d.DF, AsFound: d.AsFound, FoundBound: d.FoundBound, ByFrequency: d.ByFrequency, ByLevel: d.ByLevel, PerKelvin: d.PerKelvin, Reference: d.Reference}, false
}

// The names of the impedances in the record, which are those of
// field.ParseImpedance.
func impedanceName(z field.Impedance) any {
	switch z {
	case field.Standard377:
		return "377"
	case field.CODATA2022:
		return "codata"
	}
	return nil
}

// settingArgs are the columns of corrections from frequency_hz on.
func settingArgs(c calib.Correction) []any {
	var frequency, rel, abs, k any
	if c.Setting.Frequency > 0 {
		frequency = float64(c.Setting.Frequency)
	}
	if c.Spread.K > 0 && !math.IsInf(c.Spread.Rel, 0) {
		rel, abs, k = number(c.Spread.Rel), number(float64(c.Spread.Abs)), c.Spread.K
	}
	return []any{frequency, impedanceName(c.Setting.Impedance), c.Setting.SaysTemperature, rel, abs, k}
}

// setting is what is read back of those columns.
type setting struct {
	frequency, rel, abs, k sql.NullFloat64
	impedance              sql.NullString
	saysTemperature        bool
}

func (s *setting) into(c *calib.Correction) error {
	c.Setting.Frequency, c.Setting.SaysTemperature = quantity.Frequency(s.frequency.Float64), s.saysTemperature
	if s.impedance.Valid {
		var err error
		if c.Setting.Impedance, err = field.ParseImpedance(s.impedance.String); err != nil {
			return err
		}
	}
	if s.k.Valid {
		c.Spread = calib.Spread{Rel: orNaN(s.rel), Abs: powerDensity(s.abs), K: s.k.Float64}
	}
	return nil
}

// calibrationColumns are the columns of post_versions that this step added.
func calibrationColumns(p *acquire.Post) []column {
	var by, on, frequency any
	if !p.TurnedOn.IsZero() {
		by, on = p.TurnedBy, p.TurnedOn.UTC().Format(time.DateOnly)
	}
	if p.Frequency > 0 {
		frequency = float64(p.Frequency)
	}
	return []column{{"turned_by", by}, {"turned_on", on}, {"oven_frequency_hz", frequency}, {"doubt", jsonOrNull(p.Doubt)}}
}

// corrected is a correction read back, made ready.
type corrected struct {
	calib.Correction
	chain calib.Chain
	lost  bool // its row, or its certificate, is not there, or damaged: no value can be derived
}

// derive sets S and U of a sample from what was said.
func (c *corrected) derive(s *acquire.Sample, u quantity.Unit) {
	s.S, s.U = quantity.PowerDensity(math.NaN()), quantity.PowerDensity(math.NaN())
	if c.lost || !s.Reading.HasValue && !s.Reading.HasAxes {
		return
	}
	if in, err := c.Setting.Raw(&s.Reading, u); err == nil {
		s.S, s.U, _ = c.chain.Apply(in)
	}
}
