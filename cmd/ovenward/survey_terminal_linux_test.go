package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/survey"
)

// TestSurveyInTheTerminal begins one, leaves, and takes it up again.
func TestSurveyInTheTerminal(t *testing.T) {
	t.Parallel()
	r := startDaemon(t, settings{configFile: smallDoor(t), storagePath: t.TempDir()})
	run := func(do func(say func(string), seen func(string))) string {
		in, typed := io.Pipe()
		out := &logged{}
		w := walk{in: in, out: out, every: 20 * time.Millisecond}
		if err := w.parse([]string{"--oven=counter", "--who=A. Hand", "--place=vent right 2 2 2 2", "--place=handle 8 2 1 6 2.5", "--url=http://" + r.Addr()}); err != nil {
			t.Fatal(err)
		}
		done := make(chan error, 1)
		go func() { done <- w.run(t.Context()) }()
		do(func(line string) { _, _ = io.WriteString(typed, line+"\n") }, func(text string) {
			t.Helper()
			waitFor(t, 20*time.Second, text, func() bool { return strings.Contains(out.String(), text) })
		})
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		typed.Close()
		return out.String()
	}
	waitFor(t, 10*time.Second, "the probe", func() bool { return r.ready() == nil })
	run(func(say, seen func(string)) {
		seen("Never run the oven empty")
		seen("Check the probe")
		say("c battery good fresh cells")
		say("nonsense")
		seen(`"nonsense" is not known`)
		say("")
		seen("The oven is off")
		say("")
		seen("mL of fresh tap water")
		say("w 275 20")
		seen("Place 1 of 8: door seam, top side") // with the vent
		seen("s left")
		say("n dented at the lower left")
		say("q")
	})
	text := run(func(say, seen func(string)) {
		seen("is taken up again")
		seen("Place 1 of 8")
		say("abandon the shift is over")
	})
	if !strings.Contains(text, "abandoned, not decided") || !strings.Contains(text, "no safety interlock") {
		t.Errorf("what came of it is not said:\n%s", text)
	}
	var out, errs bytes.Buffer
	if code := surveyCommand(t.Context(), []string{"--oven=counter", "--who=A", "--place=vent side 2 2 2 2"}, &out, &errs); code != 1 || !strings.Contains(errs.String(), "is no surface: write front") {
		t.Errorf("%d %s", code, errs.String())
	}
	errs.Reset()
	if code := surveyCommand(t.Context(), []string{"--oven=other", "--who=A", "--url=http://" + r.Addr()}, &out, &errs); code != 1 || !strings.Contains(errs.String(), `no oven "other"`) {
		t.Errorf("%d %s", code, errs.String())
	}
}

// What may be typed is told with each step, and the line that is written over keeps to
// itself: it is cut where the screen ends, and leaves alone what is being typed.
func TestTheTerminalSaysWhatMayBeTyped(t *testing.T) {
	var out bytes.Buffer
	w := walk{out: &out}
	left := 45.0
	v := survey.View{Steps: 3, Phase: survey.Holding, Title: "Place 1 of 8: door seam, top side", Value: "0.3 mW/cm²", Settled: "not settled", LeftS: &left,
		Can: []survey.Kind{survey.WentOn, survey.Redone, survey.StageEnded, survey.Noted, survey.GaveUp}}
	shown := w.show(v, "")
	if text := out.String(); !strings.Contains(text, "(Enter: next · r: redo · s: the oven was stopped · n TEXT: a note · q: leave)\n\x1b[?7l0.3 mW/cm² · 45 s left · not settled\x1b[K\x1b[?7h\n> ") {
		t.Errorf("%q", text)
	}
	out.Reset()
	w.show(v, shown)
	if text := out.String(); strings.Contains(text, "\n") || !strings.HasPrefix(text, "\x1b7\x1b[1A\r\x1b[?7l0.3") || !strings.HasSuffix(text, "\x1b[?7h\x1b8") {
		t.Errorf("the same again writes %q", text)
	}
}

// A hold under the probe's floor is no value in the terminal either.
func TestTheTerminalTellsNothingBelowTheFloor(t *testing.T) {
	r := &survey.Result{Instruments: []survey.Instrument{{Floor: 0.2}}}
	for v, want := range map[float64]string{0.03: "< 0.02 mW/cm²", 0.3: "0.03 mW/cm²"} {
		if got := heldWords(r, survey.Place{Value: &v}); got != want {
			t.Errorf("%g W/m² is told as %q, want %q", v, got, want)
		}
		if got := (markTaken{Value: v, U: 0.01, Floor: 0.2}).words(); !strings.HasPrefix(got, want) {
			t.Errorf("a mark of %g W/m² is told as %q, want %q", v, got, want)
		}
	}
}

