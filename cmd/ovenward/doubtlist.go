package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"
	"text/tabwriter"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// statements are the kinds of events by which a verdict is told beside alarms: a
// survey, a report, an earlier check.
func statements() []acquire.Kind { return []acquire.Kind{"survey", "report", "check"} }

// doubted is one verdict of the record that is in doubt.
type doubted struct {
	Event     int64     `json:"event"`
	At        time.Time `json:"at"`
	Post      string    `json:"post"`
	What      string    `json:"what"`
	Outcome   string    `json:"outcome,omitempty"`
	LimitID   string    `json:"limit_id,omitempty"`
	Limit     float64   `json:"limit_w_per_m2,omitempty"`
	Value     *float64  `json:"value_w_per_m2,omitempty"`          // as it was judged
	AsFound   *float64  `json:"value_as_found_w_per_m2,omitempty"` // by the factor as found
	Text      string    `json:"text"`
	Averaging float64   `json:"averaging_s,omitempty"`
}

// doubts is one finding with all that it puts in doubt.
type doubts struct {
	inDoubt
	Verdicts []doubted `json:"verdicts"`
}

// listDoubts prints what calibrations put in doubt in a record; of one post, if it is
// named.
func listDoubts(ctx context.Context, path, post, format string, w io.Writer) (err error) {
	record, err := store.OpenReadOnly(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, record.Close()) }()
	all, err := readDoubts(ctx, record, post)
	if err != nil {
		return err
	}
	if format == "json" {
		text, err := json.MarshalIndent(struct {
			Doubts []doubts `json:"doubts"`
		}{all}, "", "  ")
		if err == nil {
			_, err = fmt.Fprintf(w, "%s\n", text)
		}
		return err
	}
	return printDoubts(w, all)
}

func readDoubts(ctx context.Context, record *store.Reader, post string) ([]doubts, error) {
	events, err := record.OfKinds(ctx, time.Time{}, endOfTime(), acquire.KindCalibration)
	if err != nil {
		return nil, err
	}
	all := []doubts{}
	for _, e := range events {
		d, ok := doubtIn(e)
		if !ok || post != "" && !slices.Contains(d.Posts, post) ||
			slices.ContainsFunc(all, func(o doubts) bool { return o.same(d) }) {
			continue
		}
		one := doubts{inDoubt: d, Verdicts: []doubted{}}
		for e, err := range record.Changes(ctx, d.From, d.To) {
			if err != nil {
				return nil, err
			}
			if v := e.Alarm.Verdict; v != nil && v.Certificate == d.Before && d.at(e.Post, post) {
				one.Verdicts = append(one.Verdicts, d.alarmed(e))
			}
		}
		stated, err := record.OfKinds(ctx, d.From, d.To, statements()...)
		if err != nil {
			return nil, err
		}
		for _, e := range stated {
			if d.at(e.Post, post) {
				one.Verdicts = append(one.Verdicts, doubted{Event: e.ID, At: e.At, Post: e.Post, What: string(e.Kind), Text: e.Text})
			}
		}
		sort.SliceStable(one.Verdicts, func(i, j int) bool { return one.Verdicts[i].Event < one.Verdicts[j].Event })
		all = append(all, one)
	}
	return all, nil
}

// at says whether a post is concerned, and asked for.
func (d *inDoubt) at(post, asked string) bool {
	return slices.Contains(d.Posts, post) && (asked == "" || asked == post)
}

// alarmed is the verdict behind a change of an alarm.
func (d *inDoubt) alarmed(e acquire.Event) doubted {
	v := e.Alarm.Verdict
	out := doubted{Event: e.ID, At: e.At, Post: e.Post, What: fmt.Sprintf("alarm %s, %s", e.Alarm.Rule, e.Alarm.Reason), Outcome: v.Outcome,
		LimitID: v.LimitID, Limit: v.Limit, Value: v.Value, Text: e.Text, Averaging: v.Averaging}
	if v.Averaging > 0 {
		out.Value = v.MeanLo
	}
	if out.Value != nil {
		x := *out.Value / (1 + d.Off)
		out.AsFound = &x
	}
	return out
}

func printDoubts(w io.Writer, all []doubts) error {
	if len(all) == 0 {
		_, err := fmt.Fprintln(w, "no calibration that this record knows of puts anything judged in it in doubt")
		return err
	}
	for i := range all {
		d := &all[i]
		if i > 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "%s\n\n", d.words())
		if len(d.Verdicts) == 0 {
			fmt.Fprintln(w, "no alarm, survey or report in that time rests on it")
		} else {
			t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
			fmt.Fprintln(t, "event\tat (UTC)\tpost\twhat\toutcome\tlimit\tvalue\tby the factor as found")
			for _, v := range d.Verdicts {
				fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", v.Event, v.At.UTC().Format("2006-01-02 15:04:05"), v.Post, v.What,
					orDash(v.Outcome), orDash(v.LimitID), reading3(v.Value), reading3(v.AsFound))
			}
			if err := t.Flush(); err != nil {
				return err
			}
		}
		fmt.Fprintln(w, "what was shown as within in that time is in doubt too; it is not listed, for it was shown and not stated")
	}
	return nil
}

func orDash(s string) string { return cmp.Or(s, "-") }

// reading3 prints a power density to three digits, and a dash for none.
func reading3(x *float64) string {
	if x == nil {
		return "-"
	}
	return quantity.MilliwattPerSquareCentimetre().FormatDigits(*x, 3)
}
