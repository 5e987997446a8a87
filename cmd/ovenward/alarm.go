package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/alarm"
)

const alarmHelp = `usage: ovenward alarm list|summary [FLAGS]
       ovenward alarm acknowledge|unshelve|put-back ID [--why=TEXT] [FLAGS]
       ovenward alarm shelve ID --for="2 h" --why=TEXT [FLAGS]
       ovenward alarm comment|take-out ID --why=TEXT [FLAGS]
       ovenward alarm reset ID --remedy=TEXT [FLAGS]
       ovenward alarm away|test POST --for="1 h" [--why=TEXT] [FLAGS]
       ovenward alarm back|checked POST [FLAGS]
       ovenward alarm runs POST --for="10 min" [FLAGS]
       ovenward alarm withdraw|return OVEN --why=TEXT [FLAGS]

Asks the running daemon, and has it do what a person wants done. ID is that of the
list, or POST.RULE; the station's own alarms are station.RULE. Exceedances and
posts that do not see are shelved for 8 h at most.

  --url=URL             of the daemon (default http://127.0.0.1:24500)
  --who=NAME            who does it, where the daemon has no users
  --user=NAME           a user of the daemon's web configuration
  --password-file=FILE  that user's password
  --days=N              that a summary covers (default 7)
`

// alarmAct is what the command line of ovenward alarm says.
type alarmAct struct {
	verb, of                   string
	url, who, user, password   string
	why, remedy, lasting, days string
}

// paths says where each verb is sent: before and after what it is done to.
func paths() map[string][2]string {
	to := func(kind, act string) [2]string { return [2]string{"/api/v1/" + kind + "/", "/" + act} }
	return map[string][2]string{
		"acknowledge": to("alarms", "acknowledge"), "shelve": to("alarms", "shelve"), "unshelve": to("alarms", "unshelve"),
		"reset": to("alarms", "reset"), "comment": to("alarms", "comment"), "take-out": to("alarms", "take-out"), "put-back": to("alarms", "put-back"),
		"away": to("posts", "away"), "test": to("posts", "test"), "back": to("posts", "back"), "checked": to("posts", "checked"), "runs": to("posts", "runs"),
		"withdraw": to("ovens", "withdraw"), "return": to("ovens", "return"),
	}
}

func alarmCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	a, err := parseAlarm(args)
	if err == nil {
		err = a.run(ctx, stdout)
	}
	return ended("alarm", alarmHelp, err, stdout, stderr)
}

func parseAlarm(args []string) (a alarmAct, err error) {
	var file string
	flags := flag.NewFlagSet("ovenward alarm", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.Usage = func() {}
	flags.StringVar(&a.url, "url", "http://"+defaultListen, "")
	flags.StringVar(&a.who, "who", "", "")
	flags.StringVar(&a.user, "user", "", "")
	flags.StringVar(&file, "password-file", "", "")
	flags.StringVar(&a.why, "why", "", "")
	flags.StringVar(&a.remedy, "remedy", "", "")
	flags.StringVar(&a.lasting, "for", "", "")
	flags.StringVar(&a.days, "days", "7", "")
	var words []string
	for len(args) > 0 {
		if err := parseSome(flags, args); err != nil {
			return a, err
		}
		if args = flags.Args(); len(args) > 0 {
			words, args = append(words, args[0]), args[1:]
		}
	}
	if len(words) == 0 {
		return a, errors.New("say what to do, for example ovenward alarm list; see ovenward alarm --help")
	}
	a.verb = words[0]
	_, acts := paths()[a.verb]
	switch {
	case !acts && a.verb != "list" && a.verb != "summary":
		return a, fmt.Errorf("there is no %q; see ovenward alarm --help", a.verb)
	case acts && len(words) != 2:
		return a, fmt.Errorf("%s needs one alarm, post or oven; ovenward alarm list tells them", a.verb)
	case !acts && len(words) > 1:
		return a, fmt.Errorf("%s takes nothing more than flags, not %q", a.verb, words[1])
	case acts:
		a.of = words[1]
		if lacks := a.lacks(); lacks != "" {
			return a, fmt.Errorf("%s needs %s; see ovenward alarm --help", a.verb, lacks)
		}
	}
	if file != "" {
		secret, err := os.ReadFile(file)
		if err != nil {
			return a, fmt.Errorf("read the password: %w", err)
		}
		a.password = strings.TrimRight(string(secret), "\r\n")
	}
	return a, nil
}

// lacks are the flags without which the daemon would refuse the act.
func (a alarmAct) lacks() string {
	var all []string
	lacking := func(value, flag string, verbs ...string) {
		if value == "" && slices.Contains(verbs, a.verb) {
			all = append(all, flag)
		}
	}
	lacking(a.lasting, `--for="2 h"`, "shelve", "away", "test", "runs")
	lacking(a.why, "--why=TEXT", "shelve", "comment", "take-out", "withdraw", "return")
	lacking(a.remedy, "--remedy=TEXT, which names the repair or the survey", "reset")
	return strings.Join(all, " and ")
}

// run asks the daemon.
func (a alarmAct) run(ctx context.Context, out io.Writer) error {
	switch a.verb {
	case "list":
		var all struct {
			Alarms []alarmShown `json:"alarms"`
		}
		if err := a.call(ctx, http.MethodGet, "/api/v1/alarms", nil, &all); err != nil {
			return err
		}
		return printAlarms(out, all.Alarms)
	case "summary":
		var s alarmSum
		if err := a.call(ctx, http.MethodGet, "/api/v1/alarms/summary?days="+url.QueryEscape(a.days), nil, &s); err != nil {
			return err
		}
		return printSummary(out, s)
	}
	if a.who == "" && a.user == "" {
		return errors.New("say who does it: --who=NAME, or --user=NAME with --password-file=FILE where the daemon has users")
	}
	path := paths()[a.verb]
	said := map[string]string{"who": cmp.Or(a.who, a.user), "why": a.why, "remedy": a.remedy, "for": a.lasting}
	if err := a.call(ctx, http.MethodPost, path[0]+url.PathEscape(a.of)+path[1], said, nil); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out, "done: %s %s\n", a.verb, a.of)
	return err
}