// TestMarksAreTakenAtThePost takes two marks on the running daemon; a probe that
// stays where it is makes no walk, and the fit says so.
func TestMarksAreTakenAtThePost(t *testing.T) {
	t.Parallel()
	r := startDaemon(t, settings{configFile: smallDoor(t), storagePath: t.TempDir()})
	waitFor(t, 10*time.Second, "the probe", func() bool { return r.ready() == nil })
	file := filepath.Join(t.TempDir(), "walk.csv")
	var out bytes.Buffer
	m := markTaker{in: strings.NewReader("\n\ns\ns\ns\ns\n"), out: &out, post: "counter-door", who: "A. Hand", marks: "off,5 8 10 15 20", turn: "1 s", daemon: alarmAct{url: "http://" + r.Addr()}}
	if err := m.run(file); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	walk, err := survey.ParseWalk(file, text)
	if err != nil || len(walk.Marks) != 2 || !walk.Marks[0].Off() || walk.Floor != r.station.Stats()[0].Post.Probe.Floor || walk.Marks[1].Distance != 0.05 || !(walk.Marks[1].U > 0) {
		t.Errorf("%+v, %v of\n%s", walk, err, text)
	}
	if !strings.Contains(out.String(), lineCaution) {
		t.Error("the caution is not printed")
	}
	if err := m.run(file); err == nil {
		t.Error("a file that is there is written over")
	}
	waitFor(t, 5*time.Second, "the post to be back", func() bool { return r.station.Stats()[0].Condition != acquire.AwayNow })
}

// What keeps a walk back from its end is told before anybody walks, and a walk of
// which nothing came fails, leaves no file and speaks of no probe that was taken away.
func TestAWalkBackThatCannotBeIsRefusedFirst(t *testing.T) {
	t.Parallel()
	r := startDaemon(t, settings{configFile: smallDoor(t), storagePath: t.TempDir()})
	waitFor(t, 10*time.Second, "the probe", func() bool { return r.ready() == nil })
	file := filepath.Join(t.TempDir(), "walk.csv")
	for _, tc := range []struct {
		flag, want string
		walks      bool
	}{
		{"--limit=fcc", `no built-in limit "fcc"`, false},
		{"--limit=fcc-public", "state the oven's with --frequency", false},
		{"--floor=0 mW/cm2", "--floor:", false},
		{"--take=pass", `no post "pass": write one of counter-door`, false},
		{"--url=http://127.0.0.1:1", "is it running", false},
		{"--turn=10", "--turn:", false},
		{"--turn=5 min", "a turn of the stirrer takes 1 s to", false},
		{"--marks=off 5 10", "2 marks at different distances, and a fit needs 5", false},
		{"--marks=5 6 7 8 9", "a span of 1.8 : 1", false},
		{"--marks=5 0 10", "is not above zero", false},
		{"--format=text", "the walk ended before its last mark; no mark was taken", true},
	} {
		var out, errs bytes.Buffer // a test has an empty standard input
		code := standoffCommand([]string{file, "--take=counter-door", "--who=A. Hand", "--url=http://" + r.Addr(), tc.flag}, &out, &errs)
		if code != 1 || !strings.Contains(errs.String(), tc.want) || strings.Contains(out.String(), "press Enter") != tc.walks || strings.Contains(out.String(), "is back") {
			t.Errorf("%s: code %d, %s%s", tc.flag, code, out.String(), errs.String())
		}
		if _, err := os.Stat(file); err == nil {
			t.Fatalf("%s: a file is left behind", tc.flag)
		}
	}
}

// A walk back that a survey does not let begin ends nothing of the survey: its probe is
// still away from its post.
func TestAWalkBackEndsNoSurveysAbsence(t *testing.T) {
	t.Parallel()
	r := startDaemon(t, settings{configFile: smallDoor(t), storagePath: t.TempDir()})
	waitFor(t, 10*time.Second, "the probe", func() bool { return r.ready() == nil })
	w := walk{out: io.Discard}
	if err := w.parse([]string{"--oven=counter", "--who=A. Hand", "--url=http://" + r.Addr()}); err != nil {
		t.Fatal(err)
	}
	if err := w.begin(t.Context()); err != nil {
		t.Fatal(err)
	}
	away := func() bool { return r.station.Stats()[0].Condition == acquire.AwayNow }
	waitFor(t, 5*time.Second, "the probe to be away", away)
	var out bytes.Buffer
	m := markTaker{in: strings.NewReader("\n"), out: &out, post: "counter-door", who: "B. Hand", marks: "off 5 8 10 15 20", turn: "1 s", daemon: alarmAct{url: "http://" + r.Addr()}}
	if err := m.run(filepath.Join(t.TempDir(), "walk.csv")); err == nil || !strings.Contains(out.String(), "end it first") {
		t.Errorf("%v: %s", err, out.String())
	}
	if !away() {
		t.Error("the post counts as seeing while its probe is at another's survey")
	}
}
