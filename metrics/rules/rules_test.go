package rules

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ovenward/drivers/driverstest"
	"ovenward/metrics"
)

var update = flag.Bool("update", false, "write the files anew")

// made is every file of this folder that is made, by its name.
func made(t *testing.T) map[string]string {
	t.Helper()
	board, err := DashboardJSON()
	if err != nil {
		t.Fatal(err)
	}
	return map[string]string{"recording.yml": RecordingYAML(), "alerting.yml": AlertingYAML(),
		"alertmanager.yml": AlertmanagerYAML(), "dashboard.json": board}
}

func TestFilesAreAsMade(t *testing.T) {
	for name, want := range made(t) {
		compare(t, name, want)
	}
}

// The guide's tables stand between two marks.
func TestGuideIsAsMade(t *testing.T) {
	const path, begin, end = "../../README.md", "<!-- metrics: made by go test ./metrics/rules -update -->\n", "<!-- metrics: end -->\n"
	is, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(is), begin)
	_, after, closed := strings.Cut(rest, end)
	if !ok || !closed {
		t.Fatal("the README has not the two marks of the metrics' tables")
	}
	compare(t, path, before+begin+MetricsPage()+"\n"+end+after)
}

func compare(t *testing.T, path, want string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	is, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(is) != want {
		t.Errorf("%s is not what is made (-update writes it anew)", path)
	}
}

// everyExpression is all that is asked of a Prometheus, by where it stands.
func everyExpression(t *testing.T) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, r := range Recordings() {
		all[r.Name] = r.Expr
	}
	for _, a := range Alerts() {
		all[a.Name] = a.Expr
	}
	for _, p := range panels(t) {
		for _, x := range p.Targets {
			all[p.Title] = x.Expr
		}
	}
	return all
}

type shownPanel struct {
	Title   string
	ID      int
	GridPos struct{ X, Y, W, H int }
	Targets []struct{ Expr string }
}

func panels(t *testing.T) []shownPanel {
	t.Helper()
	var d struct{ Panels []shownPanel }
	if err := json.Unmarshal([]byte(made(t)["dashboard.json"]), &d); err != nil {
		t.Fatal(err)
	}
	return d.Panels
}

func TestExpressionsNameWhatIsServed(t *testing.T) {
	for where, expr := range everyExpression(t) {
		if err := Check(expr); err != nil {
			t.Errorf("%s: %v", where, err)
		}
	}
	for _, wrong := range []string{"ovenward_post_blnd == 1", `ovenward_post_blind{rule="x"}`, "rate(ovenward_power_density_watts_per_square_meter_bucket[5m])",
		"site:ovenward_post_blind:avg + ovenward_nothing"} {
		if Check(wrong) == nil {
			t.Errorf("%s passes", wrong)
		}
	}
}

// The dashboard shows every metric of the list, and no panel over another.
func TestDashboardShowsAll(t *testing.T) {
	all := ""
	taken := map[[2]int]string{}
	for _, p := range panels(t) {
		for _, x := range p.Targets {
			all += x.Expr + "\n"
		}
		if g := p.GridPos; g.X < 0 || g.X+g.W > 24 || g.W == 0 || g.H == 0 {
			t.Errorf("%q lies at %+v", p.Title, g)
		}
		for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				if other, is := taken[[2]int{x, y}]; is {
					t.Fatalf("%q lies over %q", p.Title, other)
				}
				taken[[2]int{x, y}] = p.Title
			}
		}
	}
	for _, m := range metrics.List() {
		if !regexp.MustCompile(`\b` + m.Name + `(_bucket)?\b`).MatchString(all) {
			t.Errorf("%s is shown nowhere", m.Name)
		}
	}
	if strings.Contains(all, "or vector(") || strings.Contains(all, "or on() vector(") {
		t.Error("what is absent is drawn as a number")
	}
	if strings.Contains(all, "increase(ovenward_record_damaged") || strings.Contains(all, "increase(ovenward_record_salvaged") {
		t.Error("what a start found is drawn as an increase, which is 0 from the first scrape on")
	}
}

// Who does not see is told of as loudly as a field, and what is absent alerts.
func TestBlindnessIsAsLoud(t *testing.T) {
	absent := 0
	for _, a := range Alerts() {
		loud := strings.Contains(a.Expr, "post_blind") || strings.Contains(a.Expr, "absent(") || strings.HasPrefix(a.Expr, "up{") ||
			strings.Contains(a.Expr, "last_valid_sample") || strings.Contains(a.Expr, Field) || strings.Contains(a.Expr, `"exceeds"`)
		if strings.Contains(a.Expr, "{"+Field) || !strings.Contains(a.Expr, "rule!~") {
			if loud && a.Severity != Critical {
				t.Errorf("%s is %s", a.Name, a.Severity)
			}
		}
		if strings.Contains(a.Expr, "absent(") {
			absent++
		}
		if a.Summary == "" || a.Action == "" {
			t.Errorf("%s does not say what is so, or what to do", a.Name)
		}
	}
	if absent < 2 {
		t.Errorf("%d alerts tell of what is absent", absent)
	}
}

// Of a field nobody says that it does no harm.
func TestNoFalseComfort(t *testing.T) {
	for name, text := range made(t) {
		if m := regexp.MustCompile(`(?i)\b(safe|safely|harmless|healthy|all clear)\b`).FindString(text); m != "" {
			t.Errorf("%s says %q", name, m)
		}
	}
}

// run runs a peer program in this folder.
func run(t *testing.T, program string, args ...string) {
	t.Helper()
	var out bytes.Buffer
	c := exec.CommandContext(t.Context(), driverstest.Program(t, program), args...)
	c.Stdout, c.Stderr = &out, &out
	if err := c.Run(); err != nil {
		t.Errorf("%s %s: %v\n%s", program, strings.Join(args, " "), err, out.String())
	}
}

func TestPeersTakeTheFiles(t *testing.T) {
	run(t, "promtool", "check", "rules", "recording.yml", "alerting.yml")
	run(t, "amtool", "check-config", "alertmanager.yml")
	bad := filepath.Join(t.TempDir(), "bad.yml")
	if err := os.WriteFile(bad, []byte(strings.Replace(AlertingYAML(), "rate(", "rat(", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if exec.Command("promtool", "check", "rules", bad).Run() == nil {
		t.Error("promtool takes a function that is none")
	}
}

// Names are given once, and Prometheus' way.
func TestNames(t *testing.T) {
	var names []string
	for _, a := range Alerts() {
		names = append(names, a.Name)
		if !regexp.MustCompile(`^Ovenward[A-Z][A-Za-z]+$`).MatchString(a.Name) {
			t.Errorf("alert %s", a.Name)
		}
	}
	for _, r := range Recordings() {
		names = append(names, r.Name)
		if !regexp.MustCompile(`^(site|post):ovenward_\w+:\w+$`).MatchString(r.Name) {
			t.Errorf("recording rule %s", r.Name)
		}
	}
	slices.Sort(names)
	if len(slices.Compact(slices.Clone(names))) != len(names) {
		t.Errorf("a name is given twice: %v", names)
	}
}
