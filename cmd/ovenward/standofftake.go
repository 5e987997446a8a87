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

	"ovenward/acquire"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
	"ovenward/acquire/survey/guide"
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
	at, err := m.places()
	if err != nil {
		return err
	}
	away, err := m.ready(file)
	if err != nil {
		return err
	}
	taken, err := m.take(file, at)
	if taken > 0 || !away { // else somebody else took it away, as for a survey
		m.back()
	}
	switch {
	case taken == 0 && err != nil:
		return fmt.Errorf("%w; no mark was taken, and %s was not written", err, file)
	case taken == 0:
		return fmt.Errorf("no mark was taken, and %s was not written", file)
	case err != nil:
		return fmt.Errorf("%w; %s holds the marks before", err, file)
	}
	return nil
}

// places reads at what distances the probe is to be held, and refuses those of which
// no fit can come.
func (m *markTaker) places() (at []string, err error) {
	var distances []quantity.Length
	o := guide.MarkOrder{Who: m.who, Distance: 1}
	for _, word := range strings.Fields(strings.ReplaceAll(m.marks, ",", " ")) {
		if word != "off" {
			d, err := quantity.ParseLength(word + " cm")
			if err == nil && !(d > 0) {
				err = fmt.Errorf("%q is not above zero", word)
			}
			if err != nil {
				return nil, fmt.Errorf(`--marks: %w; write distances in cm, and "off" for a hold with the oven off`, err)
			}
			distances = append(distances, d)
		}
		at = append(at, word)
	}
	if lacking := survey.Lacking(distances); len(lacking) > 0 {
		return nil, fmt.Errorf("--marks: %s", strings.Join(lacking, "; "))
	}
	if m.turn != "" {
		if o.Turn, err = quantity.ParseDuration(m.turn); err == nil {
			err = o.Check()
		}
		if err != nil {
			return nil, fmt.Errorf("--turn: %w", err)
		}
	}
	return at, nil
}

// ready looks whether the daemon has such a post, its probe answers, and the file can
// be written; away: the probe is away from the post already.
func (m *markTaker) ready(file string) (away bool, err error) {
	st, all, err := m.look()
	switch {
	case err != nil:
		return false, err
	case st == nil:
		return false, fmt.Errorf("--take: there is no post %q: write one of %s", m.post, strings.Join(all, ", "))
	case st.Condition == string(acquire.SilentNow) || st.Condition == string(acquire.StaleNow):
		return false, fmt.Errorf("--take: post %s is %s: %s", m.post, st.Condition, st.Detail)
	}
	f, err := create(file)
	if err != nil {
		return false, err
	}
	return st.Condition == string(acquire.AwayNow), errors.Join(f.Close(), os.Remove(file))
}

func create(file string) (*os.File, error) {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, fmt.Errorf("writing the marks: %w; name a file that does not exist yet", err)
	}
	return f, nil
}

type postShown struct {
	ID        string `json:"id"`
	Condition string `json:"condition"`
	Detail    string `json:"detail"`
}

// look asks how the post stands; nil is none, and all are those that there are.
func (m *markTaker) look() (post *postShown, all []string, err error) {
	var got struct {
		Posts []postShown `json:"posts"`
	}
	err = m.daemon.call(context.Background(), http.MethodGet, "/api/v1/posts", nil, &got)
	for i, p := range got.Posts {
		if all = append(all, p.ID); p.ID == m.post {
			post = &got.Posts[i]
		}
	}
	return post, all, err
}

// take takes the marks one by one; each is on the disk before the next. The file is
// made with the first. What was not taken is asked for again.
func (m *markTaker) take(file string, at []string) (taken int, err error) {
	for _, c := range survey.Cautions() {
		fmt.Fprintf(m.out, "  %s\n", c)
	}
	fmt.Fprintf(m.out, "%s\nDistances are from the oven's outer surface to the probe's sensing centre.\n", lineCaution)
	var f *os.File
	defer func() {
		if f != nil {
			err = errors.Join(err, f.Close())
		}
	}()
	lines := bufio.NewScanner(m.in)
	for i := 0; i < len(at); {
		where := at[i] + " cm"
		if at[i] == "off" {
			where = at[i]
			fmt.Fprint(m.out, "Oven off: hold the probe at the nearest mark, and press Enter; s leaves this mark out. ")
		} else {
			fmt.Fprintf(m.out, "Oven on: hold the probe at %s, and press Enter; s leaves this mark out. ", where)
		}
		if !lines.Scan() {
			return taken, errors.New("the walk ended before its last mark")
		}
		if strings.TrimSpace(lines.Text()) == "s" {
			i++
			continue
		}
		got, err := m.mark(where)
		if err != nil {
			fmt.Fprintf(m.out, "not taken: %v\n", err)
			continue
		}
		fmt.Fprintln(m.out, got.words())
		unit, text := quantity.MilliwattPerSquareCentimetre(), ""
		if f == nil {
			if f, err = create(file); err != nil {
				return taken, err
			}
			if got.Floor > 0 {
				text = fmt.Sprintf("floor,%.6g mW/cm2\n", unit.FromSI(got.Floor))
			}
			text += "distance (cm),value (mW/cm2),standard uncertainty (mW/cm2)\n"
		}
		text += fmt.Sprintf("%s,%.6g,%.6g\n", at[i], unit.FromSI(got.Value), unit.FromSI(got.U))
		if _, err := f.WriteString(text); err != nil {
			return taken, fmt.Errorf("writing the marks: %w", err)
		}
		if err := f.Sync(); err != nil {
			return taken, fmt.Errorf("writing the marks: %w", err)
		}
		taken++
		i++
	}
	return taken, nil
}

// markTaken is what the daemon says of a mark.
type markTaken struct {
	Value float64 `json:"value_w_per_m2"`
	U     float64 `json:"standard_uncertainty_w_per_m2"`
	Floor float64 `json:"floor_w_per_m2"`
}

// words tell a mark, and nothing finer than the probe's floor; the file has its digits.
func (t markTaken) words() string {
	if survey.UnderFloor(t.Value, quantity.PowerDensity(t.Floor)) {
		return "< " + mw(t.Floor) + ", under the probe's floor"
	}
	return mw(t.Value) + ", standard uncertainty " + mw(t.U)
}

func (m *markTaker) mark(where string) (got markTaken, err error) {
	said := map[string]string{"who": m.who, "distance": where, "turn": m.turn}
	err = m.daemon.callWithin(context.Background(), longestMark, http.MethodPost, "/api/v1/posts/"+url.PathEscape(m.post)+"/mark", said, &got)
	return got, err
}

// back says that the probe is at its post again, where it was taken away for a mark.
func (m *markTaker) back() {
	st, _, err := m.look()
	if err == nil && (st == nil || st.Condition != string(acquire.AwayNow)) {
		return
	}
	if err == nil {
		err = m.daemon.call(context.Background(), http.MethodPost, "/api/v1/posts/"+url.PathEscape(m.post)+"/back", map[string]string{"who": m.who}, nil)
	}
	if err != nil {
		fmt.Fprintf(m.out, "the post could not be told that its probe is back (%v): ovenward alarm back %s\n", err, m.post)
	}
}
