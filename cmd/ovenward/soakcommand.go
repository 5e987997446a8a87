package main

import (
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

	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
)

const soakHelp = `usage: ovenward soak status [ID] [FLAGS]
       ovenward soak plan ID --post=POST --procedure=TEXT --source=TEXT --operations=N [FLAGS]
       ovenward soak start|resume|finish ID [FLAGS]
       ovenward soak pause|abort|note ID --why=TEXT [FLAGS]
       ovenward soak stop ID [--why=TEXT] [FLAGS]     finishes, or aborts what is not complete
       ovenward soak count ID --operations=N [--from=operator|input|import] [--why=TEXT] [FLAGS]
       ovenward soak checkpoint ID --at=N --survey=SURVEY | --outcome=within|exceeds|"not decided"
       ovenward soak report ID -o FILE.pdf|.html|.csv|.json --storage.path=FOLDER [FLAGS]

A soak test is a long planned one: an oven or door that is worked many thousands of
times beside a probe that watches. Asks the running daemon. start with --post plans first.
  --lasting="500 h"     active time planned, beside or instead of operations
  --checkpoints=N,N,…   after so many operations (or hours) a survey is asked for
  --contact=ID          a [[contact]] of the configuration that counts operations
  --limit=ID            of acceptance, one of the post's (default: its first)
  --conditions=TEXT --title=TEXT    line voltage, load, ambient temperature …; a name
  --stop-exceedances=N --stop-over-range --stop-blind="10 min" --stop-overdue=N
                        what ends the test before its end
  --per=run|hour|day --from=INSTANT --to=INSTANT    of a report: what its statistics are apart
                        for, since when, and by when all of it is
  --url=URL --who=NAME --user=NAME --password-file=FILE    as in ovenward alarm --help
`

// soakOrder is what the command line of ovenward soak says.
type soakOrder struct {
	daemon   alarmAct
	verb, id string
	plan     map[string]*string // texts, as the daemon takes them
	from     string
	at       int64
	outcome  string
	survey   string
}

func soakCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	if len(args) > 1 && args[0] == "report" && !strings.HasPrefix(args[1], "-") {
		return reportCommand(ctx, append([]string{"soak", "--id=" + args[1]}, args[2:]...), stdout, stderr)
	}
	o, err := parseSoak(args)
	if err == nil {
		err = o.run(ctx, stdout)
	}
	return ended("soak", soakHelp, err, stdout, stderr)
}

func parseSoak(args []string) (o soakOrder, err error) {
	var file string
	flags := flag.NewFlagSet("ovenward soak", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&o.daemon.url, "url", "http://"+defaultListen, "")
	flags.StringVar(&o.daemon.who, "who", "", "")
	flags.StringVar(&o.daemon.user, "user", "", "")
	flags.StringVar(&o.daemon.why, "why", "", "")
	flags.StringVar(&file, "password-file", "", "")
	o.plan = map[string]*string{}
	for _, name := range []string{"title", "post", "oven", "procedure", "source", "conditions", "limit", "contact", "lasting", "checkpoints", "operations",
		"stop-exceedances", "stop-blind", "stop-overdue"} {
		o.plan[strings.ReplaceAll(name, "-", "_")] = flags.String(name, "", "")
	}
	over := flags.Bool("stop-over-range", false, "")
	flags.StringVar(&o.from, "from", string(soak.FromOperator), "")
	flags.Int64Var(&o.at, "at", 0, "")
	flags.StringVar(&o.outcome, "outcome", "", "")
	flags.StringVar(&o.survey, "survey", "", "")
	var words []string
	for len(args) > 0 {
		if err := parseSome(flags, args); err != nil {
			return o, err
		}
		if args = flags.Args(); len(args) > 0 {
			words, args = append(words, args[0]), args[1:]
		}
	}
	if len(words) == 0 || len(words) > 2 || len(words) == 1 && words[0] != "status" {
		return o, errors.New("say what to do and to which test, for example ovenward soak status door-7; see ovenward soak --help")
	}
	if o.verb = words[0]; len(words) == 2 {
		o.id = words[1]
	}
	if *over {
		yes := "yes"
		o.plan["stop_over_range"] = &yes
	}
	if file != "" {
		secret, err := os.ReadFile(file)
		if err != nil {
			return o, fmt.Errorf("read the password: %w", err)
		}
		o.daemon.password = strings.TrimRight(string(secret), "\r\n")
	}
	return o, nil
}

// texts is the plan as the daemon takes it.
func (o soakOrder) texts() map[string]string {
	t := map[string]string{"id": o.id}
	for name, text := range o.plan {
		if *text != "" {
			t[name] = *text
		}
	}
	return t
}

// soakShown is a test as the daemon tells of it.
type soakShown struct {
	soak.Life
	Active   float64 `json:"active_s"`
	Share    float64 `json:"share"`
	Expected string  `json:"expected_end"`
	Why      string  `json:"expected_end_unknown"`
	Due      *int64  `json:"checkpoint_due"`
	Log      []soak.Mark

	runs string // seen from the field, in words; empty: not asked for
}

