package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/store"
	"ovenward/acquire/survey"
	"ovenward/acquire/survey/guide"
)

const surveyHelp = `usage: ovenward survey --oven=ID --who=NAME [FLAGS]

Guides a survey of an oven's door in the terminal. It runs on the daemon: leaving, or
losing the connection, does not end it, and the same command takes it up again.
  Enter              next            b   back         r   redo
  w 275 20           275 mL of water at 20 °C stand in the oven, and it was started
  t 38               the water's temperature at the end, °C
  turned             next, and the one-axis probe was turned for the highest value
  c battery good TEXT    a check of the probe: battery, zero or agreement; good or bad
  s   the oven was stopped       n TEXT   a note       q   leave       abandon TEXT   give up

  --place="vent right 25 4 8 5"   a vent: surface, x, y, width, height, in cm; or with
                        depth a handle: --place="handle 40 5 2 18 3.5"; again for each
  --post=ID             whose probe is taken (default: the oven's own post)
  --procedure=ID        what it follows (default: the first)
  --pull --trained      with pulling on the closed door at the end; for a trained person
  --url=URL             of the daemon (default http://127.0.0.1:24500)
  --user=NAME --password-file=FILE   where the daemon has users
`

// walk is a survey guided in the terminal.
type walk struct {
	daemon alarmAct // how the daemon is asked
	order  guide.Order
	in     io.Reader
	out    io.Writer
	every  time.Duration // between looks at the daemon
	id     string
}

func surveyCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	w := walk{in: os.Stdin, out: stdout, every: 500 * time.Millisecond}
	err := w.parse(args)
	if err == nil {
		err = w.run(ctx)
	}
	return ended("survey", surveyHelp, err, stdout, stderr)
}

func (w *walk) parse(args []string) error {
	var file string
	flags := flag.NewFlagSet("ovenward survey", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&w.order.Oven, "oven", "", "")
	flags.Func("place", "", func(line string) error {
		w.order.Places = append(w.order.Places, line)
		return new(survey.Door).SetPlaces(w.order.Places)
	})
	flags.StringVar(&w.order.Post, "post", "", "")
	flags.StringVar(&w.order.Procedure, "procedure", "", "")
	flags.BoolVar(&w.order.Pull, "pull", false, "")
	flags.BoolVar(&w.order.Trained, "trained", false, "")
	flags.StringVar(&w.daemon.url, "url", "http://"+defaultListen, "")
	flags.StringVar(&w.order.Who, "who", "", "")
	flags.StringVar(&w.daemon.user, "user", "", "")
	flags.StringVar(&file, "password-file", "", "")
	if err := parseSome(flags, args); err != nil {
		return err
	}
	w.order.Who = cmp.Or(w.order.Who, w.daemon.user)
	switch {
	case flags.NArg() > 0:
		return fmt.Errorf("%q is not expected here; see ovenward survey --help", flags.Arg(0))
	case w.order.Oven == "":
		return errors.New("name the oven: ovenward survey --oven=ID --who=NAME")
	case w.order.Who == "":
		return errors.New("say who makes the survey: --who=NAME, or --user=NAME with --password-file=FILE where the daemon has users")
	}
	if file != "" {
		secret, err := os.ReadFile(file)
		if err != nil {
			return fmt.Errorf("read the password: %w", err)
		}
		w.daemon.password = strings.TrimRight(string(secret), "\r\n")
	}
	return nil
}

// run takes up the oven's survey, or begins one, and follows it until it ends or
// the person leaves.
func (w *walk) run(ctx context.Context) error {
	if err := w.begin(ctx); err != nil {
		return err
	}
	lines := make(chan string)
	gone := make(chan struct{})
	defer close(gone)
	go func() { // ends with the input, or with the next line after the survey: nothing can end a read of a terminal
		defer close(lines)
		for s := bufio.NewScanner(w.in); s.Scan(); {
			select {
			case lines <- s.Text():
			case <-gone:
				return
			}
		}
	}()
	look := time.NewTicker(w.every)
	defer look.Stop()
	shown, lost := "", false
	for {
		var a survey.View
		ended, err := w.look(ctx, &a)
		switch {
		case err != nil && !lost:
			fmt.Fprintf(w.out, "\nnot connected: %v; the survey goes on at the daemon, and is looked for again\n", err)
			shown, lost = "", true
		case err == nil:
			lost = false
			if ended {
				return w.found(ctx)
			}
			shown = w.show(a, shown)
		}
		select {
		case <-ctx.Done():
			return nil
		case line, ok := <-lines:
			if !ok || strings.TrimSpace(line) == "q" {
				fmt.Fprintf(w.out, "\nleft: survey %s goes on at the daemon; the same command takes it up again\n", w.id)
				return nil
			}
			if err := w.say(ctx, line); err != nil {
				fmt.Fprintf(w.out, "\nnot done: %v\n", err)
			}
			shown = ""
		case <-look.C:
		}
	}
}

