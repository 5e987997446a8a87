package report

import (
	"bytes"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// documents makes one of each kind.
func documents(t *testing.T) map[string]*Document {
	t.Helper()
	s, err := inventedStandOff()
	if err != nil {
		t.Fatal(err)
	}
	return map[string]*Document{"monitoring": inventedMonitoring(16).Document(), "certificates": inventedCertificates().Document(),
		"standoff": s.Document(), "survey": inventedSurvey().Document(), "soak": inventedSoak(2000).Document()}
}

func written(t *testing.T, d *Document, format, paper string) []byte {
	t.Helper()
	p, err := PaperOf(paper)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := d.Write(&b, format, p); err != nil {
		t.Fatalf("%s as %s: %v", d.Kind, format, err)
	}
	return b.Bytes()
}

// TestSameDataMakesTheSameBytes: each form of each kind, made twice from data made
// twice.
func TestSameDataMakesTheSameBytes(t *testing.T) {
	again := documents(t)
	for name, d := range documents(t) {
		for _, format := range Formats() {
			first, second := written(t, d, format, "A4"), written(t, again[name], format, "A4")
			if !bytes.Equal(first, second) {
				t.Errorf("%s as %s: two forms of %d and %d bytes differ", name, format, len(first), len(second))
			}
		}
		if name != "certificates" {
			continue
		}
		later := *d
		later.As = d.As.AddDate(0, 0, 1)
		if bytes.Equal(written(t, d, "pdf", "A4"), written(t, &later, "pdf", "A4")) {
			t.Errorf("%s: data of another day make the same PDF", name)
		}
	}
}

// TestEveryReportSaysWhatItMust: the foot, the deference, room to sign, and never
// the word that is not ours.
func TestEveryReportSaysWhatItMust(t *testing.T) {
	for name, d := range documents(t) {
		text := string(written(t, d, "json", "A4"))
		for _, want := range []string{footWords, "Local codes", "licensed service", `"kind": "signatures"`} {
			if !strings.Contains(text, want) {
				t.Errorf("%s does not say %q", name, want)
			}
		}
		for _, m := range regexp.MustCompile(`(?i)[^.;]*\bsafe(ty)?\b[^.;]*`).FindAllString(text, -1) {
			if !strings.Contains(m, "no safety interlock") && !strings.Contains(m, "not a safety distance") {
				t.Errorf("%s says %q", name, m)
			}
		}
	}
}

// TestUnderTheFloorIsNoValue: a hold that shows only the probe's own noise is told
// so, in the table and on the map, and no place is told finer than to 1 mm.
func TestUnderTheFloorIsNoValue(t *testing.T) {
	s := inventedSurvey()
	low := 0.5 * float64(s.Result.Instruments[0].Floor)
	s.Result.Places[0].Value, s.Result.Places[0].X = &low, 0.0352853
	r := s.places().(*Table).Rows
	if got := r[0][4].Text; got != "under the floor, < 0.01 mW/cm²" || r[0][6].Text != "" {
		t.Errorf("it is told as %q, %q of the limit", got, r[0][6].Text)
	}
	if got := r[0][3].Text; got != "35 mm, 310 mm" {
		t.Errorf("its place is told as %q", got)
	}
	if got := s.background().(*Pairs).List[0].Value.Text; got != "< 0.01 mW/cm²" {
		t.Errorf("the background is told as %q", got)
	}
	s.Result.Comparison = &survey.Comparison{Floor: 0.3, Cells: []survey.ComparisonCell{{Surface: survey.Front, Cell: 1, Then: 0.2, Now: low}}}
	if cells := s.comparison()[1].(*Table).Rows[0]; cells[2].Text != "< 0.03 mW/cm²" || cells[3].Text != "< 0.01 mW/cm²" {
		t.Errorf("then %q, now %q", cells[2].Text, cells[3].Text)
	}
	if strings.Contains(r[1][4].Text, "floor") {
		t.Errorf("one above the floor is told as %q", r[1][4].Text)
	}
	if svg := string(written(t, s.Document(), "html", "A4")); !strings.Contains(svg, "1: under floor") {
		t.Error("the map gives it as a value")
	}
}

// TestNoRatioWhereTheZeroWasOff: whether in the hold, the sweep or with the oven off. What
// exceeds all the same has one.
func TestNoRatioWhereTheZeroWasOff(t *testing.T) {
	s, off := inventedSurvey(), -5.0
	s.Result.Places[0].Value, s.Result.Places[1].Peak = &off, &off
	ratios := func() (all []string) {
		for _, r := range s.places().(*Table).Rows[:4] {
			all = append(all, r[6].Text)
		}
		return all
	}
	if got := ratios(); !slices.Equal(got, []string{"", "", "0.082", "1.32"}) {
		t.Errorf("to the limit: %q", got)
	}
	s.Result.Background.Value = -5
	if got := ratios(); !slices.Equal(got, []string{"", "", "", "1.32"}) {
		t.Errorf("to the limit, with the background below zero: %q", got)
	}
}

// TestBackgroundStandsBesideEveryValue: what was there with the oven off.
func TestBackgroundStandsBesideEveryValue(t *testing.T) {
	for taken, want := range map[bool]string{true: "< " + density(0.1).Text, false: "not taken"} {
		s := inventedSurvey()
		s.Result.Background.Taken = taken
		table := s.places().(*Table)
		at := slices.IndexFunc(table.Columns, func(c Column) bool { return c.Title == "Oven off" })
		for _, r := range table.Rows {
			if at < 0 || len(r) != len(table.Columns) || r[at].Text != want {
				t.Fatalf("taken %v: column %d of %v", taken, at, r)
			}
		}
	}
}

// TestNothingKnownIsPrinted: reports of nothing, and of numbers that are none, are
// printed in each form, and nothing of them is zero or within.
func TestNothingKnownIsPrinted(t *testing.T) {
	nan := quantity.PowerDensity(math.NaN())
	w := Watched{Post: "blind", Max: nan, MaxU: nan, Distance: quantity.Length(math.NaN()), Judged: []Judged{{Limit: inventedLimit(), Outcome: limit.NotDecided, Reasons: []string{"nothing was seen"}}},
		Days: []Day{{From: noon(), Outcome: limit.NotDecided, Max: nan, MaxU: nan}}, Instruments: []Instrument{{Probe: "p", Range: nan, Floor: nan}},
		Points: []Stretch{{noon(), noon().Add(time.Hour), math.NaN(), math.NaN(), math.NaN()}, {noon().Add(time.Hour), noon().Add(2 * time.Hour), math.NaN(), math.Inf(1), 3}}}
	free := w
	free.Judged = nil
	if text := string(written(t, (&Monitoring{From: noon(), To: noon().AddDate(0, 0, 1), Posts: []Watched{free}}).Document(), "csv", "A4")); !strings.Contains(text, "no limit applies") {
		t.Error("a post without a limit is not in the sum")
	}
	s := inventedSoak(3)
	s.PerRun[1].Peak, s.PerRun[2].Mean = quantity.PowerDensity(math.Inf(1)), nan
	for name, d := range map[string]*Document{"no post": (&Monitoring{From: noon(), To: noon()}).Document(), "nothing seen": (&Monitoring{From: noon(), To: noon().AddDate(0, 0, 1), Posts: []Watched{w}}).Document(),
		"no probe": (&Certificates{As: noon()}).Document(), "no place": (&Survey{}).Document(), "no mark": (&StandOff{Result: survey.StandOff{Refused: []string{"no marks"}}}).Document(),
		"no run": (&Soak{As: noon()}).Document(), "over range": s.Document(), "no oven": (&Round{}).Document()} {
		for _, format := range Formats() {
			text := string(written(t, d, format, "A4"))
			if format != "pdf" && (strings.Contains(text, "NaN") || strings.Contains(text, "WITHIN") && name != "over range") {
				t.Errorf("%s as %s: not known is printed as a number, or as within", name, format)
			}
		}
	}
}

// TestOverRangeIsAboveAnyValue: each instant stands under what it is of, and a day that
// was over range has no lower value as its highest.
func TestOverRangeIsAboveAnyValue(t *testing.T) {
	m, nan := inventedMonitoring(3), quantity.PowerDensity(math.NaN())
	w := &m.Posts[0]
	w.OverAt, w.Days[1].Over, w.Days[2].Over, w.Days[2].Max = w.MaxAt.Add(time.Hour), true, true, nan
	var got []string
	for _, p := range w.values().(*Pairs).List[:4] {
		got = append(got, p.Name+": "+p.Value.Text)
	}
	if want := []string{"Highest value: over range", "First over range at: " + stamp(w.OverAt), "Highest value in range: " + uncertain(w.Max, w.MaxU).Text, "… at: " + stamp(w.MaxAt)}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	in := uncertain(6, 0.8).Text
	for i, want := range []string{in, "over range (" + uncertain(w.Days[1].Max, 0.8).Text + " in range)", "over range"} {
		if c := w.dayTable().(*Table).Rows[i][3]; c.Text != want || (c.SI != nil) != (i == 0) {
			t.Errorf("day %d: %q, %v", i, c.Text, c.SI)
		}
	}
	w.Max, w.MaxAt = nan, time.Time{}
	if p := w.values().(*Pairs).List; p[2].Value.Text != "no value" || p[3].Name == "… at" {
		t.Errorf("with nothing in range: %v", p[:4])
	}
}

// TestDaysLeftAreOfTheCalendar: at any hour of a day as many are left, and as many
// overdue as the probe's page says.
func TestDaysLeftAreOfTheCalendar(t *testing.T) {
	for due, want := range map[string]string{"2026-02-10": "-290", "2026-11-26": "-1", "2026-11-27": "0", "2026-11-28": "1", "2027-02-10": "75"} {
		for _, hour := range []time.Duration{0, 11*time.Hour + 41*time.Minute, 24*time.Hour - 1} {
			day, err := time.Parse(time.DateOnly, due)
			if err != nil {
				t.Fatal(err)
			}
			h := Held{Probe: "p", Now: inventedCertificate()}
			h.Now.Due = day
			at := time.Date(2026, 11, 27, 0, 0, 0, 0, time.UTC).Add(hour).In(time.FixedZone("east", 7*3600))
			if c := h.row(StandingOf(h.Now, at), at)[8]; c.Text != want {
				t.Errorf("due %s, at %s: %q days left, want %s", due, at, c.Text, want)
			}
		}
	}
}

// TestReportsSayHowValuesWereJudged: a limit whose document asks for a slow meter is judged
// by values that are not filtered to it, and the report says so; no other says it.
func TestReportsSayHowValuesWereJudged(t *testing.T) {
	const said = "as measured, not filtered to the 3 s to 90 % of a step"
	for _, slowest := range []time.Duration{0, 3 * time.Second} {
		m, s := inventedMonitoring(2), inventedSoak(3)
		m.Posts[0].Judged[0].Limit.Slowest, s.Plan.Limit.Slowest = slowest, slowest
		for name, d := range map[string]*Document{"monitoring": m.Document(), "soak": s.Document()} {
			if got := strings.Contains(string(written(t, d, "csv", "A4")), said); got != (slowest > 0) {
				t.Errorf("%s, a meter of %s: says %q: %v", name, slowest, said, got)
			}
		}
	}
}

// BenchmarkSoakReport makes the report of a test of 100 000 operations.
func BenchmarkSoakReport(b *testing.B) {
	s := inventedSoak(100_000)
	for b.Loop() {
		if err := s.Document().PDF(io.Discard, Papers()[0]); err != nil {
			b.Fatal(err)
		}
	}
}

// TestWhatReadsTheSameIsToldOnce: bounds that agree in the digits told, and ends of a gap
// that lie in one second, of which milliseconds tell more.
func TestWhatReadsTheSameIsToldOnce(t *testing.T) {
	m := inventedMonitoring(1)
	w := &m.Posts[0]
	from := w.Gaps[0].From
	w.Gaps[0].To = from.Add(743 * time.Millisecond)
	w.Days[0].Mean = limit.Average{To: 1, Lo: 0.42212, Hi: 0.42214}
	var b bytes.Buffer
	if err := m.Document().CSV(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Mean,0.0422 mW/cm²,,", "From," + from.Format("2006-01-02 15:04:05") + ".000 UTC", "To," + from.Format("2006-01-02 15:04:05") + ".743 UTC"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
}

// TestNothingHasNoSign: what rounds to zero is neither below nor above it.
func TestNothingHasNoSign(t *testing.T) {
	off, err := inventedStandOff()
	if err != nil {
		t.Fatal(err)
	}
	off.Result.Marks[1].InUnits, off.Result.Marks[2].InUnits, off.Result.Marks[3].InUnits = -0.004, 0.004, -0.006
	s, ice, same := inventedSurvey(), -0.04, 0.0
	s.Result.Stages[0].Start, s.Result.Places[1].X, s.Result.Comparison.Change = &ice, -0.0001, &same
	for d, want := range map[*Document]string{off.Document(): ",-0.01,", s.Document(): ",0.0 °C,"} {
		text := string(written(t, d, "csv", "A4"))
		if !strings.Contains(text, want) {
			t.Errorf("%s has no %q:\n%s", d.Kind, want, text)
		}
		for _, no := range regexp.MustCompile(`[-+]0(\.0+)?[ ,].*`).FindAllString(text, -1) {
			t.Errorf("%s says %q", d.Kind, no)
		}
	}
}