func (o soakOrder) run(ctx context.Context, out io.Writer) error {
	path := "/api/v1/soaks"
	if o.verb == "status" {
		return o.status(ctx, path, out)
	}
	verbs := map[string]string{"plan": "", "start": "start", "pause": "pause", "resume": "resume", "abort": "abort", "finish": "finish",
		"note": "note", "count": "operations", "checkpoint": "checkpoint", "stop": "finish"}
	act, known := verbs[o.verb]
	if !known {
		return fmt.Errorf("there is no %q; see ovenward soak --help", o.verb)
	}
	who := cmp.Or(o.daemon.who, o.daemon.user)
	if who == "" {
		return errors.New("say who does it: --who=NAME, or --user=NAME with --password-file=FILE where the daemon has users")
	}
	if o.verb == "stop" {
		var now soakShown
		if err := o.daemon.call(ctx, http.MethodGet, path+"/"+url.PathEscape(o.id), nil, &now); err != nil {
			return err
		}
		if now.Share < 1 || now.Due != nil {
			if act = "abort"; o.daemon.why == "" {
				return errors.New("not all that was planned is done, so stopping it aborts the test: say why with --why=TEXT")
			}
		}
	}
	if o.verb == "plan" || o.verb == "start" && *o.plan["post"] != "" {
		planned := o.texts()
		planned["who"] = who
		if err := o.daemon.call(ctx, http.MethodPost, path, planned, nil); err != nil {
			return err
		}
	}
	if act != "" {
		said := map[string]string{"who": who}
		if o.daemon.why != "" {
			said["why"] = o.daemon.why
		}
		switch o.verb {
		case "count":
			said["operations"], said["from"] = *o.plan["operations"], o.from
		case "checkpoint":
			said["checkpoint"], said["outcome"], said["survey"] = strconv.FormatInt(o.at, 10), o.outcome, o.survey
		}
		if err := o.daemon.call(ctx, http.MethodPost, path+"/"+url.PathEscape(o.id)+"/"+act, said, nil); err != nil {
			return err
		}
	}
	return o.status(ctx, path, out)
}

// status prints one test, or all.
func (o soakOrder) status(ctx context.Context, path string, out io.Writer) error {
	var all struct {
		Soaks []soakShown `json:"soaks"`
	}
	if o.id != "" {
		all.Soaks = make([]soakShown, 1)
		if err := o.daemon.call(ctx, http.MethodGet, path+"/"+url.PathEscape(o.id), nil, &all.Soaks[0]); err != nil {
			return err
		}
		all.Soaks[0].runs = o.runs(ctx, path)
	} else if err := o.daemon.call(ctx, http.MethodGet, path, nil, &all); err != nil {
		return err
	}
	var b strings.Builder
	if len(all.Soaks) == 0 {
		b.WriteString("No soak test is planned.\n")
	}
	for _, s := range all.Soaks {
		s.print(&b)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// runs asks what a test has come to by the field, which is counted apart from operations.
// What the daemon cannot tell of it is no trouble of the test's.
func (o soakOrder) runs(ctx context.Context, path string) string {
	var came struct {
		Outcome string `json:"outcome"`
		Whole   struct {
			Runs int `json:"runs"`
		} `json:"whole"`
	}
	if err := o.daemon.call(ctx, http.MethodGet, path+"/"+url.PathEscape(o.id)+"/result", nil, &came); err != nil {
		return "runs seen from the field: not known: " + err.Error()
	}
	return fmt.Sprintf("runs seen from the field to their end: %d; the test so far: %s", came.Whole.Runs, came.Outcome)
}

func (s soakShown) print(b *strings.Builder) {
	p := s.Plan
	fmt.Fprintf(b, "%s: %s, oven %s at post %s\n  %s (%s), limit %s\n", p.ID, s.State, p.Oven, p.Post, p.Procedure, p.Source, p.LimitID)
	fmt.Fprintf(b, "  %d", s.Operations)
	if p.Operations > 0 {
		fmt.Fprintf(b, " of %d", p.Operations)
	}
	fmt.Fprintf(b, " operations, active for %s", quantity.Roughly(time.Duration(s.Active*float64(time.Second)).Round(time.Second)))
	if p.Lasting > 0 {
		fmt.Fprintf(b, " of %s", quantity.FormatDuration(p.Lasting))
	}
	fmt.Fprintf(b, ": %.1f %%\n", 100*s.Share)
	if s.runs != "" {
		fmt.Fprintf(b, "  %s\n", s.runs)
	}
	switch {
	case s.Expected != "":
		fmt.Fprintf(b, "  expected to end %s, if it goes on so\n", s.Expected)
	case s.State == soak.Running:
		fmt.Fprintf(b, "  when it ends is not known: %s\n", s.Why)
	}
	if s.Due != nil {
		fmt.Fprintf(b, "  the checkpoint at %d is due: make a survey, and enter it with ovenward soak checkpoint\n", *s.Due)
	}
	for _, c := range s.Passed {
		fmt.Fprintf(b, "  checkpoint at %d: %s, %s\n", c.Checkpoint, c.Outcome, c.At.UTC().Format(time.RFC3339))
	}
	for _, m := range s.Log {
		fmt.Fprintf(b, "  %s %s by %s", m.At.UTC().Format(time.RFC3339), m.Kind, m.Who)
		if said := m.Detail(); said != "" {
			fmt.Fprintf(b, ": %s", said)
		}
		b.WriteString("\n")
	}
}
