package report

import (
	"strings"
	"testing"

	"ovenward/acquire/limit"
	"ovenward/cmd/internal/round"
)

// TestLongNamesInEveryReport: the reports beside that of monitoring, with names far
// longer than a line, stay on the paper and say each name whole.
func TestLongNamesInEveryReport(t *testing.T) {
	survey := inventedSurvey()
	r := &survey.Result
	r.Site, r.Who, r.Oven.ID, r.Oven.Place, r.Oven.Model, r.Comparison.ID = long, long, long, long, long, long
	r.Places[0].Sweep, r.Places[0].Verdict.Reasons, r.Notes[0].Text, r.Checks[0].Text = long, []string{long, long}, long, long
	r.Instruments[0].Probe, r.Instruments[0].Certificate, r.Instruments[0].Laboratory, r.Limit.ID = long, long, long, long
	survey.Form.Owner, survey.Form.Remarks = long, long
	off, err := inventedStandOff()
	if err != nil {
		t.Fatal(err)
	}
	off.Site, off.Oven, off.Place = long, long, long
	certificates := inventedCertificates()
	certificates.Site = long
	for i := range certificates.Probes {
		certificates.Probes[i].Probe = long
	}
	list := &Round{Site: long, Ask: round.Ask{Day: noon(), Ahead: 14, Every: 12}, Version: "test", Entries: []round.Entry{{Oven: round.Oven{ID: long, Place: long}, Status: round.Overdue, Due: noon(), DueBy: long,
		Last: &round.Check{Oven: long, On: noon().AddDate(-1, 0, 0), Outcome: limit.Within, By: long, Source: long, Imported: true}}}}
	for name, d := range map[string]*Document{"survey": survey.Document(), "standoff": off.Document(), "certificates": certificates.Document(), "round": list.Document()} {
		for _, paper := range Papers() {
			file := onDisk(t, "long-"+name+paper.Name, written(t, d, "pdf", paper.Name))
			poppleWords(t, file, paper, 1)
			text := poppler(t, "pdftotext", "-raw", file, "-")
			if n := strings.Count(loose(text), "Dichtung"); n < 3 {
				t.Errorf("%s, %s: the long name stands there %d times", name, paper.Name, n)
			}
			if !strings.Contains(text, d.Title+" · ") || !strings.Contains(text, "…") {
				t.Errorf("%s, %s: the head of the page lacks title, or a sign that the site's name goes on", name, paper.Name)
			}
		}
	}
}

// TestWhatNobodyStatedIsNotZero: a turn that nobody stated is not one of 0 s.
func TestWhatNobodyStatedIsNotZero(t *testing.T) {
	s := inventedSurvey()
	s.Result.Oven.Stirrer = 0
	text := string(written(t, s.Document(), "csv", "A4"))
	for line := range strings.Lines(text) {
		if strings.Contains(line, "Stirrer's turn") && !strings.Contains(line, "not stated") {
			t.Errorf("%s", line)
		}
	}
	if !strings.Contains(text, "Stirrer's turn") {
		t.Error("the report says nothing of the stirrer")
	}
}
