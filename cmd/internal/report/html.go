package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strconv"
	"strings"
)

//go:embed page.html
var pageHTML string

// HTML writes the document as one page that asks for nothing outside itself and
// prints on the paper.
func (d *Document) HTML(w io.Writer, p Paper) error {
	t, err := template.New("page").Funcs(template.FuncMap{
		"kind": func(b Block) string { return b.kind() }, "svg": svg, "stamp": stamp,
	}).Parse(pageHTML)
	if err != nil {
		return fmt.Errorf("make the page: %w", err)
	}
	c, foot := d.cleaned(), footWords
	if c.exceeds() {
		foot += " " + serviceWords
	}
	err = t.Execute(w, struct {
		*Document
		Paper           template.CSS
		Foot, Simulated string
	}{c, template.CSS(p.Name), foot, map[bool]string{true: simulatedWords}[d.Simulated]})
	if err != nil {
		return fmt.Errorf("make the page: %w", err)
	}
	return nil
}

func mm(x float64) string {
	s := strconv.FormatFloat(x, 'f', 2, 64)
	if s == "-0.00" {
		return "0.00"
	}
	return s
}

func hex(c Colour) string { return fmt.Sprintf("#%06x", int32(c)) }

// svg draws a figure. Its texts are escaped, the rest is made of numbers.
func svg(f *Figure) template.HTML {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %s %s" role="img" aria-label="%s">`, mm(f.Drawing.Width), mm(f.Drawing.Height), template.HTMLEscapeString(f.Title+". "+f.Alt))
	for i := range f.Drawing.Shapes {
		s := &f.Drawing.Shapes[i]
		if s.Text != "" {
			weight := ""
			if s.Bold {
				weight = ` font-weight="bold"`
			}
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s" text-anchor="%s" fill="%s"%s>%s</text>`, mm(s.Path[0].X), mm(s.Path[0].Y),
				mm(s.Size*pointMM), [...]string{"start", "middle", "end"}[s.Anchor], hex(s.Ink), weight, template.HTMLEscapeString(s.Text))
			continue
		}
		b.WriteString(`<path d="`)
		for i, p := range s.Path {
			fmt.Fprintf(&b, "%c%s %s", "ML"[min(i, 1)], mm(p.X), mm(p.Y))
		}
		if s.Closed {
			b.WriteByte('Z')
		}
		fill, stroke := "none", ""
		if s.Filled {
			fill = hex(s.Fill)
		}
		if s.Stroke > 0 {
			stroke = fmt.Sprintf(` stroke="%s" stroke-width="%s"`, hex(s.Line), mm(s.Stroke))
			if s.Dash > 0 {
				stroke += fmt.Sprintf(` stroke-dasharray="%s %s"`, mm(s.Dash), mm(0.7*s.Dash))
			}
		}
		fmt.Fprintf(&b, `" fill="%s"%s/>`, fill, stroke)
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
}
