package survey

import (
	"fmt"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Kind sorts the steps of a guided survey.
type Kind string

const (
	Began           Kind = "begin"
	Checked         Kind = "check"       // of the probe
	WentOn          Kind = "next"        // the person is ready
	TookBackground  Kind = "background"  // it was taken
	Watered         Kind = "water"       // fresh water stands in the oven, and it was started
	StageEnded      Kind = "stage over"  // the oven is to be stopped
	TookTemperature Kind = "temperature" // of the water at the end of a stage
	Swept           Kind = "swept"
	Held            Kind = "held"
	WentBack        Kind = "back"
	Redone          Kind = "redo"
	Noted           Kind = "note"
	WasAbove        Kind = "above the limit"
	Forced          Kind = "stop" // by rule: the field is too high
	Finished        Kind = "finish"
	GaveUp          Kind = "abandon"
)

// Step is one step of a guided survey, as the record keeps it. All steps in their
// order make the survey anew.
type Step struct {
	N    int       `json:"n"` // 1, 2, 3 …
	At   time.Time `json:"at"`
	Who  string    `json:"who,omitempty"` // empty: the engine itself
	Kind Kind      `json:"kind"`
	Text string    `json:"text,omitempty"`

	Setup      *Setup      `json:"setup,omitempty"`
	Check      *Check      `json:"check,omitempty"`
	Background *Background `json:"background,omitempty"`
	Volume     *float64    `json:"volume_ml,omitempty"`
	Celsius    *float64    `json:"celsius,omitempty"`
	Turned     bool        `json:"turned,omitempty"`
	Peak       *Peak       `json:"peak,omitempty"`
	Place      *Place      `json:"place,omitempty"`
}

// Setup is what a survey begins with; it never changes.
type Setup struct {
	ID         string       `json:"id"`
	Site       string       `json:"site"`
	Post       string       `json:"post"` // whose probe it is
	Simulated  bool         `json:"simulated,omitempty"`
	Plan       Plan         `json:"plan"`
	Limit      limit.Limit  `json:"limit"`
	Instrument Instrument   `json:"instrument"`
	Spread     calib.Spread `json:"spread"`            // of a value of a hold, the distance included
	Lacking    string       `json:"lacking,omitempty"` // why the probe is not calibrated
	Checks     []Check      `json:"checks"`            // those that the station made itself
	Last       *Last        `json:"last,omitempty"`    // the last survey of the same oven
}

// Last is what a comparison must know of the survey before.
type Last struct {
	ID      string        `json:"id"`
	Ended   time.Time     `json:"ended"`
	Outcome limit.Outcome `json:"outcome"`
	Places  []Place       `json:"places"`

	Floor quantity.PowerDensity `json:"floor_w_per_m2,omitempty"` // of its probe; 0: not known
}

// Peak is the highest value of a sweep, and where it was.
type Peak struct {
	Seen  bool     `json:"seen"` // the whole sweep was seen
	Value *float64 `json:"value_w_per_m2"`
	Over  bool     `json:"over_range,omitempty"`
	Stage int      `json:"stage"`
	// Unsure says that part of the sweep was read beyond what the certificate covers.
	Unsure bool `json:"unsure,omitempty"`
	Point
}

// Reading is a sample of the probe as the engine needs it.
type Reading struct {
	At        time.Time
	S         float64 // W/m², corrected; a number only if HasValue
	HasValue  bool
	OverRange bool
	Fault     bool
	// Unsure says that the value lies beyond what the certificate covers.
	Unsure bool
}

// Phase is what a survey waits for.
type Phase string

const (
	Checking        Phase = "checks of the probe"
	BackgroundReady Phase = "background, oven off"
	BackgroundHold  Phase = "background is taken"
	WaterWanted     Phase = "fresh water"
	SweepReady      Phase = "go to the beginning of the sweep"
	Sweeping        Phase = "sweep"
	HoldReady       Phase = "go to the place of the maximum"
	Holding         Phase = "hold"
	StageOver       Phase = "stop the oven"
	Finishing       Phase = "all places are done"
	Ended           Phase = "ended"
)

// Act is what a person does.
type Act struct {
	Kind    Kind     `json:"kind"`
	Who     string   `json:"who"`
	Text    string   `json:"text,omitempty"`
	Check   *Check   `json:"check,omitempty"`
	Volume  *float64 `json:"volume_ml,omitempty"`
	Celsius *float64 `json:"celsius,omitempty"`
	Turned  bool     `json:"turned,omitempty"`
	Phase   Phase    `json:"phase,omitempty"` // in which it was meant; empty: whatever it is
	Place   int      `json:"place,omitempty"` // likewise; 0: whatever it is
}

// errPhase is an act that comes too late or too early.
func errPhase(a Act, now Phase) error {
	return fmt.Errorf("%q does not fit now: the survey is at %q by now; look at it again", a.Kind, now)
}
