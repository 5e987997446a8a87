package main

import (
	"bytes"
	"encoding/csv"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ovenward/drivers/driverstest"
)

// TestReportBesideTheDaemon makes each report of a record that is being written, in
// each form, and reads the PDF back.
func TestReportBesideTheDaemon(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	from := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	history(t, dir, from, 1500, recordedPost("hatch-door"), recordedPost("pantry-door"))
	out := t.TempDir()
	for _, kind := range []string{"monitoring", "certificates"} {
		for _, format := range []string{"pdf", "html", "csv", "json"} {
			must(t, "report", kind, "--storage.path="+dir, "-o", filepath.Join(out, kind+"."+format), "--paper=letter")
		}
	}
	text, err := exec.Command(driverstest.Program(t, "pdftotext"), "-layout", filepath.Join(out, "monitoring.pdf"), "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	// Both posts, the alarm that history raises, and the gaps that it leaves.
	for _, want := range []string{"Post hatch-door", "Post pantry-door", "EXCEEDS", "raised by the station", "unacknowledged", "Gaps: ", "SHA-256", "Page 1 of "} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the report of monitoring lacks %q", want)
		}
	}
	for _, format := range []string{"pdf", "html", "csv", "json"} {
		again := filepath.Join(out, "again."+format)
		must(t, "report", "monitoring", "--storage.path="+dir, "-o", again, "--paper=Letter")
		a, errA := os.ReadFile(filepath.Join(out, "monitoring."+format))
		b, errB := os.ReadFile(again)
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: the same record makes two files: %v %v", format, errA, errB)
		}
	}
	one := filepath.Join(out, "one.csv")
	must(t, "report", "monitoring", "--storage.path="+dir, "-o", one, "--post=pantry-door", "--from=2026-03-04T05:10:00Z", "--to=2026-03-04T05:15:00Z")
	all, err := os.ReadFile(one)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(all)).ReadAll()
	if err != nil || len(rows) < 50 || strings.Contains(string(all), "hatch-door") {
		t.Errorf("%d rows, %v", len(rows), err)
	}
	if !slices.ContainsFunc(rows, func(r []string) bool { return r[4] == "Readings" && r[6] == "300" }) {
		t.Errorf("5 minutes of a reading a second are not 300 readings")
	}
}

// TestReportSaysWhatItLacks: each error says what to do.
func TestReportSaysWhatItLacks(t *testing.T) {
	dir := t.TempDir()
	history(t, dir, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 10, recordedPost("hatch-door"))
	there := filepath.Join(dir, "there.pdf")
	if err := os.WriteFile(there, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	fresh := filepath.Join(t.TempDir(), "x.pdf")
	record := "--storage.path=" + dir
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{}, "name the report to make: one of monitoring"},
		{[]string{"secrets", record, "-o", fresh}, `there is no report "secrets"`},
		{[]string{"monitoring", record}, "-o FILE.pdf"},
		{[]string{"monitoring", "-o", fresh}, "--storage.path=FOLDER"},
		{[]string{"monitoring", record, "-o", "report.docx"}, ".html"},
		{[]string{"monitoring", record, "-o", there}, "is there already"},
		{[]string{"monitoring", record, "-o", fresh, "--paper=A3"}, "A4 or Letter"},
		{[]string{"monitoring", record, "-o", fresh, "--post=nowhere"}, "it has hatch-door"},
		{[]string{"monitoring", record, "-o", fresh, "--oven=none"}, "no post watches an oven"},
		{[]string{"monitoring", record, "-o", fresh, "--from=2026-03-05", "--to=2026-03-05"}, "from is not before to"},
		{[]string{"monitoring", record, "-o", fresh, "--from=2026-06-01"}, "nothing is recorded from 2026-06-01T00:00:00Z on: the newest sample is of 2026-03-04T"},
		{[]string{"monitoring", record, "-o", fresh, "--from=soon"}, "such as 2026-11-25"},
		{[]string{"monitoring", "--storage.path=" + t.TempDir(), "-o", fresh}, "name the folder that holds"},
		{[]string{"monitoring", record, "-o", fresh, "--from=2199-01-01", "--to=2199-02-01"}, "--from=2199-01-01T00:00:00Z lies in the future"},
		{[]string{"survey", record, "-o", fresh}, "no survey that has ended"},
		{[]string{"survey", record, "-o", fresh, "--id=x"}, "leave --id out"},
		{[]string{"survey", record, "-o", fresh, "--form=colour=red"}, "manufactured"},
		{[]string{"standoff", "-o", fresh}, "--walk=FILE.csv"},
		{[]string{"standoff", "-o", fresh, "--walk=x.csv"}, "--day="},
		{[]string{"standoff", "-o", fresh, "--walk=x.csv", "--day=2199-01-01"}, "lies in the future"},
	} {
		if code, _, err := ovenward(t, append([]string{"report"}, c.args...)...); code != 1 || !strings.Contains(err, c.want) {
			t.Errorf("%v: %d %s, want %q", c.args, code, err, c.want)
		}
	}
	if _, err := os.Stat(fresh); err == nil {
		t.Error("a report that failed left a file")
	}
}

