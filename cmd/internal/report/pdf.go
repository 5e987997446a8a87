package report

import (
	"fmt"
	"io"
	"time"

	"codeberg.org/go-fonts/dejavu/dejavusanscondensed"
	"codeberg.org/go-fonts/dejavu/dejavusanscondensedbold"
	"codeberg.org/go-pdf/fpdf"
)

const family = "dejavu"

// PDF writes the document as PDF: its fonts within, its text selectable, its date
// the document's. A character that cannot be shown is an *Unprintable, and then
// nothing is written.
func (d *Document) PDF(w io.Writer, p Paper) error {
	d = d.cleaned()
	if err := d.printable(); err != nil {
		return err
	}
	f := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: p.Width, Ht: p.Height}})
	f.SetCatalogSort(true)
	as := d.As.UTC()
	if as.IsZero() {
		as = time.Unix(0, 0).UTC() // the library takes zero for now
	}
	f.SetCreationDate(as)
	f.SetModificationDate(as)
	f.SetTitle(d.Title, true)
	f.SetSubject(d.Of, true)
	f.SetCreator("Ovenward "+d.Version, true)
	f.SetLang("en")
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(0, 0, 0)
	f.AddUTF8FontFromBytes(family, "", dejavusanscondensed.TTF)
	f.AddUTF8FontFromBytes(family, "B", dejavusanscondensedbold.TTF)
	f.SetFont(family, "", bodySize)
	widths := map[string]float64{}
	width := func(text string, size float64, bold bool) float64 {
		style := styleOf(bold)
		key := style + "\x00" + text
		if at, known := widths[key]; known {
			return at * size
		}
		f.SetFont(family, style, 1)
		widths[key] = f.GetStringWidth(text)
		return widths[key] * size
	}
	for _, page := range set(d, p, width) {
		f.AddPage()
		for i := range page {
			emit(f, &page[i])
		}
	}
	if err := f.Output(w); err != nil {
		return fmt.Errorf("write the PDF: %w", err)
	}
	return nil
}

func styleOf(bold bool) string {
	if bold {
		return "B"
	}
	return ""
}

func rgb(c Colour) (r, g, b int) { return int(c>>16) & 255, int(c>>8) & 255, int(c) & 255 }

// emit draws one shape.
func emit(f *fpdf.Fpdf, s *Shape) {
	if s.Text != "" {
		f.SetFont(family, styleOf(s.Bold), s.Size)
		f.SetTextColor(rgb(s.Ink))
		x := s.Path[0].X
		switch s.Anchor {
		case Middle:
			x -= f.GetStringWidth(s.Text) / 2
		case End:
			x -= f.GetStringWidth(s.Text)
		}
		f.Text(x, s.Path[0].Y, s.Text)
		return
	}
	style := ""
	if s.Filled {
		f.SetFillColor(rgb(s.Fill))
		style = "F"
	}
	if s.Stroke > 0 {
		f.SetDrawColor(rgb(s.Line))
		f.SetLineWidth(s.Stroke)
		dash := []float64{}
		if s.Dash > 0 {
			dash = []float64{s.Dash, s.Dash * 0.7}
		}
		f.SetDashPattern(dash, 0)
		style += "D"
	}
	if style == "" || len(s.Path) < 2 {
		return
	}
	f.MoveTo(s.Path[0].X, s.Path[0].Y)
	for _, p := range s.Path[1:] {
		f.LineTo(p.X, p.Y)
	}
	if s.Closed {
		f.ClosePath()
	}
	f.DrawPath(style)
}
