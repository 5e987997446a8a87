package main

import (
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/drivers/driverstest"
)

// soaked is a daemon of the model kitchen in a process of its own, and how the
// command line speaks to it.
type soaked struct {
	t   *testing.T
	dir string
	p   *process
	url string

	midway time.Time // while the test was paused
}

func (s *soaked) start() {
	s.t.Helper()
	s.p = program(s.t, "run", "--storage.path="+s.dir, "--web.listen-address=127.0.0.1:0")
	s.url = "http://" + s.p.address(s.t)
}

// says runs ovenward soak against the daemon, which must take it.
func (s *soaked) says(args ...string) string {
	s.t.Helper()
	return must(s.t, append([]string{"soak"}, append(args, "--url="+s.url, "--who=A. Tester")...)...)
}

// refused runs ovenward soak, which must say what is wrong.
func (s *soaked) refused(want string, args ...string) {
	s.t.Helper()
	code, out, err := ovenward(s.t, append([]string{"soak"}, append(args, "--url="+s.url, "--who=A. Tester")...)...)
	if code != 1 || out != "" || !strings.Contains(err, want) {
		s.t.Errorf("%v: %d %s%s, want %q", args, code, out, err, want)
	}
}

// answered reads what the API answers.
func (s *soaked) answered(path string, into any) {
	s.t.Helper()
	resp, err := http.Get(s.url + path)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode == http.StatusOK {
		err = json.Unmarshal(body, into)
	}
	if err != nil || resp.StatusCode != http.StatusOK {
		s.t.Fatalf("%s: %d %.300s %v", path, resp.StatusCode, body, err)
	}
}

// TestSoakByTheCommandLine takes a soak test from its plan to its report as a person
// would: by the command line, against a daemon that is killed in the middle.
func TestSoakByTheCommandLine(t *testing.T) {
	t.Parallel()
	s := &soaked{t: t, dir: t.TempDir()}
	s.start()
	s.refusedBeforeThePlan()
	s.says("plan", "d1", "--post=pantry-door", "--procedure=door cycling", "--source=our own, edition 2", "--conditions=230 V, 1 L of water", "--operations=300", "--checkpoints=100,300", "--stop-over-range")
	s.refused("there is a soak test d1 already", "plan", "d1", "--post=pantry-door", "--procedure=p", "--source=s", "--operations=5")
	s.refused("operations count while the test runs", "count", "d1", "--operations=5")
	if out := s.says("start", "d1"); !strings.Contains(out, "d1: running, oven pantry at post pantry-door") || !strings.Contains(out, "0 of 300 operations") {
		t.Errorf("%s", out)
	}
	s.refused("the test is running already", "start", "d1")
	total, from := 0, []string{"operator", "import", "input"}
	for total < 150 {
		s.says("count", "d1", "--operations=10", "--from="+from[total/10%3])
		total += 10
	}
	s.refused("say why the count is corrected", "count", "d1", "--operations=-5")
	s.refused("the record has no survey s-1 of oven pantry", "checkpoint", "d1", "--at=100", "--survey=s-1")
	s.refused("no checkpoint at 7", "checkpoint", "d1", "--at=7", "--outcome=within")
	if out := s.says("status"); !strings.Contains(out, "150 of 300 operations") || !strings.Contains(out, "the checkpoint at 100 is due") {
		t.Errorf("%s", out)
	}

	// A power cut: what was said stays said, and nothing is counted twice.
	s.p.kill(t)
	if code, _, err := ovenward(t, "soak", "status", "d1", "--url="+s.url); code != 1 || !strings.Contains(err, "is it running") {
		t.Errorf("of no daemon: %d %s", code, err)
	}
	s.surveyed("s-1")
	s.start()
	if out := s.says("status", "d1"); !strings.Contains(out, "d1: running") || !strings.Contains(out, "150 of 300 operations") ||
		!strings.Contains(out, "runs seen from the field to their end: 0; the test so far: ") {
		t.Errorf("after the cut: %s", out)
	}
	s.refused(`survey s-1 came to "within", not to "exceeds"`, "checkpoint", "d1", "--at=100", "--survey=s-1", "--outcome=exceeds")
	s.says("checkpoint", "d1", "--at=100", "--survey=s-1")
	waitFor(t, 20*time.Second, "samples of the test in the record", func() bool {
		var got struct {
			Stretches []any `json:"stretches"`
		}
		return ask(s.url+"/api/v1/soaks/d1/statistics?per=test", &got) && len(got.Stretches) > 0
	})
	s.pausedAndFinished()
	s.partsByTheAPI()
	s.p.terminate(t)
	s.reported("before")
	if out := must(t, "verify", "--storage.path="+s.dir); !strings.Contains(out, "Intact") {
		t.Errorf("%s", out)
	}
	must(t, "verify", "--storage.path="+s.dir, "--rebuild")
	s.reported("rebuilt")
	if out := must(t, "verify", "--storage.path="+s.dir); !strings.Contains(out, "Intact") {
		t.Errorf("after it was rebuilt: %s", out)
	}
}

