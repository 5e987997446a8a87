package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"unicode/utf8"
)

// TestFormsSayTheSame: every text of a document is in its HTML, CSV and JSON.
func TestFormsSayTheSame(t *testing.T) {
	for name, d := range documents(t) {
		all, err := csv.NewReader(bytes.NewReader(written(t, d, "csv", "A4"))).ReadAll()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		inCSV := map[string]bool{}
		for _, r := range all {
			for _, f := range r {
				inCSV[strings.TrimPrefix(f, "'")] = true
			}
		}
		html := unescaped(string(written(t, d, "html", "A4")))
		var j any
		body := written(t, d, "json", "A4")
		if err := json.Unmarshal(body, &j); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		inJSON := map[string]bool{}
		collect(j, inJSON)
		n := 0
		d.cleaned().texts(func(where, text string) {
			if text == "" || strings.Contains(where, "drawing") {
				return
			}
			n++
			if !strings.Contains(html, text) {
				t.Errorf("%s: HTML lacks %q of %s", name, text, where)
			}
			if !inJSON[text] {
				t.Errorf("%s: JSON lacks %q of %s", name, text, where)
			}
			if where != "the program's version" && !inCSV[text] {
				t.Errorf("%s: CSV lacks %q of %s", name, text, where)
			}
		})
		if n < 50 {
			t.Errorf("%s: only %d texts were compared", name, n)
		}
	}
}

func unescaped(s string) string {
	return strings.NewReplacer("&#39;", "'", "&#34;", `"`, "&amp;", "&", "&lt;", "<", "&gt;", ">", "&#43;", "+").Replace(s)
}

func collect(j any, into map[string]bool) {
	switch j := j.(type) {
	case string:
		into[j] = true
	case []any:
		for _, x := range j {
			collect(x, into)
		}
	case map[string]any:
		for _, x := range j {
			collect(x, into)
		}
	}
}

// TestHTMLAsksForNothing outside itself, and what people wrote is text in it.
func TestHTMLAsksForNothing(t *testing.T) {
	m := inventedMonitoring(2)
	m.Posts[0].Oven = `<script src="//example.org/x.js"></script>`
	m.Posts[0].Judged[0].Limit.ID = `"><img src=x onerror=alert(1)>`
	html := string(written(t, m.Document(), "html", "Letter"))
	for _, no := range []string{"<script", "<img", "<link", "@import", "url(", "http://", "https://"} {
		if strings.Contains(html, no) {
			t.Errorf("HTML holds %q", no)
		}
	}
	if !strings.Contains(html, "default-src 'none'") || !strings.Contains(html, "size: Letter") {
		t.Error("no policy, or no paper")
	}
}

// TestPDFRefusesWhatItCannotShow: other scripts fail clearly, by character and
// place, and HTML takes them.
func TestPDFRefusesWhatItCannotShow(t *testing.T) {
	for _, c := range []struct {
		oven string
		bad  rune // 0: it can
	}{
		{"Φούρνος 2 — κουζίνα", 0},
		{"Печь № 3, кухня", 0},
		{"Őrség sütője, Łódź, Việt Nam", 0},
		{"e\u0301tuve", 0}, // composed
		{"Ω µ ± ≤ ≥ ² ³ ⁻¹ ° → “”", 0},
		{"電子レンジ", '電'},
		{"מיקרוגל", 'מ'},
		{"فرن", 'ف'},
		{"ओवन", 'ओ'},
		{"oven 🔥", '🔥'},
		{"x\u0332", '\u0332'},
	} {
		m := inventedMonitoring(1)
		m.Posts[0].Oven = c.oven
		d := m.Document()
		paper := Papers()[0]
		var b bytes.Buffer
		err := d.PDF(&b, paper)
		var u *Unprintable
		switch {
		case c.bad == 0 && err != nil:
			t.Errorf("%q: %v", c.oven, err)
		case c.bad != 0 && !errors.As(err, &u):
			t.Errorf("%q: %v, and no refusal", c.oven, err)
		case c.bad != 0 && (u.Rune != c.bad || !strings.Contains(err.Error(), "HTML") || b.Len() > 0):
			t.Errorf("%q: %v", c.oven, err)
		}
		if html := string(written(t, d, "html", "A4")); !strings.Contains(html, plain(c.oven)) {
			t.Errorf("%q is not in the HTML", c.oven)
		}
	}
}

// TestCSVRunsNoFormula: what people wrote stays text in a spreadsheet.
func TestCSVRunsNoFormula(t *testing.T) {
	m := inventedMonitoring(1)
	m.Posts[0].Oven = `=HYPERLINK("x")`
	if s := string(written(t, m.Document(), "csv", "A4")); !strings.Contains(s, `"'=HYPERLINK(""x"")"`) || strings.Contains(s, `,"=HYP`) {
		t.Error("a formula is a formula")
	}
}

func TestFormatOf(t *testing.T) {
	if f, err := FormatOf("a.b/Report.PDF"); f != "pdf" || err != nil {
		t.Error(f, err)
	}
	if _, err := FormatOf("report.docx"); err == nil || !strings.Contains(err.Error(), ".html") {
		t.Error(err)
	}
	if _, err := PaperOf("A3"); err == nil {
		t.Error("A3")
	}
}

// FuzzWrap: lines hold all of a text, and are no wider than they may be.
func FuzzWrap(f *testing.F) {
	f.Add("a name/with-marks_and.dots and words", 30.0)
	f.Add("Донер-кебаб\nсъешь ещё этих мягких булок", 12.0)
	f.Fuzz(func(t *testing.T, text string, width float64) {
		text = plain(text)
		if !(width >= 4 && width < 1e4) || len(text) > 2000 {
			return
		}
		s := &setting{measure: func(text string, size float64, _ bool) float64 {
			return size * 0.2 * float64(utf8.RuneCountInString(text))
		}}
		lines := s.wrap(text, width, 10, false)
		for _, l := range lines {
			if w := s.measure(l, 10, false); w > width {
				t.Errorf("%q is %g wide, may be %g", l, w, width)
			}
		}
		bare := func(s string) string { return strings.NewReplacer(" ", "", "\n", "").Replace(s) }
		if got := bare(strings.Join(lines, "")); got != bare(text) {
			t.Errorf("%q was set as %q", text, lines)
		}
	})
}