func (w *walk) begin(ctx context.Context) error {
	var all struct {
		Surveys []store.SurveyRow `json:"surveys"`
	}
	if err := w.daemon.call(ctx, http.MethodGet, "/api/v1/surveys", nil, &all); err != nil {
		return err
	}
	for _, s := range all.Surveys {
		if s.Oven == w.order.Oven && s.Ended.IsZero() {
			w.id = s.ID
			fmt.Fprintf(w.out, "survey %s of %s is taken up again\n", s.ID, s.Begun.UTC().Format(time.RFC3339))
			return nil
		}
	}
	var begun struct {
		ID string `json:"id"`
	}
	if err := w.daemon.call(ctx, http.MethodPost, "/api/v1/surveys/begin", w.order, &begun); err != nil {
		return err
	}
	w.id = begun.ID
	fmt.Fprintf(w.out, "survey %s begins\n", w.id)
	for _, c := range survey.Cautions() {
		fmt.Fprintf(w.out, "  %s\n", c)
	}
	return nil
}

func (w *walk) path() string { return "/api/v1/surveys/" + url.PathEscape(w.id) }

// look asks how the survey stands.
func (w *walk) look(ctx context.Context, v *survey.View) (ended bool, err error) {
	var got struct {
		View *survey.View `json:"view"`
	}
	if err := w.daemon.call(ctx, http.MethodGet, w.path(), nil, &got); err != nil {
		return false, err
	}
	if got.View == nil || got.View.Phase == survey.Ended {
		return true, nil
	}
	*v = *got.View
	return false, nil
}

// keysFor says what may be typed now.
func keysFor(v survey.View) string {
	all := ""
	for _, k := range v.Can {
		key := map[survey.Kind]string{survey.WentOn: "Enter: next", survey.WentBack: "b: back", survey.Redone: "r: redo", survey.StageEnded: "s: the oven was stopped",
			survey.Watered: "w 275 20: 275 mL at 20 °C, and the oven runs", survey.TookTemperature: "t 38: it has 38 °C", survey.Checked: "c battery good TEXT"}[k]
		if k == survey.WentOn && v.Turn {
			key += ", turned: next, and it was turned"
		}
		if key != "" {
			all += key + " · "
		}
	}
	return all + "n TEXT: a note · q: leave"
}

// Lines of a terminal: the values' is written over where it stands, above what is
// typed, and is cut where the screen ends.
const (
	above, backDown = "\x1b7\x1b[1A\r", "\x1b8"
	cut, uncut      = "\x1b[?7l", "\x1b[K\x1b[?7h"
)

// show prints where the survey is when that changes, and one line of values that
// is written over.
func (w *walk) show(v survey.View, shown string) string {
	key := fmt.Sprint(v.Steps, v.Warn)
	if key != shown {
		fmt.Fprintf(w.out, "\n\n")
		for _, t := range v.Warn {
			fmt.Fprintf(w.out, "!! %s\n", t)
		}
		if v.Said != "" {
			fmt.Fprintf(w.out, "%s\n", v.Said)
		}
		fmt.Fprintf(w.out, "%s\n", v.Title)
		for _, t := range v.Do {
			fmt.Fprintf(w.out, "  %s\n", t)
		}
		if v.Rated != "" {
			fmt.Fprintf(w.out, "  %s\n", v.Rated)
		}
		fmt.Fprintf(w.out, "  (%s)\n", keysFor(v))
	}
	line := v.Value // what matters most is first, for the end may be cut
	add := func(text string) {
		if text != "" {
			line += " · " + text
		}
	}
	add(v.Ratio)
	if v.LeftS != nil {
		add(fmt.Sprintf("%.0f s left", *v.LeftS))
	}
	if v.Phase == survey.Sweeping && v.Mark != nil {
		add(fmt.Sprintf("mark at %.0f, %.0f mm", 1000*float64(v.Mark.X), 1000*float64(v.Mark.Y)))
	}
	add(v.Settled)
	add(v.Best)
	add(v.Off)
	line = cut + line + uncut
	if key == shown {
		fmt.Fprint(w.out, above, line, backDown)
	} else {
		fmt.Fprintf(w.out, "%s\n> ", line)
	}
	return key
}

