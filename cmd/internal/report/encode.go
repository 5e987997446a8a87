package report

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Formats lists the forms that a document can be written in; each is also the
// ending of a file's name.
func Formats() []string { return []string{"pdf", "html", "csv", "json"} }

// FormatOf tells the form from a file's name.
func FormatOf(file string) (string, error) {
	for _, f := range Formats() {
		if strings.HasSuffix(strings.ToLower(file), "."+f) {
			return f, nil
		}
	}
	return "", fmt.Errorf("the ending of %q says no form: name a file .pdf, .html, .csv or .json", file)
}

// Write writes the document in a form.
func (d *Document) Write(w io.Writer, format string, p Paper) error {
	switch format {
	case "pdf":
		return d.PDF(w, p)
	case "html":
		return d.HTML(w, p)
	case "csv":
		return d.CSV(w)
	case "json":
		return d.JSON(w)
	}
	return fmt.Errorf("there is no form %q; write one of %s", format, strings.Join(Formats(), ", "))
}

// ContentType is the media type of a form.
func ContentType(format string) string {
	return map[string]string{"pdf": "application/pdf", "html": "text/html; charset=utf-8", "csv": "text/csv; charset=utf-8",
		"json": "application/json"}[format]
}

// CSV writes one row for each text and number of the document: section, the
// number and kind of the block in it, the row of that, the field, the text as
// printed, and the number in SI units with its unit where there is one. A text
// that a spreadsheet would run as a formula begins with an apostrophe.
func (d *Document) CSV(w io.Writer) error {
	d = d.cleaned()
	c := csv.NewWriter(w)
	put := func(section string, block int, kind string, row int, field string, v Cell) {
		si := ""
		if v.SI != nil {
			si = strconv.FormatFloat(*v.SI, 'g', -1, 64)
		}
		text := v.Text
		if v.SI == nil && text != "" && strings.ContainsRune("=+-@\t\r", rune(text[0])) {
			text = "'" + text
		}
		_ = c.Write([]string{section, strconv.Itoa(block), kind, strconv.Itoa(row), field, text, si, v.Unit}) // told by Error below
	}
	_ = c.Write([]string{"section", "block", "kind", "row", "field", "text", "si", "si_unit"})
	for i, p := range d.heads() {
		put("", 0, "head", i+1, p.Name, p.Value)
	}
	for _, s := range d.Sections {
		for i, b := range s.Blocks {
			rowsOf(b, func(row int, field string, v Cell) { put(s.Title, i+1, b.kind(), row, field, v) })
		}
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("write the rows: %w", err)
	}
	return nil
}

// heads is what stands above the sections.
func (d *Document) heads() []Pair {
	all := []Pair{{"report", raw(d.Kind)}, {"title", raw(d.Title)}, {"of", raw(d.Of)}, {"site", raw(d.Site)},
		{"as of", raw(d.As.UTC().Format(time.RFC3339Nano))}, {"caution", raw(footWords)}, {"made by", raw("Ovenward " + d.Version)}}
	if d.Simulated {
		all = append(all, Pair{"simulated", raw(simulatedWords)})
	}
	return all
}

// rowsOf lists what a block says.
func rowsOf(b Block, put func(row int, field string, v Cell)) {
	switch b := b.(type) {
	case *Paragraph:
		put(1, string(b.Tone), raw(b.Text))
	case *Pairs:
		for i, p := range b.List {
			put(i+1, p.Name, p.Value)
		}
	case *Table:
		if b.Title != "" {
			put(0, "table", raw(b.Title))
		}
		for i, r := range b.Rows {
			for j, v := range r {
				put(i+1, b.Columns[j].Title, v)
			}
		}
		if len(b.Rows) == 0 {
			put(1, "", raw(b.None))
		}
	case *Figure:
		put(0, b.Title, raw(b.Alt))
		for _, s := range b.Data {
			for i, p := range s.Point {
				put(i+1, s.Name+", x", xOf(s, p))
				put(i+1, s.Name, of(strconv.FormatFloat(p.Y, 'g', 6, 64)+" "+s.Y, p.Y, s.Y))
			}
		}
	case *Signatures:
		for i, w := range b.Who {
			put(i+1, "signature", raw(w))
		}
	}
}

