package rows

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"unicode/utf8"
)

// maxLine bounds a line of JSON Lines.
const maxLine = 1 << 20

// Line is a row with the line of the file that it begins on.
type Line struct {
	No  int
	Row Row
}

// Read reads what an Encoder of the same format wrote, csv or jsonl, one row at
// a time; other columns and keys are left aside. An error with a Line concerns
// that line alone and reading goes on, unless it is a *Broken.
func Read(format string, r io.Reader) (iter.Seq2[Line, error], error) {
	in := bufio.NewReaderSize(r, 64<<10)
	if bom, err := in.Peek(3); err == nil && bytes.Equal(bom, []byte("\xEF\xBB\xBF")) {
		in.Discard(3)
	}
	switch format {
	case "csv":
		return readCSV(in), nil
	case "jsonl":
		return readJSONL(in), nil
	}
	return nil, fmt.Errorf("%q cannot be read back: name a file that ends in .csv or .jsonl, or say --format=csv or --format=jsonl", format)
}

// Broken says that a file cannot be read any further.
type Broken struct{ Err error }

func (b *Broken) Error() string { return b.Err.Error() }

// Unwrap returns why.
func (b *Broken) Unwrap() error { return b.Err }

func readCSV(in io.Reader) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		rows := csv.NewReader(in)
		rows.ReuseRecord = true
		head, err := rows.Read()
		if err != nil {
			yield(Line{No: 1}, &Broken{fmt.Errorf("want a line with the names of the columns: %w", err)})
			return
		}
		head = slices.Clone(head)
		for _, name := range []string{"post", "seq", "utc", "said"} {
			if !slices.Contains(head, name) {
				yield(Line{No: 1}, &Broken{fmt.Errorf("there is no column %s: want post, seq, utc and said at least, as ovenward export writes them", name)})
				return
			}
		}
		for {
			row, err := rows.Read()
			if errors.Is(err, io.EOF) {
				return
			}
			line := Line{}
			if wrong, ok := errors.AsType[*csv.ParseError](err); ok {
				line.No, err = wrong.StartLine, wrong.Err
			} else if err != nil {
				yield(line, &Broken{err})
				return
			} else {
				line.No, _ = rows.FieldPos(0)
				line.Row, err = csvFields(head, row).row()
			}
			if !yield(line, err) {
				return
			}
		}
	}
}

func csvFields(head, row []string) fields {
	var f fields
	places := map[string]*string{"post": &f.post, "seq": &f.seq, "utc": &f.utc, "utc_within_ms": &f.within, "said": &f.said,
		"said_hex": &f.saidHex, "value": &f.value, "unit": &f.unit, "x": &f.axes[0], "y": &f.axes[1], "z": &f.axes[2],
		"temperature": &f.temperature, "temperature_unit": &f.temperatureUnit, "battery": &f.battery, "battery_unit": &f.batteryUnit,
		"status": &f.status, "quality": &f.quality, "site": &f.site, "oven": &f.oven, "probe": &f.probe, "origin": &f.origin}
	for i, name := range head {
		if p := places[name]; p != nil {
			*p = row[i]
		}
	}
	return f
}

// object is one line of JSON Lines.
type object struct {
	Post            string      `json:"post"`
	Seq             json.Number `json:"seq"`
	UTC             string      `json:"utc"`
	Within          json.Number `json:"utc_within_ms"`
	Said            string      `json:"said"`
	SaidHex         string      `json:"said_hex"`
	Value           json.Number `json:"value"`
	Unit            string      `json:"unit"`
	X               json.Number `json:"x"`
	Y               json.Number `json:"y"`
	Z               json.Number `json:"z"`
	Temperature     json.Number `json:"temperature"`
	TemperatureUnit string      `json:"temperature_unit"`
	Battery         json.Number `json:"battery"`
	BatteryUnit     string      `json:"battery_unit"`
	Status          string      `json:"status"`
	Quality         string      `json:"quality"`
	Site            string      `json:"site"`
	Oven            string      `json:"oven"`
	Probe           string      `json:"probe"`
	Origin          string      `json:"origin"`
}

func (o object) fields() fields {
	return fields{post: o.Post, seq: o.Seq.String(), utc: o.UTC, within: o.Within.String(), said: o.Said, saidHex: o.SaidHex,
		value: o.Value.String(), unit: o.Unit, axes: [3]string{o.X.String(), o.Y.String(), o.Z.String()},
		temperature: o.Temperature.String(), temperatureUnit: o.TemperatureUnit, battery: o.Battery.String(), batteryUnit: o.BatteryUnit,
		status: o.Status, quality: o.Quality, site: o.Site, oven: o.Oven, probe: o.Probe, origin: o.Origin}
}

func readJSONL(in *bufio.Reader) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		lines := bufio.NewScanner(in)
		lines.Buffer(make([]byte, 64<<10), maxLine)
		line := Line{}
		for lines.Scan() {
			line.No++
			if len(bytes.TrimSpace(lines.Bytes())) == 0 {
				continue
			}
			var o object
			err := json.Unmarshal(lines.Bytes(), &o)
			switch {
			case err != nil:
				err = fmt.Errorf("it is no JSON object of a sample: %w", err)
			case !utf8.Valid(lines.Bytes()): // the decoder would put other characters in their place
				err = errors.New("it is not UTF-8: write other bytes as said_hex")
			default:
				line.Row, err = o.fields().row()
			}
			if !yield(line, err) {
				return
			}
		}
		if err := lines.Err(); err != nil {
			line.No++
			yield(line, &Broken{err})
		}
	}
}