// refusedBeforeThePlan asks for what cannot be.
func (s *soaked) refusedBeforeThePlan() {
	s.t.Helper()
	s.refused(`there is no post "nowhere"; name one of counter-door, pantry-door, staff-room-door`, "plan", "d1", "--post=nowhere", "--conditions=none", "--procedure=p", "--source=s", "--operations=5")
	s.refused("name the procedure and its source", "plan", "d1", "--post=pantry-door", "--operations=5")
	s.refused("say how many operations, or for how long", "plan", "d1", "--post=pantry-door", "--procedure=p", "--source=s")
	s.refused("has no contact", "plan", "d1", "--post=pantry-door", "--procedure=p", "--source=s", "--operations=5", "--contact=none")
	s.refused("no soak test", "start", "d1")
	s.refused("no soak test", "status", "d1")
	s.refused(`there is no "dance"`, "dance", "d1")
	if code, _, err := ovenward(s.t, "soak", "start", "d1", "--url="+s.url); code != 1 || !strings.Contains(err, "--who=NAME") {
		s.t.Errorf("by nobody: %d %s", code, err)
	}
}

// pausedAndFinished takes d1 to its end, and aborts a second test.
func (s *soaked) pausedAndFinished() {
	s.t.Helper()
	s.refused("say why", "pause", "d1")
	s.says("pause", "d1", "--why=the bench is cleaned")
	s.refused("it is paused", "count", "d1", "--operations=1")
	s.says("note", "d1", "--why=hinge oiled")
	s.midway = time.Now().UTC().Truncate(time.Second).Add(time.Second) // reports are of whole seconds
	waitFor(s.t, 5*time.Second, "the second to be over", func() bool { return time.Now().After(s.midway) })
	s.says("resume", "d1")
	s.refused("150 of 300 operations are counted", "finish", "d1")
	s.refused("say why with --why=TEXT", "stop", "d1")
	s.says("count", "d1", "--operations=150", "--from=import")
	s.refused("checkpoint at 300 has not been entered", "finish", "d1")
	s.says("checkpoint", "d1", "--at=300", "--outcome=not decided")
	if out := s.says("stop", "d1"); !strings.Contains(out, "d1: finished") {
		s.t.Errorf("%s", out)
	}
	s.refused("only notes can be added", "abort", "d1", "--why=late")
	s.says("start", "d2", "--post=counter-door", "--procedure=heat", "--source=our own", "--lasting=500 h", "--stop-blind=10 min")
	if out := s.says("stop", "d2", "--why=enough"); !strings.Contains(out, "d2: aborted") || !strings.Contains(out, "of 500 h") {
		s.t.Errorf("%s", out)
	}
}

