package registry

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"ovenward/acquire/calib"
)

// RowFault is what is wrong with one field of one row of a table.
type RowFault struct {
	Row    int    `json:"row"` // line of the file, the header being line 1
	Column string `json:"column"`
	Value  string `json:"value"`
	Why    string `json:"why"`
	Do     string `json:"do"`
}

// Error tells the fault in one line.
func (f RowFault) Error() string {
	if f.Column == "" {
		return fmt.Sprintf("row %d: %s; %s", f.Row, f.Why, f.Do)
	}
	return fmt.Sprintf("row %d, column %s: %q: %s; %s", f.Row, f.Column, f.Value, f.Why, f.Do)
}

// maxRows bounds a table that is read.
const maxRows = 10_000

// Write writes all as CSV (RFC 4180), with the names of the fields as its first
// row. Read takes it back.
func (f Form[T]) Write(w io.Writer, all []T) error {
	return write(w, f.Names(), len(all), func(i int) filling { return filled[T]{f, &all[i]} })
}

func write(w io.Writer, names []string, n int, at func(i int) filling) error {
	rows := [][]string{names}
	for i := range n {
		var row []string
		for _, field := range list(at(i)) {
			row = append(row, field.Value)
		}
		rows = append(rows, row)
	}
	if err := csv.NewWriter(w).WriteAll(rows); err != nil {
		return fmt.Errorf("write the table: %w", err)
	}
	return nil
}

// Read reads a table as CSV, with commas or semicolons. Its first row names the
// columns, in any order; a column that is missing leaves what is known of old, as it
// is. known returns what is known of an id; also tells what else is wrong with a
// row, and may be nil. Either everything is good, or all that
// is wrong is told, row by row, and nothing is to be taken.
func (f Form[T]) Read(data []byte, known func(id string) (T, bool), also func(T) []Fault) ([]T, []RowFault) {
	var all []T
	faults := read(data, f.Names(), func(id string, written map[string]string) []Fault {
		x, _ := known(id)
		x, faults := f.Parse(x, written)
		if also != nil && len(faults) == 0 {
			faults = also(x)
		}
		all = append(all, x)
		return faults
	})
	if len(faults) > 0 {
		return nil, faults
	}
	return all, nil
}

// read reads a table with columns of these names, the first of them the id, and has each row taken.
func read(data []byte, names []string, take func(id string, written map[string]string) []Fault) (faults []RowFault) {
	rows := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))))
	first, _, _ := bytes.Cut(data, []byte("\n"))
	if bytes.Contains(first, []byte(";")) && !bytes.Contains(first, []byte(",")) {
		rows.Comma = ';'
	}
	rows.FieldsPerRecord = -1
	header, err := rows.Read()
	if err != nil {
		return []RowFault{notRead(err, 1)}
	}
	for i := range header {
		header[i] = strings.ToLower(strings.TrimSpace(header[i]))
	}
	if faults = checkHeader(header, names); len(faults) > 0 {
		return faults
	}
	seen := map[string]int{}
	for n := 1; ; n++ {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) && n == 1 {
			return []RowFault{{Row: 2, Why: "there is nothing below the names of the columns", Do: "write a row for each"}}
		}
		if errors.Is(err, io.EOF) {
			return faults
		}
		if err != nil {
			return append(faults, notRead(err, 0))
		}
		line, _ := rows.FieldPos(0)
		faults = append(faults, takeRow(header, row, names[0], line, seen, take)...)
		if n > maxRows {
			return append(faults, RowFault{Row: line, Why: "the table is too long", Do: fmt.Sprintf("write at most %d rows a file", maxRows)})
		}
	}
}

func checkHeader(header, names []string) (faults []RowFault) {
	for i, name := range header {
		switch {
		case slices.Contains(header[:i], name):
			faults = append(faults, RowFault{1, name, name, "the column is there twice", "keep one of the two"})
		case !slices.Contains(names, name):
			faults = append(faults, RowFault{1, name, name, "there is no such column", "write one of " + strings.Join(names, ", ")})
		}
	}
	if key := names[0]; !slices.Contains(header, key) {
		faults = append(faults, RowFault{1, key, "", "the column is missing", "add it: it says whom a row is of"})
	}
	return faults
}

