package survey

import (
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Result is what a survey of an oven's door found: plain data, for the page, for
// reports and for CSV and JSON. All numbers are SI; what is not known is nil, and
// never zero. The same survey makes the same Result.
type Result struct {
	ID        string `json:"id"` // "2026-06-03-pantry-1"
	Site      string `json:"site"`
	Simulated bool   `json:"simulated"` // nothing in it was measured
	Oven      Oven   `json:"oven"`
	Who       string `json:"who"`

	Begun time.Time `json:"begun"`
	Ended time.Time `json:"ended,omitzero"` // zero while it is under way
	State State     `json:"state"`
	Why   string    `json:"why,omitempty"` // it ended before its end

	Procedure   Procedure    `json:"procedure"`
	Plan        PlanFacts    `json:"plan"`
	Limit       LimitFacts   `json:"limit"`
	Checks      []Check      `json:"checks"` // of the probe, before
	Background  Background   `json:"background"`
	Conditions  []Condition  `json:"conditions"` // of the procedure, and whether they were kept
	Stages      []Stage      `json:"stages"`
	Places      []Place      `json:"places"` // holds, in the order of the plan
	Instruments []Instrument `json:"instruments"`
	Verdict     Verdict      `json:"verdict"` // of the oven
	Comparison  *Comparison  `json:"comparison,omitempty"`
	Next        []string     `json:"next"`                // what to do
	NextCheck   time.Time    `json:"next_check,omitzero"` // when 'within'
	Notes       []Note       `json:"notes"`
	Cautions    []string     `json:"cautions"`
	Raw         *Digest      `json:"raw,omitempty"`
}

// RatioOf is the ratio of a place to the limit, as people are told it: nil where its value
// is under the probe's floor, and where the zero was off, so that no verdict rests on it.
func (r *Result) RatioOf(p *Place) *float64 {
	if len(r.Instruments) == 0 || p.Value == nil {
		return p.Ratio
	}
	floor := r.Instruments[0].Floor
	off := p.Peak != nil && zeroOff(*p.Peak, floor) || r.Background.Taken && zeroOff(float64(r.Background.Value), floor)
	if quantity.PowerDensity(*p.Value) < floor || off && p.Verdict.Outcome != limit.Exceeds {
		return nil
	}
	return p.Ratio
}

// State is how far a survey is.
type State string

const (
	UnderWay  State = "under way"
	Complete  State = "complete"
	Stopped   State = "stopped: the field was too high" // by rule, not by choice
	Abandoned State = "abandoned"
)

// Oven is what was surveyed.
type Oven struct {
	ID        string             `json:"id"`
	Place     string             `json:"place"`
	Model     string             `json:"model,omitempty"`
	Power     float64            `json:"rated_output_w"`
	Stirrer   float64            `json:"stirrer_turn_s"`
	Frequency quantity.Frequency `json:"frequency_hz,omitempty"`
	Door      Door               `json:"door"`
}

// PlanFacts tell what the plan came to.
type PlanFacts struct {
	Spacing  quantity.Length `json:"spacing_m"`
	Speed    float64         `json:"speed_m_per_s"`
	Distance quantity.Length `json:"distance_m"`
	Sweeps   int             `json:"sweeps"`
	Length   quantity.Length `json:"length_m"` // of all sweeps
	StageS   float64         `json:"stage_s"`  // that one load bears
	Pull     bool            `json:"pull_test"`
}

// LimitFacts is the limit that was judged by.
type LimitFacts struct {
	ID          string                `json:"id"`
	Value       quantity.PowerDensity `json:"value_w_per_m2"`
	Distance    quantity.Length       `json:"distance_m"`
	Basis       limit.Basis           `json:"basis"`
	Source      string                `json:"source"`
	Rule        limit.Rule            `json:"decision_rule"`
	Unconfirmed string                `json:"unconfirmed,omitempty"`
}

// Outcome of a check before the survey.
const (
	CheckGood    = "good"
	CheckBad     = "bad"
	CheckNotDone = "not done"
)

// Check is one check of the probe before the survey.
type Check struct {
	Name    string `json:"name"` // "battery", "zero", "certificate", "agreement"
	Outcome string `json:"outcome"`
	Text    string `json:"text"`
}

// Background is the field at the first place with the oven off.
type Background struct {
	Taken bool                  `json:"taken"`
	Place string                `json:"place,omitempty"`
	Value quantity.PowerDensity `json:"value_w_per_m2"` // mean; only when taken
	Noise quantity.PowerDensity `json:"noise_w_per_m2"` // standard deviation of one sample
	N     int                   `json:"samples"`
	At    time.Time             `json:"at,omitzero"`

	Unsure bool `json:"unsure,omitempty"` // beyond what the certificate covers
}

// Condition is one condition that the procedure states.
type Condition struct {
	Name string `json:"name"`
	Want string `json:"want"`
	Was  string `json:"was"`
	Kept bool   `json:"kept"`
}

// Stage is the use of one load of water.
type Stage struct {
	N        int       `json:"n"` // 1, 2, 3 …
	Volume   float64   `json:"volume_ml"`
	Start    *float64  `json:"start_c"` // °C; nil: not taken
	End      *float64  `json:"end_c"`
	Begun    time.Time `json:"begun"`
	Ended    time.Time `json:"ended,omitzero"`
	Allowed  float64   `json:"allowed_s"`
	RunSeen  bool      `json:"run_seen"` // emission was seen while it lasted
	Proved   bool      `json:"proved"`   // the oven generated: the load warmed, or a run was seen
	Evidence string    `json:"evidence"`
}

// Place is one hold, at the maximum of one sweep.
type Place struct {
	N       int     `json:"n"`     // 1, 2, 3 … of the sweep
	Sweep   string  `json:"sweep"` // "door seam, top side"
	Surface Surface `json:"surface"`
	Cell    int     `json:"cell"` // 1 to 9, row by row from the upper left, seen from before the surface
	// X and Y are where on the surface, from its lower left seen from before it.
	X     quantity.Length `json:"x_m"`
	Y     quantity.Length `json:"y_m"`
	Stage int             `json:"stage"` // of the hold
	At    time.Time       `json:"at,omitzero"`

	Value     *float64 `json:"value_w_per_m2"` // highest of the settled hold; nil: none
	U         *float64 `json:"expanded_uncertainty_w_per_m2"`
	K         float64  `json:"k"`
	Ratio     *float64 `json:"ratio"`               // to the limit
	Peak      *float64 `json:"sweep_peak_w_per_m2"` // seen in the sweep, moving
	OverRange bool     `json:"over_range"`
	Unsure    bool     `json:"unsure"` // its hold or its sweep: beyond what the certificate covers
	Turned    bool     `json:"turned"` // a one-axis probe was turned for the maximum
	Settled   bool     `json:"settled"`
	Held      float64  `json:"held_s"`
	Samples   int      `json:"samples"`
	Pulled    bool     `json:"pulled"` // with somebody pulling on the closed door
	Verdict   Verdict  `json:"verdict"`
	Note      string   `json:"note,omitempty"`
}

// Verdict is an outcome with its reasons.
type Verdict struct {
	Outcome limit.Outcome `json:"outcome"`
	Reasons []string      `json:"reasons"`
	Worst   int           `json:"worst,omitempty"` // of the oven: N of the place with the highest value; 0: none
}

// Instrument is what was measured with.
type Instrument struct {
	Probe       string                `json:"probe"`
	Said        string                `json:"says_it_is,omitempty"`
	Certificate string                `json:"certificate"` // empty: none
	Laboratory  string                `json:"laboratory,omitempty"`
	Date        time.Time             `json:"calibrated,omitzero"`
	Due         time.Time             `json:"due,omitzero"`
	Factor      *float64              `json:"factor"`
	Response    float64               `json:"response_s"`
	Range       quantity.PowerDensity `json:"range_w_per_m2"`
	Floor       quantity.PowerDensity `json:"floor_w_per_m2"`
	Axes        int                   `json:"axes"`
}

// Comparison is with the last survey of the same oven.
type Comparison struct {
	ID      string           `json:"id"`
	Ended   time.Time        `json:"ended"`
	Outcome limit.Outcome    `json:"outcome"`
	Worst   *float64         `json:"worst_w_per_m2"`
	Change  *float64         `json:"change_w_per_m2"` // of the highest value, this less that
	U       *float64         `json:"expanded_uncertainty_w_per_m2"`
	Text    string           `json:"text"`
	Cells   []ComparisonCell `json:"cells"`

	Floor quantity.PowerDensity `json:"floor_w_per_m2,omitempty"` // of the probe then; 0: not known
}

// ComparisonCell compares the highest values of one cell.
type ComparisonCell struct {
	Surface Surface `json:"surface"`
	Cell    int     `json:"cell"`
	Then    float64 `json:"then_w_per_m2"`
	Now     float64 `json:"now_w_per_m2"`
}

// Note is a remark of the person.
type Note struct {
	At   time.Time `json:"at"`
	Who  string    `json:"who"`
	Text string    `json:"text"`
}

// Digest names the raw readings of a survey in the record.
type Digest struct {
	Post   string `json:"post"`
	From   int64  `json:"from_seq"`
	To     int64  `json:"to_seq"`
	N      int    `json:"readings"`
	SHA256 string `json:"sha256"` // over "seq TAB instant TAB what was said LF"
}
