package driverstest

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
)

// Transcript is a conversation with an instrument, kept in a file:
//
//	# name: what is to be seen in it
//	# obtained: invented
//	# date: 2025-11-25
//	> "Q\r\n"
//	< "1.20 mW/cm2 OK\r\n"
//
// The header comes first and has these three lines; a later line that starts
// with # is a remark. '>' is what was sent to the instrument, '<'
// what it sent, each a Go string.
type Transcript struct {
	Path     string
	Name     string
	Obtained string // invented, or from what instrument and how
	Date     time.Time
	Lines    []Line
}

// Line is what one side said.
type Line struct {
	Asked bool // true: sent to the instrument
	Bytes []byte
}

// Case returns the transcript as a case, without what is wanted of it.
func (tr Transcript) Case() Case {
	c := Case{Name: strings.TrimSuffix(filepath.Base(tr.Path), ".transcript")}
	for _, l := range tr.Lines {
		if l.Asked {
			c.Asked = append(c.Asked, l.Bytes)
		} else {
			c.Sent = append(c.Sent, l.Bytes...)
		}
	}
	return c
}

// ReadTranscript reads a transcript file.
func ReadTranscript(path string) (Transcript, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return Transcript{}, fmt.Errorf("read transcript: %w", err)
	}
	tr := Transcript{Path: path}
	for n, text := range strings.Split(string(data), "\n") {
		if err := tr.add(text); err != nil {
			return Transcript{}, fmt.Errorf("%s:%d: %w", path, n+1, err)
		}
	}
	if !tr.whole() {
		return Transcript{}, fmt.Errorf("%s: the header lacks name, obtained or date", path)
	}
	return tr, nil
}

// whole tells whether the header is.
func (tr *Transcript) whole() bool {
	return tr.Name != "" && tr.Obtained != "" && !tr.Date.IsZero()
}

func (tr *Transcript) add(text string) error {
	kind, rest, _ := strings.Cut(text, " ")
	switch kind {
	case "":
		return nil
	case "#":
		if tr.whole() {
			return nil
		}
		return tr.addHeader(rest)
	case ">", "<":
		said, err := strconv.Unquote(rest)
		if err != nil {
			return fmt.Errorf("want a Go string after %q: %s", kind, rest)
		}
		tr.Lines = append(tr.Lines, Line{kind == ">", []byte(said)})
		return nil
	}
	return fmt.Errorf("want a line that starts with #, > or <: %q", text)
}

func (tr *Transcript) addHeader(text string) (err error) {
	key, value, _ := strings.Cut(text, ": ")
	switch key {
	case "name":
		tr.Name = value
	case "obtained":
		tr.Obtained = value
	case "date":
		tr.Date, err = time.Parse(time.DateOnly, value)
	default:
		err = fmt.Errorf("want name, obtained or date in the header: %q", text)
	}
	return err
}

// LoadCase reads the transcript at path, and what is wanted of it from the file
// beside it that ends in .golden. With update it first writes that file from
// what p makes of the transcript.
func LoadCase(t testing.TB, p drivers.Protocol, path string, update bool) Case {
	t.Helper()
	tr, err := ReadTranscript(path)
	if err != nil {
		t.Fatal(err)
	}
	c := tr.Case()
	golden := strings.TrimSuffix(path, ".transcript") + ".golden"
	if update {
		if err := writeGolden(golden, p, c.Sent); err != nil {
			t.Fatal(err)
		}
	}
	if c.Want, err = readGolden(golden); err != nil {
		t.Fatal(err)
	}
	return c
}

// outcomeJSON is an Outcome as a golden file holds it, one a line.
type outcomeJSON struct {
	Frame   string   `json:"frame"` // a Go string without its quotes, so that noise survives
	Value   string   `json:"value,omitempty"`
	Unit    string   `json:"unit,omitempty"`
	Status  []string `json:"status,omitempty"`
	Refused string   `json:"refused,omitempty"`
	more
}

// statusName names one bit of a status.
type statusName struct {
	bit  drivers.Status
	name string
}

func statusNames() []statusName {
	return []statusName{{drivers.OverRange, "over-range"}, {drivers.Fault, "fault"}, {drivers.BatteryLow, "battery-low"}}
}

func writeGolden(path string, p drivers.Protocol, sent []byte) error {
	outcomes, err := Read(p, sent)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	for _, o := range outcomes {
		quoted := strconv.Quote(o.Frame)
		j := outcomeJSON{Frame: quoted[1 : len(quoted)-1], Unit: o.Reading.Unit, Refused: o.Refused, more: moreOf(o.Reading)}
		if o.Reading.HasValue {
			j.Value = o.Reading.Value.String()
		}
		for _, s := range statusNames() {
			if o.Reading.Status&s.bit != 0 {
				j.Status = append(j.Status, s.name)
			}
		}
		if err := enc.Encode(j); err != nil {
			return err
		}
	}
	return os.WriteFile(path, b.Bytes(), 0o644)
}

func readGolden(path string) ([]Outcome, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, errors.Join(err, errors.New("run the test with -update to write it, then read it over"))
	}
	var out []Outcome
	lines := bufio.NewScanner(bytes.NewReader(data))
	for n := 1; lines.Scan(); n++ {
		var j outcomeJSON
		if err := json.Unmarshal(lines.Bytes(), &j); err != nil {
			return nil, fmt.Errorf("%s:%d: %w", path, n, err)
		}
		o, err := j.outcome()
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", path, n, err)
		}
		out = append(out, o)
	}
	return out, lines.Err()
}

func (j outcomeJSON) outcome() (Outcome, error) {
	frame, err := strconv.Unquote(`"` + j.Frame + `"`)
	if err != nil {
		return Outcome{}, fmt.Errorf("frame %q: %w", j.Frame, err)
	}
	o := Outcome{Frame: frame, Refused: j.Refused, Reading: drivers.Reading{Unit: j.Unit}}
	if j.Value != "" {
		o.Reading.HasValue = true
		if o.Reading.Value, err = drivers.ParseNRf([]byte(j.Value)); err != nil {
			return Outcome{}, fmt.Errorf("value %q: %w", j.Value, err)
		}
	}
	if err := j.more.add(&o.Reading); err != nil {
		return Outcome{}, err
	}
	for _, said := range j.Status {
		known := false
		for _, s := range statusNames() {
			if s.name == said {
				o.Reading.Status, known = o.Reading.Status|s.bit, true
			}
		}
		if !known {
			return Outcome{}, fmt.Errorf("status %q is not known", said)
		}
	}
	return o, nil
}