// TestReportOfAWalk prints what ovenward standoff finds, with its sentence.
func TestReportOfAWalk(t *testing.T) {
	walk := filepath.Join(t.TempDir(), "walk.csv")
	text := "limit,fcc-public\nfrequency,2450 MHz\nfloor,0.005 mW/cm2\ndistance (cm),value (mW/cm2),standard uncertainty (%)\n" +
		"5,2.4,5\n10,0.75,5\n15,0.36,5\n20,0.235,5\n30,0.112,5\n45,0.0585,5\noff,0.002,20\n"
	if err := os.WriteFile(walk, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "walk.pdf")
	must(t, "report", "standoff", "--walk="+walk, "--day=2026-03-04", "--level=0.1 mW/cm2", "--oven=Küchenofen Ω", "-o", out)
	got, err := exec.Command(driverstest.Program(t, "pdftotext"), "-layout", out, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Along this line, with this load and door, today; not a safety distance.", "fcc-public", "stated level", "Küchenofen Ω", "2026-03-04", "noise floor", "walk.csv"} {
		if !strings.Contains(string(got), want) {
			t.Errorf("the report lacks %q", want)
		}
	}
}

// TestRoundThroughTheCommand takes in earlier results, twice, and lists.
func TestRoundThroughTheCommand(t *testing.T) {
	dir := t.TempDir()
	s := history(t, dir, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 10, recordedPost("hatch-door"))
	file := filepath.Join(t.TempDir(), "old.csv")
	write := func(text string) {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("oven,place,day,outcome,highest (mW/cm2),by\nward,floor 10,2025-03-01,within,0.3,M. Ashdown\ngalley,floor 2,2024-03-01,within,0.2,\n")
	import1 := []string{"round", "--storage.path=" + dir, "--import=" + file, "--by=R. Penhale", "--day=2026-02-25"}
	if code, _, err := ovenward(t, import1...); code != 1 || !strings.Contains(err, "needs the record for itself") {
		t.Errorf("beside a writer: %d %s", code, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	code, out, said := ovenward(t, import1...)
	if code != 0 || !strings.Contains(said, "2 checks taken, 0 in the record already") {
		t.Fatalf("%d %s", code, said)
	}
	galley, ward := strings.Index(out, "galley"), strings.Index(out, "ward")
	if galley < 0 || ward < galley || !strings.Contains(out, "overdue") || !strings.Contains(out, "2026-03-01") || !strings.Contains(out, "never checked") {
		t.Errorf("the list: %s", out)
	}
	if _, _, said = ovenward(t, import1...); !strings.Contains(said, "0 checks taken, 2 in the record already") {
		t.Errorf("the second time: %s", said)
	}
	write("oven,day\nx,2025-01-01\ny,nonsense\n")
	if code, _, said = ovenward(t, import1...); code != 1 || !strings.Contains(said, "old.csv:3: day") || !strings.Contains(said, "nothing was taken") {
		t.Errorf("%d %s", code, said)
	}
	j := must(t, "round", "--storage.path="+dir, "--day=2026-02-25", "--format=json")
	if strings.Contains(j, `"x"`) || !strings.Contains(j, "WITHIN, as stated there") || !strings.Contains(j, "old.csv:2") {
		t.Errorf("the list as JSON: %s", j)
	}
	pdf := filepath.Join(t.TempDir(), "round.pdf")
	must(t, "round", "--storage.path="+dir, "--day=2026-02-25", "--format=pdf", "-o", pdf)
	if text, err := exec.Command(driverstest.Program(t, "pdftotext"), "-layout", pdf, "-").Output(); err != nil || !strings.Contains(string(text), "Round of 2026-02-25") {
		t.Errorf("%s %v", text, err)
	}
	must(t, "verify", "--storage.path="+dir)
}

// TestReportsOfTheRunningDaemon: the page hands out files of what is recorded now,
// marked as simulated in the model kitchen.
func TestReportsOfTheRunningDaemon(t *testing.T) {
	t.Parallel()
	d := startDaemon(t, settings{storagePath: t.TempDir()})
	waitFor(t, 30*time.Second, "something in the record", func() bool {
		return strings.Contains(d.get(t, "/reports/file?kind=monitoring&format=json&post=counter-door"), `"Readings"`)
	})
	for path, want := range map[string]string{
		"/reports": "<option>counter-door</option>",
		"/round":   "never checked",
		"/reports/file?kind=monitoring&format=pdf":    "%PDF-",
		"/reports/file?kind=certificates&format=html": "SIMULATED",
		"/reports/file?kind=round&format=csv":         "never checked",
	} {
		if body := d.get(t, path); !strings.Contains(body, want) {
			t.Errorf("%s lacks %q: %.300s", path, want, body)
		}
	}
}

// TestReportOfWhatWasImported: readings for which nobody knows how long they hold, nor the
// probe's range, are told day by day, and no bound is made up for them.
func TestReportOfWhatWasImported(t *testing.T) {
	dir := t.TempDir()
	file, out := filepath.Join(dir, "lab.csv"), filepath.Join(dir, "lab-report.csv")
	rows := "post,seq,utc,said,value,unit\n" +
		"lab,1,2026-11-20T10:00:00Z,\"0.5,mW/cm2\",0.5,mW/cm2\nlab,2,2026-11-22T10:00:00Z,\"5.2,mW/cm2\",5.2,mW/cm2\n"
	if err := os.WriteFile(file, []byte(rows), 0o600); err != nil {
		t.Fatal(err)
	}
	must(t, "import", "--storage.path="+dir, file)
	if code, _, said := ovenward(t, "report", "monitoring", "--storage.path="+dir, "-o", out); code == 0 || !strings.Contains(said, "--post=imported/lab") {
		t.Errorf("%d, %s", code, said)
	}
	must(t, "report", "monitoring", "--storage.path="+dir, "--post=imported/lab", "--from=2026-11-19", "-o", out)
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	for _, want := range []string{"Day,2026-11-19,", "Day,2026-11-20,", "Highest value,0.5 mW/cm²,5,", "Day,2026-11-22,", "A value holds for at most,not known,", "\"Mean, upper bound\",not known,"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if n := strings.Count(text, "Highest value,5.2 mW/cm²,52,"); n != 3 { // in the outcome, of the post, of its day
		t.Errorf("the highest value is told %d times, want 3", n)
	}
	if strings.Contains(text, "100000 mW/cm²") {
		t.Error("a bound that nobody knows is told")
	}
}
