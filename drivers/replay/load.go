package replay

import (
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"time"

	"ovenward/drivers/wire"
)

// untimed is the span between exchanges of a conversation without instants.
const untimed = 100 * time.Millisecond

// readWire reads a conversation as package wire keeps it. Lines without an
// instant follow at once; each question of such a conversation comes untimed
// after the one before.
func readWire(r io.Reader) ([]said, error) {
	c, err := wire.Parse(r)
	if err != nil {
		return nil, err
	}
	var out []said
	var at time.Duration
	for i, l := range c.Lines {
		switch {
		case l.Timed:
			at = max(at, l.At)
		case l.Sent && i > 0:
			at += untimed
		}
		out = append(out, said{sent: l.Sent, bytes: l.Bytes, at: at})
	}
	return out, nil
}

// readCSV reads an export: each row is one whole answer, in said or, where that
// is no plain text, in said_hex.
func readCSV(r io.Reader) ([]said, error) {
	rows := csv.NewReader(r)
	rows.FieldsPerRecord = -1
	rows.ReuseRecord = true
	head, err := rows.Read()
	if err != nil {
		return nil, fmt.Errorf("1: want a line with the names of the columns: %w", err)
	}
	utc, text, hexed := -1, -1, -1
	for i, name := range head {
		switch name {
		case "said_hex":
			hexed = i
		case "utc":
			utc = i
		case "said":
			text = i
		}
	}
	if utc < 0 || text < 0 {
		return nil, errors.New("1: want the columns utc and said, as the record's view samples_read has them")
	}
	var out []said
	var first time.Time
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			line := 1
			if wrong, ok := errors.AsType[*csv.ParseError](err); ok {
				line = wrong.Line
			}
			return nil, fmt.Errorf("%d: %w", line, err)
		}
		line, _ := rows.FieldPos(0)
		if utc >= len(row) || text >= len(row) {
			return nil, fmt.Errorf("%d: %d columns, want %d", line, len(row), max(utc, text)+1)
		}
		t, err := time.Parse(time.RFC3339Nano, row[utc])
		if err != nil {
			return nil, fmt.Errorf("%d: utc: %w", line, err)
		}
		if first.IsZero() {
			first = t
		}
		at := t.Sub(first)
		if n := len(out); n > 0 && at < out[n-1].at {
			return nil, fmt.Errorf("%d: utc: %s is before the row above; sort the rows by utc", line, row[utc])
		}
		answer := []byte(row[text])
		if hexed >= 0 && hexed < len(row) && row[hexed] != "" {
			if answer, err = hex.DecodeString(row[hexed]); err != nil {
				return nil, fmt.Errorf("%d: said_hex: %w", line, err)
			}
		}
		out = append(out, said{sent: true, at: at}, said{whole: true, bytes: answer, at: at})
	}
}