// surveyed writes an invented survey of the oven into the record.
func (s *soaked) surveyed(id string) {
	s.t.Helper()
	r, err := store.Open(s.dir, store.Options{})
	if err != nil {
		s.t.Fatal(err)
	}
	now := time.Now().UTC()
	err = r.KeepSurvey(s.t.Context(), id, "pantry", []survey.Step{{N: 1, At: now, Who: "A. Tester", Kind: survey.Began, Setup: &survey.Setup{ID: id, Post: "pantry-door"}}},
		&survey.Result{ID: id, Ended: now, State: survey.Complete, Verdict: survey.Verdict{Outcome: "within"}})
	if err == nil {
		err = r.Close()
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

// partsByTheAPI asks for the statistics of the test, parted in each way.
func (s *soaked) partsByTheAPI() {
	s.t.Helper()
	for per, least := range map[string]int{"run": 0, "hour": 1, "day": 1, "checkpoint": 2, "test": 1} {
		var got struct {
			Stretches []struct {
				Name       string  `json:"name"`
				Seen       float64 `json:"seen_s"`
				Operations *int    `json:"operations_by_then"`
			} `json:"stretches"`
		}
		s.answered("/api/v1/soaks/d1/statistics?per="+per, &got)
		if len(got.Stretches) < least {
			s.t.Errorf("per %s: %+v", per, got)
		}
		if per == "checkpoint" && *got.Stretches[0].Operations != 150 {
			s.t.Errorf("per %s: %+v", per, got)
		}
		var post struct {
			Stretches []struct {
				Seen float64 `json:"seen_s"`
			} `json:"stretches"`
		}
		if per != "checkpoint" && per != "test" {
			s.answered("/api/v1/posts/pantry-door/statistics?per="+per, &post)
			if len(post.Stretches) < least {
				s.t.Errorf("post per %s: %+v", per, post)
			}
		}
	}
}

// reported makes the report in all forms and reads it back.
func (s *soaked) reported(name string) {
	s.t.Helper()
	out := s.t.TempDir()
	file := func(format string) string { return filepath.Join(out, name+"."+format) }
	for _, format := range []string{"pdf", "html", "csv", "json"} {
		must(s.t, "soak", "report", "d1", "-o", file(format), "--storage.path="+s.dir, "--per=hour")
	}
	pdf, err := exec.Command(driverstest.Program(s.t, "pdftotext"), "-layout", file("pdf"), "-").Output()
	if err != nil {
		s.t.Fatal(err)
	}
	wants := []string{"SIMULATED", "NOT DECIDED", "door cycling", "our own, edition 2", "at 100 operations", "s-1", "the field was over the probe's range",
		"paused: the bench is cleaned", "hinge oiled", "230 V, 1 L of water", "Statistics by hour", "up to the", "Whose runs", "50 by input", "50 by operator", "200 by import"}
	html, err := os.ReadFile(file("html"))
	if err != nil {
		s.t.Fatal(err)
	}
	for _, want := range wants {
		if !strings.Contains(string(pdf), want) {
			s.t.Errorf("%s: the PDF lacks %q:\n%s", name, want, pdf)
		}
		if !strings.Contains(strings.ReplaceAll(string(html), "&#39;", "'"), want) {
			s.t.Errorf("%s: the HTML lacks %q", name, want)
		}
	}
	rows, err := os.ReadFile(file("csv"))
	if err != nil || !strings.Contains(string(rows), "300") {
		s.t.Errorf("%s: %v", name, err)
	}
	var doc map[string]any
	text, err := os.ReadFile(file("json"))
	if err == nil {
		err = json.Unmarshal(text, &doc)
	}
	if err != nil || len(doc) == 0 {
		s.t.Errorf("%s: %v", name, err)
	}
	if code, _, said := ovenward(s.t, "soak", "report", "none", "-o", filepath.Join(out, "none.pdf"), "--storage.path="+s.dir); code != 1 || !strings.Contains(said, "it has d1, d2") {
		s.t.Errorf("%d %s", code, said)
	}
	if code, _, said := ovenward(s.t, "soak", "report", "d1", "-o", filepath.Join(out, "moon.pdf"), "--storage.path="+s.dir, "--per=moon"); code != 1 || !strings.Contains(said, "run, hour or day") {
		s.t.Errorf("%d %s", code, said)
	}
	must(s.t, "soak", "report", "d1", "-o", file("midway.csv"), "--storage.path="+s.dir, "--to="+s.midway.Format(time.RFC3339Nano))
	rows, err = os.ReadFile(file("midway.csv"))
	if err != nil || !strings.Contains(string(rows), "the test is paused: 150 of 300 operations") {
		s.t.Errorf("%s: as it stood while it was paused: %v %s", name, err, rows)
	}
}