const (
	askWithin  = 10 * time.Second
	mostAnswer = 16 << 20 // bytes
)

// call makes one request and reads its answer.
func (a alarmAct) call(ctx context.Context, method, path string, body, into any) error {
	return a.callWithin(ctx, askWithin, method, path, body, into)
}

func (a alarmAct) callWithin(ctx context.Context, within time.Duration, method, path string, body, into any) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	var send io.Reader
	if body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return fmt.Errorf("write the request: %w", err)
		}
		send = bytes.NewReader(text)
	}
	if u, err := url.Parse(a.url); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return fmt.Errorf("--url=%s is no address: write it with its scheme, as http://%s", a.url, defaultListen)
	}
	r, err := http.NewRequestWithContext(ctx, method, strings.TrimSuffix(a.url, "/")+path, send)
	if err != nil {
		return fmt.Errorf("--url=%s: %w", a.url, err)
	}
	r.Header.Set("Content-Type", "application/json")
	if a.user != "" {
		r.SetBasicAuth(a.user, a.password)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return fmt.Errorf("asking the daemon: %w; is it running, and at --url=%s?", err, a.url)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, mostAnswer))
	if err != nil {
		return fmt.Errorf("reading the daemon's answer: %w", err)
	}
	if answer.StatusCode != http.StatusOK {
		var problem struct{ Detail string }
		if json.Unmarshal(text, &problem) != nil || problem.Detail == "" {
			problem.Detail = strings.TrimSpace(string(text))
		}
		return fmt.Errorf("%s: %s", answer.Status, problem.Detail)
	}
	if into == nil {
		return nil
	}
	if err := json.Unmarshal(text, into); err != nil {
		return fmt.Errorf("the daemon's answer is not understood: %w; is --url=%s an Ovenward of this version?", err, a.url)
	}
	return nil
}

// alarmShown is an alarm of the daemon's list.
type alarmShown struct {
	alarm.Alarm
	Priority string `json:"priority"`
	Standing bool   `json:"standing"`
}

// printAlarms prints what stands, waits or is set aside.
func printAlarms(w io.Writer, all []alarmShown) error {
	var b strings.Builder
	n := 0
	for _, a := range all {
		if !a.Standing && !a.State.Waits() && a.Aside == alarm.NotAside {
			continue
		}
		n++
		fmt.Fprintf(&b, "%s\n  %s, %s: %s since %s\n", cmp.Or(a.ID, cmp.Or(a.Post, "station")+"."+string(a.Rule)),
			a.Rule, a.Priority, a.State, a.Since.UTC().Format(time.RFC3339))
		if a.By != "" || a.Aside != alarm.NotAside {
			fmt.Fprintf(&b, "  %s by %s", cmp.Or(string(a.Aside), "announced"), cmp.Or(a.By, "the station"))
			if !a.Until.IsZero() {
				fmt.Fprintf(&b, " until %s", a.Until.UTC().Format(time.RFC3339))
			}
			fmt.Fprintf(&b, ": %s\n", cmp.Or(a.Why, "no reason given"))
		}
	}
	if n == 0 {
		b.WriteString("No alarm stands, waits to be acknowledged or is set aside. That says nothing of posts that were never watched.\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// alarmSum is the daemon's summary.
type alarmSum struct {
	alarm.Summary
	Day string `json:"per_day_is"`
	Ten string `json:"per_ten_minutes_is"`
	Of  string `json:"figures"`
}

// timesWords says how often an alarm was raised in the span.
func timesWords(n int) string {
	switch n {
	case 0:
		return "raised before that"
	case 1:
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

func printSummary(w io.Writer, s alarmSum) error {
	var b strings.Builder
	raised := "1 alarm"
	if s.Raised != 1 {
		raised = fmt.Sprintf("%d alarms", s.Raised)
	}
	fmt.Fprintf(&b, "%s from %s to %s\n", raised, s.From.UTC().Format(time.RFC3339), s.To.UTC().Format(time.RFC3339))
	fmt.Fprintf(&b, "%.3g a day: %s\n%.3g in ten minutes: %s; at most %d, and %d times above %d\n", s.PerDay, s.Day, s.PerTen, s.Ten,
		s.MostInTen, s.Floods, alarm.FloodInTen)
	for _, part := range []struct {
		title string
		all   []alarm.Tally
	}{{"most frequent", s.Frequent}, {"longest standing", s.Longest}, {"chattering", s.Chattering}, {"stale", s.Stale}, {"set aside", s.SetAside}} {
		fmt.Fprintf(&b, "\n%s:\n", part.title)
		for _, t := range part.all {
			fmt.Fprintf(&b, "  %s at %s, %s", t.Rule, cmp.Or(t.Post, "the station"), timesWords(t.Times))
			if !t.Since.IsZero() {
				fmt.Fprintf(&b, ", %s since %s", t.State, t.Since.UTC().Format(time.RFC3339))
			}
			b.WriteString("\n")
		}
		if len(part.all) == 0 {
			b.WriteString("  none\n")
		}
	}
	fmt.Fprintf(&b, "\n%s\n", s.Of)
	_, err := io.WriteString(w, b.String())
	return err
}