// say sends what a line asks for.
func (w *walk) say(ctx context.Context, line string) error {
	a, err := actOfLine(line)
	if err != nil {
		return err
	}
	a.Who = w.order.Who
	return w.daemon.call(ctx, http.MethodPost, w.path()+"/"+strings.ReplaceAll(string(a.Kind), " ", "_"), a, nil)
}

// actOfLine reads one line of the terminal.
func actOfLine(line string) (a survey.Act, err error) {
	words := strings.Fields(line)
	if len(words) == 0 {
		return survey.Act{Kind: survey.WentOn}, nil
	}
	rest := strings.TrimSpace(strings.TrimPrefix(strings.TrimSpace(line), words[0]))
	number := func(i int) *float64 {
		if i >= len(words) {
			err = fmt.Errorf("%q lacks a number; see ovenward survey --help", line)
			return nil
		}
		x, bad := strconv.ParseFloat(strings.ReplaceAll(words[i], ",", "."), 64)
		if bad != nil {
			err = fmt.Errorf("%q is no number", words[i])
		}
		return &x
	}
	switch words[0] {
	case "turned":
		a = survey.Act{Kind: survey.WentOn, Turned: true}
	case "b":
		a.Kind = survey.WentBack
	case "r":
		a.Kind = survey.Redone
	case "s":
		a.Kind = survey.StageEnded
	case "n":
		a = survey.Act{Kind: survey.Noted, Text: rest}
	case "abandon":
		a = survey.Act{Kind: survey.GaveUp, Text: rest}
	case "w":
		a = survey.Act{Kind: survey.Watered, Volume: number(1), Celsius: number(2)}
	case "t":
		a = survey.Act{Kind: survey.TookTemperature, Celsius: number(1)}
	case "c":
		if len(words) < 4 {
			return a, errors.New("write for example: c battery good fresh cells")
		}
		a = survey.Act{Kind: survey.Checked, Check: &survey.Check{Name: words[1], Outcome: words[2], Text: strings.Join(words[3:], " ")}}
	default:
		return a, fmt.Errorf("%q is not known; see ovenward survey --help", words[0])
	}
	return a, err
}

// heldWords is the value of a place, and nothing finer than the probe's floor.
func heldWords(r *survey.Result, p survey.Place) string {
	switch {
	case p.OverRange:
		return "over range"
	case p.Value == nil:
		return "no value"
	case len(r.Instruments) > 0 && survey.UnderFloor(*p.Value, r.Instruments[0].Floor):
		return "< " + mw(float64(r.Instruments[0].Floor))
	case p.U != nil:
		return mw(*p.Value) + " ± " + mw(*p.U)
	}
	return mw(*p.Value)
}

// found prints what came of the survey.
func (w *walk) found(ctx context.Context) error {
	var got struct {
		Result survey.Result `json:"result"`
	}
	if err := w.daemon.call(ctx, http.MethodGet, w.path(), nil, &got); err != nil {
		return err
	}
	r := got.Result
	fmt.Fprintf(w.out, "\n\nsurvey %s of oven %s: %s, %s\n", r.ID, r.Oven.ID, r.State, r.Verdict.Outcome)
	if r.Verdict.Outcome == "exceeds" {
		for _, c := range survey.ExceedsCautions() {
			fmt.Fprintf(w.out, "!! %s\n", c)
		}
	}
	for _, p := range r.Places {
		fmt.Fprintf(w.out, "  %2d  %s, cell %d, %s: %s, %s\n", p.N, p.Sweep, p.Cell, heldWords(&r, p), p.Verdict.Outcome, strings.Join(p.Verdict.Reasons, "; "))
	}
	for _, t := range append(append([]string{}, r.Verdict.Reasons...), r.Next...) {
		fmt.Fprintf(w.out, "  %s\n", t)
	}
	if r.Comparison != nil {
		fmt.Fprintf(w.out, "  compared with %s: %s\n", r.Comparison.ID, r.Comparison.Text)
	}
	_, err := fmt.Fprintln(w.out, caution)
	return err
}