func xOf(s Series, p Point) Cell {
	if s.X == "UTC" {
		return of(time.Unix(0, int64(p.X*1e9)).UTC().Truncate(time.Second).Format(time.RFC3339), p.X, "s")
	}
	return of(strconv.FormatFloat(p.X, 'g', 6, 64)+" "+s.X, p.X, s.X)
}

type cellJSON struct {
	Text string   `json:"text"`
	SI   *float64 `json:"si,omitempty"`
	Unit string   `json:"si_unit,omitempty"`
}

type seriesJSON struct {
	Name  string       `json:"name"`
	X     string       `json:"x_unit"`
	Y     string       `json:"y_unit"`
	Point [][2]float64 `json:"points"`
}

type pairJSON struct {
	Name string `json:"name"`
	cellJSON
}

type blockJSON struct {
	Kind    string       `json:"kind"`
	Tone    Tone         `json:"tone,omitempty"`
	Title   string       `json:"title,omitempty"`
	Text    string       `json:"text,omitempty"`
	Values  []pairJSON   `json:"values,omitempty"`
	Columns []string     `json:"columns,omitempty"`
	Rows    [][]cellJSON `json:"rows,omitempty"`
	Series  []seriesJSON `json:"series,omitempty"`
	Who     []string     `json:"who,omitempty"`
}

type sectionJSON struct {
	Title  string      `json:"title"`
	Blocks []blockJSON `json:"blocks"`
}

// JSON writes the document as an object: its head, and its sections as blocks.
func (d *Document) JSON(w io.Writer) error {
	d = d.cleaned()
	out := struct {
		Report    string        `json:"report"`
		Title     string        `json:"title"`
		Of        string        `json:"of"`
		Site      string        `json:"site"`
		As        time.Time     `json:"as_of"`
		Simulated bool          `json:"simulated"`
		Version   string        `json:"version"`
		Caution   string        `json:"caution"`
		Sections  []sectionJSON `json:"sections"`
	}{d.Kind, d.Title, d.Of, d.Site, d.As.UTC(), d.Simulated, d.Version, footWords, []sectionJSON{}}
	for _, s := range d.Sections {
		sec := sectionJSON{Title: s.Title}
		for _, b := range s.Blocks {
			sec.Blocks = append(sec.Blocks, asJSON(b))
		}
		out.Sections = append(out.Sections, sec)
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(out); err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	return nil
}

func asJSON(b Block) blockJSON {
	j := blockJSON{Kind: b.kind()}
	switch b := b.(type) {
	case *Paragraph:
		j.Tone, j.Text = b.Tone, b.Text
	case *Pairs:
		for _, p := range b.List {
			j.Values = append(j.Values, pairJSON{p.Name, cellJSON(p.Value)})
		}
	case *Table:
		j.Title = b.Title
		for _, c := range b.Columns {
			j.Columns = append(j.Columns, c.Title)
		}
		for _, r := range b.Rows {
			row := make([]cellJSON, len(r))
			for i := range r {
				row[i] = cellJSON(r[i])
			}
			j.Rows = append(j.Rows, row)
		}
		if len(b.Rows) == 0 {
			j.Text = b.None
		}
	case *Figure:
		j.Title, j.Text = b.Title, b.Alt
		for _, s := range b.Data {
			points := [][2]float64{}
			for _, p := range s.Point {
				points = append(points, [2]float64{p.X, p.Y})
			}
			j.Series = append(j.Series, seriesJSON{s.Name, s.X, s.Y, points})
		}
	case *Signatures:
		j.Who = slices.Clone(b.Who)
	}
	return j
}
