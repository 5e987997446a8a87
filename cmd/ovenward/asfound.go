package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/store"
)

// inDoubt is what a calibration puts in doubt that found its probe farther off than was
// to be expected. The event that tells it carries it as JSON.
type inDoubt struct {
	Probe       string    `json:"probe"`
	Certificate string    `json:"certificate"` // which found it
	Before      string    `json:"certificate_before"`
	AsFound     float64   `json:"as_found"` // factor
	Off         float64   `json:"off"`      // of values corrected by the certificate before: 0.1 is 10 % too high
	Bound       float64   `json:"bound"`
	From        time.Time `json:"from"`
	To          time.Time `json:"to"`
	Posts       []string  `json:"posts"`
}

// same says whether two tell of one finding.
func (d inDoubt) same(o inDoubt) bool {
	return d.Probe == o.Probe && d.Certificate == o.Certificate && d.Before == o.Before && d.AsFound == o.AsFound && d.Off == o.Off && d.Bound == o.Bound
}

func (d inDoubt) words() string {
	way := "low"
	if d.Off > 0 {
		way = "high"
	}
	return fmt.Sprintf("certificate %s found probe %s with a factor of %.4g before any adjustment: values corrected by certificate %s were %.3g %% too %s, "+
		"more than the %.3g %% that were to be expected; what was judged with it from %s to %s at %s is in doubt, "+
		"and ovenward budget --storage.path=FOLDER lists it", d.Certificate, d.Probe, d.AsFound, d.Before, 100*math.Abs(d.Off), way, 100*d.Bound,
		minuteOf(d.From), minuteOf(d.To), strings.Join(d.Posts, ", "))
}

func minuteOf(t time.Time) string { return t.UTC().Format("2006-01-02 15:04Z") }

// entered is a certificate of a probe, and since when the record has it.
type entered struct {
	*calib.Certificate
	at time.Time
}

// findDoubts looks through all certificates that the record and the configuration
// know of each probe. What was judged counts from the day of the certificate before
// until the one that found the probe off had come, and was entered.
func findDoubts(tenures []store.Tenure, posts []acquire.Post) []inDoubt {
	probes := map[string][]entered{}
	add := func(probe string, c *calib.Certificate, at time.Time) {
		if c == nil {
			return
		}
		all := probes[probe]
		i := slices.IndexFunc(all, func(e entered) bool { return e.Number == c.Number && e.Laboratory == c.Laboratory })
		if i < 0 {
			probes[probe] = append(all, entered{c, at})
			return
		}
		all[i].Certificate = c // the newest words of it count
	}
	sort.SliceStable(tenures, func(i, j int) bool { return tenures[i].From.Before(tenures[j].From) })
	for _, t := range tenures {
		add(t.Probe, t.Certificate, t.From)
	}
	for _, p := range posts {
		for _, c := range p.Probe.Certificates() {
			add(p.Probe.ID, c, time.Time{})
		}
	}
	var out []inDoubt
	for _, probe := range slices.Sorted(maps.Keys(probes)) {
		all := probes[probe]
		sort.SliceStable(all, func(i, j int) bool { return all[i].Date.Before(all[j].Date) })
		for i := 1; i < len(all); i++ {
			if d, bad := doubtOf(probe, all[i-1], all[i], tenures); bad {
				out = append(out, d)
			}
		}
	}
	return out
}

// doubtOf compares a certificate with the one before it, at each post where the
// probe stood meanwhile.
func doubtOf(probe string, before, c entered, tenures []store.Tenure) (d inDoubt, bad bool) {
	d = inDoubt{Probe: probe, Certificate: c.Number, Before: before.Number, AsFound: c.AsFound, From: before.Date, To: c.Date}
	if c.at.After(d.To) {
		d.To = c.at
	}
	for _, t := range tenures {
		if t.Probe != probe || !t.From.Before(d.To) || !t.To.IsZero() && !t.To.After(d.From) {
			continue
		}
		f, ok := c.FoundAfter(before.Certificate, t.Frequency)
		if !ok || !f.Bad() {
			continue
		}
		if !slices.Contains(d.Posts, t.Post) {
			d.Posts = append(d.Posts, t.Post)
		}
		if d.Bound = f.Bound; math.Abs(f.Off) > math.Abs(d.Off) {
			d.Off = f.Off
		}
	}
	return d, len(d.Posts) > 0
}

// tellDoubts records what the certificates put in doubt, once at each post.
func tellDoubts(record *store.Store, posts []acquire.Post, now time.Time, log *slog.Logger) error {
	ctx := context.Background()
	tenures, err := record.Tenures(ctx)
	if err != nil {
		return err
	}
	all := findDoubts(tenures, posts)
	if len(all) == 0 {
		return nil
	}
	told, err := record.OfKinds(ctx, time.Time{}, endOfTime(), acquire.KindCalibration)
	if err != nil {
		return err
	}
	for _, d := range all {
		raw, err := json.Marshal(d)
		if err != nil {
			return fmt.Errorf("write down what certificate %s puts in doubt: %w", d.Certificate, err)
		}
		for _, post := range d.Posts {
			if slices.ContainsFunc(told, func(e acquire.Event) bool {
				was, ok := doubtIn(e)
				return ok && e.Post == post && was.same(d)
			}) {
				continue
			}
			record.Record(acquire.Event{At: now.UTC(), Post: post, Kind: acquire.KindCalibration, Text: d.words(), Raw: raw})
			log.Warn(d.words(), "kind", string(acquire.KindCalibration), "post", post)
		}
	}
	return nil
}

// doubtIn reads what an event tells.
func doubtIn(e acquire.Event) (d inDoubt, ok bool) {
	if e.Kind != acquire.KindCalibration || !bytes.HasPrefix(e.Raw, []byte("{")) {
		return d, false
	}
	return d, json.Unmarshal(e.Raw, &d) == nil && d.Certificate != ""
}

// endOfTime is after all instants that the record can hold.
func endOfTime() time.Time { return time.Unix(0, math.MaxInt64) }
