package report

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ovenward/acquire/limit"
	"ovenward/acquire/survey"
	"ovenward/drivers/driverstest"
)

// poppler runs one of poppler's programs.
func poppler(t *testing.T, name string, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := exec.Command(driverstest.Program(t, name), args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil || errs.Len() > 0 {
		t.Fatalf("%s: %v\n%s", name, err, &errs)
	}
	return out.String()
}

// onDisk writes a PDF where poppler finds it; OVENWARD_SHOTS keeps it for people.
func onDisk(t *testing.T, name string, pdf []byte) string {
	t.Helper()
	dir := t.TempDir()
	if keep := os.Getenv("OVENWARD_SHOTS"); keep != "" {
		dir = keep
	}
	file := filepath.Join(dir, name+".pdf")
	if err := os.WriteFile(file, pdf, 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// loose is a text without the ends of lines.
func loose(s string) string { return strings.Join(strings.Fields(s), "") }

// TestPDFIsAsPopplerReadsIt: each kind on both papers has its size, embedded fonts,
// all its texts selectable, nothing beyond the margins, page numbers, and ink on
// each page and none in the outer margin.
func TestPDFIsAsPopplerReadsIt(t *testing.T) {
	for name, d := range documents(t) {
		for _, paper := range Papers() {
			t.Run(name+paper.Name, func(t *testing.T) {
				t.Parallel()
				file := onDisk(t, name+paper.Name, written(t, d, "pdf", paper.Name))
				info := poppler(t, "pdfinfo", file)
				if got := regexp.MustCompile(`Page size:\s+([\d.]+) x ([\d.]+) pts`).FindStringSubmatch(info); got == nil ||
					!near(got[1], paper.Width/pointMM) || !near(got[2], paper.Height/pointMM) {
					t.Errorf("%s, want %.1f by %.1f mm", info, paper.Width, paper.Height)
				}
				fonts(t, file)
				text := poppler(t, "pdftotext", "-layout", file, "-")
				pages := len(poppleWords(t, file, paper, 4))
				for i := range pages {
					if w := fmt.Sprintf("Page %d of %d", i+1, pages); !strings.Contains(text, w) {
						t.Errorf("%q is on no page", w)
					}
				}
				selectable(t, d, file)
				if paper.Name == "A4" {
					render(t, name, file)
				}
			})
		}
	}
}

func near(text string, want float64) bool {
	var got float64
	_, err := fmt.Sscan(text, &got)
	return err == nil && got > want-0.6 && got < want+0.6
}

func fonts(t *testing.T, file string) {
	t.Helper()
	lines := strings.Split(strings.TrimSpace(poppler(t, "pdffonts", file)), "\n")
	if len(lines) < 3 {
		t.Fatalf("no fonts: %v", lines)
	}
	for _, l := range lines[2:] {
		f := strings.Fields(l) // name, CID TrueType, encoding, emb, sub, uni, object, id
		if n := len(f); n < 8 || f[n-5] != "yes" || f[n-3] != "yes" {
			t.Errorf("font not embedded, or without a map to characters: %s", l)
		}
	}
}

// poppleWords reads where the words stand, and fails for one beyond the margins; foot
// is how far, in mm, they may reach into the lower one.
func poppleWords(t *testing.T, file string, p Paper, foot float64) (pages [][]string) {
	t.Helper()
	var doc struct {
		Pages []struct {
			Words []struct {
				XMin float64 `xml:"xMin,attr"`
				YMin float64 `xml:"yMin,attr"`
				XMax float64 `xml:"xMax,attr"`
				YMax float64 `xml:"yMax,attr"`
				Text string  `xml:",chardata"`
			} `xml:"word"`
		} `xml:"body>doc>page"`
	}
	if err := xml.Unmarshal([]byte(poppler(t, "pdftotext", "-bbox", file, "-")), &doc); err != nil {
		t.Fatal(err)
	}
	const slack = 1.5 // mm: a box of poppler's is that of the font
	for i, page := range doc.Pages {
		var words []string
		for _, w := range page.Words {
			words = append(words, w.Text)
			if w.XMin*pointMM < margin-slack || w.XMax*pointMM > p.Width-margin+slack || w.YMin*pointMM < margin-6 || w.YMax*pointMM > p.Height-margin+slack+foot {
				t.Errorf("page %d: %q stands beyond the margins: %.1f to %.1f mm across, %.1f to %.1f mm down", i+1, w.Text, w.XMin*pointMM, w.XMax*pointMM, w.YMin*pointMM, w.YMax*pointMM)
			}
		}
		if len(words) < 10 {
			t.Errorf("page %d holds %d words", i+1, len(words))
		}
		pages = append(pages, words)
	}
	return pages
}

// selectable checks that each text of the document is found in the PDF's.
func selectable(t *testing.T, d *Document, file string) {
	t.Helper()
	// Cells that were wrapped stand beside others, so words are looked for, as
	// often as the document says them.
	have := map[string]int{}
	for _, w := range strings.Fields(poppler(t, "pdftotext", file, "-")) {
		have[w]++
	}
	whole := loose(poppler(t, "pdftotext", "-raw", file, "-"))
	d.cleaned().texts(func(where, text string) {
		if strings.Contains(where, "version") {
			return
		}
		for _, w := range wordsOf(strings.ReplaceAll(text, "\n", " ")) {
			if w = loose(w); have[w] == 0 && !strings.Contains(whole, w) && len([]rune(w)) < 12 {
				t.Errorf("%s: %q is not in the PDF's text", where, w)
			}
		}
	})
}

// TestPagesThatSayExceeds: each such page says what may not be done, and a survey
// that exceeds has a tag, alone on the last page; one that does not has none.
func TestPagesThatSayExceeds(t *testing.T) {
	bad := inventedSurvey()
	m := inventedMonitoring(40)
	m.Posts[0].Judged[0].Outcome = limit.Exceeds
	for name, d := range map[string]*Document{"survey": bad.Document(), "monitoring": m.Document()} {
		file := onDisk(t, "exceeds"+name, written(t, d, "pdf", "Letter"))
		pages := strings.Split(strings.TrimSuffix(poppler(t, "pdftotext", "-raw", file, "-"), "\f"), "\f")
		says := 0
		for i, page := range pages {
			if strings.Contains(page, "EXCEEDS") {
				says++
				if !strings.Contains(loose(page), loose(survey.Lethal)) {
					t.Errorf("%s, page %d says EXCEEDS and not what may not be done", name, i+1)
				}
			}
			if tag := strings.Contains(page, "DO NOT USE"); tag != (name == "survey" && i == len(pages)-1) || tag && (!strings.Contains(page, bad.Result.Oven.ID) || strings.Contains(page, "Signatures")) {
				t.Errorf("%s, page %d of %d: a tag %v", name, i+1, len(pages), tag)
			}
		}
		if says < 1 || name == "survey" && says < 2 {
			t.Errorf("%s: %d pages say EXCEEDS: this test says little", name, says)
		}
	}
	good := inventedSurvey()
	good.Result.Verdict.Outcome = limit.Within
	if text := string(written(t, good.Document(), "json", "A4")); strings.Contains(text, "DO NOT USE") {
		t.Error("an oven that is within gets a tag")
	}
	if text := string(written(t, bad.Document(), "html", "A4")); !strings.Contains(text, `class="apart"`) || !strings.Contains(text, `class="large">DO NOT USE`) {
		t.Error("the page has no tag to print")
	}
}

// long is a name as somebody may well enter it.
const long = "Großküche-Süd-Anlieferung/Kombidämpfer-links-unter-dem-Abzug_mit_neuer_Dichtung_2031-05-20_Inventar-00000000000000000000000000000000000000000000000000000000000000000000000000000017 and then some more words, one after the other, so that lines must be broken"

// TestLongNamesStayOnThePaper: names far longer than a line, everywhere.
func TestLongNamesStayOnThePaper(t *testing.T) {
	m := inventedMonitoring(40)
	w := &m.Posts[0]
	w.Post, w.Oven, w.Place, m.Site = long, long, long, long
	w.Judged[0].Limit.ID, w.Judged[0].Limit.Source = long, long
	w.Judged[0].Reasons = slices.Repeat([]string{long}, 30)
	w.Instruments[0].Probe, w.Instruments[0].Identity, w.Instruments[0].Port, w.Instruments[0].Certificate.Number = long, long, long, long
	m.Alarms[0].Rule, m.Alarms[0].Steps[0].Remark = long, strings.Repeat(long+" ", 40) // higher than a page
	for _, paper := range Papers()[1:] {
		d := m.Document()
		file := onDisk(t, "long"+paper.Name, written(t, d, "pdf", paper.Name))
		pages := poppleWords(t, file, paper, 4)
		if len(pages) < 8 {
			t.Errorf("%s: %d pages: the long texts are not all there", paper.Name, len(pages))
		}
		if text := loose(poppler(t, "pdftotext", "-raw", file, "-")); strings.Count(text, "Dichtung") < 60 {
			t.Errorf("%s: the long name stands there %d times", paper.Name, strings.Count(text, "Dichtung"))
		}
	}
}

// TestHeadOfATableOnEachPage: a table over several pages has its head on each.
func TestHeadOfATableOnEachPage(t *testing.T) {
	d := &Document{Kind: "test", Title: "Long", As: noon()}
	tab := &Table{Columns: []Column{{"Headword", false}, {"Number", true}}}
	for i := range 200 {
		tab.Rows = append(tab.Rows, []Cell{raw("row"), count(int64(i))})
	}
	d.add("Table", tab)
	pages := poppleWords(t, onDisk(t, "table", written(t, d, "pdf", "A4")), Papers()[0], 4)
	if len(pages) < 4 {
		t.Fatalf("%d pages", len(pages))
	}
	rows := 0
	for i, p := range pages {
		if n := len(p); !slices.Contains(p, "Headword") || n < 20 {
			t.Errorf("page %d has no head", i+1)
		}
		for _, w := range p {
			if w == "row" {
				rows++
			}
		}
	}
	if rows != 200 {
		t.Errorf("%d rows are printed, want 200", rows)
	}
}

// render draws each page; none is blank, and nothing is drawn in the outer margin.
func render(t *testing.T, name, file string) {
	t.Helper()
	out, resolution := filepath.Join(t.TempDir(), "page"), "40"
	if keep := os.Getenv("OVENWARD_SHOTS"); keep != "" {
		out, resolution = filepath.Join(keep, name), "90"
	}
	poppler(t, "pdftoppm", "-png", "-r", resolution, file, out)
	pages, err := filepath.Glob(out + "-*.png")
	if err != nil || len(pages) == 0 {
		t.Fatalf("no page was rendered: %v", err)
	}
	for _, p := range pages {
		inked(t, p)
	}
}

func inked(t *testing.T, file string) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	b := img.Bounds()
	edge := b.Dx() * 14 / 210
	dark, outside := 0, 0
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			if r, _, _, _ := img.At(x, y).RGBA(); r < 0x9000 {
				dark++
				if x < edge || x >= b.Dx()-edge || y < edge || y >= b.Dy()-edge {
					outside++
				}
			}
		}
	}
	if share := float64(dark) / float64(b.Dx()*b.Dy()); share < 0.002 || outside > 0 {
		t.Errorf("%s: %.4f of it is ink, %d points in the margin", filepath.Base(file), share, outside)
	}
}

