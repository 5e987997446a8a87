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
	"strings"
	"time"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// markTaker takes the marks of a walk back on the running daemon and writes them
// as the file that a walk back is read from.
type markTaker struct {
	post, who, marks, turn, passwordFile string
	daemon                               alarmAct
	in                                   io.Reader
	out                                  io.Writer
}

func (m *markTaker) flags(f *flag.FlagSet) {
	f.StringVar(&m.post, "take", "", "")
	f.StringVar(&m.who, "who", "", "")
	f.StringVar(&m.marks, "marks", "off 5 10 20 40 80", "")
	f.StringVar(&m.turn, "turn", "", "")
	f.StringVar(&m.daemon.url, "url", "http://"+defaultListen, "")
	f.StringVar(&m.daemon.user, "user", "", "")
	f.StringVar(&m.passwordFile, "password-file", "", "")
}

// longestMark bounds one mark: two turns of the slowest stirrer, and the probe's
// settling.
const longestMark = 3 * time.Minute

func (m *markTaker) run(file string) error {
	m.who = cmp.Or(m.who, m.daemon.user)
	if m.who == "" {
		return errors.New("say who takes the marks: --who=NAME, or --user=NAME with --password-file=FILE where the daemon has users")
	}
	if m.passwordFile != "" {
		secret, err := os.ReadFile(m.passwordFile)
		if err != nil {
			return fmt.Errorf("read the password: %w", err)
		}
		m.daemon.password = strings.TrimRight(string(secret), "\r\n")
	}
	var at []string
	for _, word := range strings.Fields(strings.ReplaceAll(m.marks, ",", " ")) {
		if word != "off" {
			if _, err := quantity.ParseLength(word + " cm"); err != nil {
				return fmt.Errorf(`--marks: %w; write distances in cm, and "off" for a hold with the oven off`, err)
			}
		}
		at = append(at, word)
	}
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("writing the marks: %w; name a file that does not exist yet", err)
	}
	if _, err = fmt.Fprintln(f, "distance (cm),value (mW/cm2),standard uncertainty (mW/cm2)"); err == nil {
		err = m.take(f, at)
	}
	m.back()
	return errors.Join(err, f.Close())
}

// take takes the marks one by one; each is on the disk before the next.
func (m *markTaker) take(f *os.File, at []string) error {
	for _, c := range survey.Cautions() {
		fmt.Fprintf(m.out, "  %s\n", c)
	}
	fmt.Fprintf(m.out, "%s\nDistances are from the oven's outer surface to the probe's sensing centre.\n", lineCaution)
	lines := bufio.NewScanner(m.in)
	for _, word := range at {
		where := word + " cm"
		if word == "off" {
			where = word
			fmt.Fprint(m.out, "Oven off: hold the probe at the nearest mark, and press Enter. ")
		} else {
			fmt.Fprintf(m.out, "Oven on: hold the probe at %s, and press Enter; s leaves this mark out. ", where)
		}
		if !lines.Scan() {
			return errors.New("the walk ended before its last mark; the file holds those before")
		}
		if strings.TrimSpace(lines.Text()) == "s" {
			continue
		}
		value, u, err := m.mark(where)
		if err != nil {
			fmt.Fprintf(m.out, "not taken: %v\n", err)
			continue
		}
		fmt.Fprintf(m.out, "%s, standard uncertainty %s\n", mw(value), mw(u))
		unit := quantity.MilliwattPerSquareCentimetre()
		if _, err := fmt.Fprintf(f, "%s,%.6g,%.6g\n", word, unit.FromSI(value), unit.FromSI(u)); err != nil {
			return fmt.Errorf("writing the marks: %w", err)
		}
		if err := f.Sync(); err != nil {
			return fmt.Errorf("writing the marks: %w", err)
		}
	}
	return nil
}

func (m *markTaker) mark(where string) (value, u float64, err error) {
	var got struct {
		Value float64 `json:"value_w_per_m2"`
		U     float64 `json:"standard_uncertainty_w_per_m2"`
	}
	said := map[string]string{"who": m.who, "distance": where, "turn": m.turn}
	err = m.daemon.callWithin(context.Background(), longestMark, http.MethodPost, "/api/v1/posts/"+url.PathEscape(m.post)+"/mark", said, &got)
	return got.Value, got.U, err
}

// back says that the probe is at its post again.
func (m *markTaker) back() {
	err := m.daemon.call(context.Background(), http.MethodPost, "/api/v1/posts/"+url.PathEscape(m.post)+"/back", map[string]string{"who": m.who}, nil)
	if err != nil {
		fmt.Fprintf(m.out, "the post could not be told that its probe is back (%v): ovenward alarm back %s\n", err, m.post)
	}
}