// takeRow reads one row below the header, and has it taken.
func takeRow(header, row []string, id string, line int, seen map[string]int, take func(id string, written map[string]string) []Fault) (faults []RowFault) {
	if len(row) != len(header) {
		return []RowFault{{Row: line, Why: fmt.Sprintf("it has %d fields, and the first row has %d", len(row), len(header)),
			Do: "write one field for each column, and put a field with a comma into quotes"}}
	}
	written := map[string]string{}
	for i, name := range header {
		written[name] = row[i]
	}
	key := strings.TrimSpace(written[id])
	if before, twice := seen[key]; twice && key != "" {
		return []RowFault{{line, id, key, fmt.Sprintf("it is on row %d already", before), "keep one of the two rows"}}
	}
	seen[key] = line
	for _, w := range take(key, written) {
		faults = append(faults, RowFault{line, w.Field, w.Value, w.Why, w.Do})
	}
	return faults
}

func notRead(err error, line int) RowFault {
	var syntax *csv.ParseError
	switch {
	case errors.As(err, &syntax):
		return RowFault{Row: syntax.Line, Why: "it is no row of CSV: " + syntax.Err.Error(), Do: `put a field with a comma, a quote or a line end into quotes, and write a quote in it twice`}
	case errors.Is(err, io.EOF):
		return RowFault{Row: line, Why: "the file is empty", Do: "write the names of the columns into its first row, as an exported table has them"}
	}
	return RowFault{Row: line, Why: err.Error(), Do: "send the table again"}
}

// ProbeRow is a probe with its newest certificate, as one row of a table.
type ProbeRow struct {
	Probe
	Newest calib.Certificate // Number is empty when there is none
}

// certified is what the columns of a certificate begin with.
const certified = "certificate_"

// ProbeTable is the form of a probe's row.
func ProbeTable() Form[ProbeRow] {
	var all Form[ProbeRow]
	for _, f := range ProbeForm() {
		all = append(all, lift(f, "", func(r *ProbeRow) (*Probe, func()) { return &r.Probe, func() {} }))
	}
	for i, f := range CertificateForm() {
		f.Needed = false
		if parse := f.parse; i == 0 { // another number is another certificate: nothing of the old one stays
			f.parse = func(c *Certificate, s string) (string, string) {
				if s != c.Certificate.Number {
					c.Certificate = calib.Certificate{}
				}
				return parse(c, s)
			}
		}
		all = append(all, lift(f, certified, func(r *ProbeRow) (*Certificate, func()) {
			c := &Certificate{Certificate: r.Newest}
			return c, func() { r.Newest = c.Certificate }
		}))
	}
	return all
}

// CheckRow tells what a row's certificate lacks: it is stated whole, or not at all.
func (r ProbeRow) CheckRow() (faults []Fault) {
	written := CertificateForm().Print(Certificate{Certificate: r.Newest})
	empty := true
	for _, text := range written {
		empty = empty && text == ""
	}
	if empty {
		return nil
	}
	_, faults = CertificateForm().Parse(Certificate{}, written)
	for i := range faults {
		faults[i].Field = certified + faults[i].Field
	}
	return faults
}

// lift makes a field of a T one of a U that holds a T. at gives the T, and what
// puts it back.
func lift[T, U any](f Field[T], prefix string, at func(*U) (*T, func())) Field[U] {
	asked := f.Asked
	asked.Name = prefix + f.Name
	return Field[U]{Asked: asked,
		print: func(x *U) string {
			t, _ := at(x)
			return f.print(t)
		},
		parse: func(x *U, s string) (string, string) {
			t, put := at(x)
			why, do := f.parse(t, s)
			if why == "" {
				put()
			}
			return why, do
		}}
}