// TestHTMLPrints: a browser prints the page on the paper that was asked for, with
// page numbers, and nothing beyond it however long the names.
func TestHTMLPrints(t *testing.T) {
	t.Parallel()
	m := inventedMonitoring(20)
	w := &m.Posts[0]
	w.Post, w.Oven, w.Place = long, long, long
	w.Judged[0].Limit.ID, w.Instruments[0].Probe = long, long
	paper := Papers()[1]
	dir := t.TempDir()
	page, pdf := filepath.Join(dir, "page.html"), filepath.Join(dir, "page.pdf")
	if keep := os.Getenv("OVENWARD_SHOTS"); keep != "" {
		pdf = filepath.Join(keep, "html.pdf")
	}
	if err := os.WriteFile(page, written(t, m.Document(), "html", paper.Name), 0o644); err != nil {
		t.Fatal(err)
	}
	said, err := exec.Command(driverstest.Program(t, "chromium-headless-shell"), "--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-component-update",
		"--user-data-dir="+filepath.Join(dir, "profile"), "--no-pdf-header-footer", "--print-to-pdf="+pdf, "file://"+page).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	if info := poppler(t, "pdfinfo", pdf); !regexp.MustCompile(`Page size:\s+612 x 792 pts`).MatchString(info) {
		t.Errorf("not on %s: %s", paper.Name, info)
	}
	pages := poppleWords(t, pdf, paper, 10)
	text := poppler(t, "pdftotext", "-layout", pdf, "-")
	for i := range pages {
		if want := fmt.Sprintf("Page %d of %d", i+1, len(pages)); !strings.Contains(text, want) {
			t.Errorf("%q is on no page", want)
		}
	}
	if n := strings.Count(loose(text), "2031-05-20_Inventar"); n < 5 {
		t.Errorf("the long name stands there %d times", n)
	}
}
