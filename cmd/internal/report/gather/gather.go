// Package gather reads a record for reports: what a post was, what it saw, what
// was not seen, and what of that is within, exceeds or is not decided. It reads
// beside a running daemon and changes nothing. Power densities are W/m², instants
// UTC; spans are counted along the stamps, which never fall.
package gather

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
)

// Query says what a monitoring report is of.
type Query struct {
	Posts    []string  // empty: all that a configuration had, imported ones not among them
	From, To time.Time // zero To: behind the newest sample; zero From: 30 days before To, or when the first post became known
	Version  string
	Progress func(share float64) // may be nil
}

// span is what a report covers when nothing is said.
const span = 30 * 24 * time.Hour

// Monitoring reads a watch over a time.
func Monitoring(ctx context.Context, r *store.Reader, q Query) (*report.Monitoring, error) {
	if err := cmp.Or(whole("from", q.From), whole("to", q.To)); err != nil {
		return nil, err
	}
	posts, err := which(ctx, r, q.Posts)
	if err != nil {
		return nil, err
	}
	if q.From, q.To, err = extent(ctx, r, posts, q.From, q.To); err != nil {
		return nil, err
	}
	m := &report.Monitoring{From: q.From, To: q.To, Version: q.Version}
	for i, id := range posts {
		part := func(share float64) {
			if q.Progress != nil {
				q.Progress((float64(i) + share) / float64(len(posts)))
			}
		}
		w, raw, err := watched(ctx, r, id, q.From, q.To, part)
		if err != nil {
			return nil, err
		}
		if m.Site == "" {
			m.Site = w.site
		}
		m.Posts, m.Record.Raw = append(m.Posts, w.Watched), append(m.Record.Raw, raw)
		gone, err := r.Removed(ctx, id, q.From, q.To)
		if err != nil {
			return nil, err
		}
		for _, g := range gone {
			m.Retention = append(m.Retention, id+": "+g)
		}
	}
	if m.Alarms, err = alarms(ctx, r, posts, len(q.Posts) == 0, q.From, q.To); err != nil {
		return nil, err
	}
	return m, head(ctx, r, &m.Record)
}

func head(ctx context.Context, r *store.Reader, into *report.Record) error {
	h, err := r.Head(ctx)
	into.Day, into.Entries, into.Head = h.Day, h.Entries, h.SHA256
	return err
}

// which returns the posts meant, each known to the record.
func which(ctx context.Context, r *store.Reader, want []string) ([]string, error) {
	all, err := r.Posts(ctx)
	if err != nil {
		return nil, err
	}
	for _, p := range want {
		if !slices.Contains(all, p) {
			return nil, fmt.Errorf("there is no post %q in the record; it has %s", p, strings.Join(all, ", "))
		}
	}
	if len(want) > 0 {
		want = slices.Clone(want)
		slices.Sort(want)
		return slices.Compact(want), nil
	}
	own := slices.DeleteFunc(slices.Clone(all), func(p string) bool { return strings.HasPrefix(p, store.ImportedPrefix) })
	switch {
	case len(own) == 0 && len(all) > 0:
		return nil, fmt.Errorf("the record holds only posts that were imported: name one for a monitoring report, --post=%s", all[0])
	case len(own) == 0:
		return nil, errors.New("the record holds no post yet: let the daemon run on it first")
	}
	return own, nil
}

// PostsAt returns the posts among those named, or of all, that watch an oven; all
// that are named where no oven is.
func PostsAt(ctx context.Context, r *store.Reader, want []string, oven string) ([]string, error) {
	if oven == "" {
		return want, nil
	}
	all, err := which(ctx, r, want)
	if err != nil {
		return nil, err
	}
	var at, ovens []string
	for _, p := range all {
		versions, err := r.History(ctx, p)
		if err != nil {
			return nil, err
		}
		if n := len(versions); n > 0 {
			ovens = append(ovens, versions[n-1].Oven)
			if versions[n-1].Oven == oven {
				at = append(at, p)
			}
		}
	}
	if len(at) == 0 {
		slices.Sort(ovens)
		return nil, fmt.Errorf("no post watches an oven %q; there is one at %s", oven, strings.Join(slices.Compact(ovens), ", "))
	}
	return at, nil
}

// begun is when the first of the posts became known.
func begun(ctx context.Context, r *store.Reader, posts []string) (first time.Time, err error) {
	for _, p := range posts {
		all, err := r.History(ctx, p)
		if err != nil {
			return first, err
		}
		if len(all) > 0 && (first.IsZero() || all[0].ValidFrom.Before(first)) {
			first = all[0].ValidFrom
		}
	}
	return first, nil
}

// whole refuses an instant that a report, which tells whole seconds, would cut.
func whole(name string, at time.Time) error {
	if at.Nanosecond() == 0 {
		return nil
	}
	return fmt.Errorf("--%s=%s has a fraction of a second, and reports are of whole seconds: write for example --%s=%s",
		name, at.UTC().Format(time.RFC3339Nano), name, at.UTC().Format(time.RFC3339))
}

// extent fills in what was not said of the time. Both ends are whole seconds.
func extent(ctx context.Context, r *store.Reader, posts []string, from, to time.Time) (time.Time, time.Time, error) {
	if to.IsZero() {
		for _, p := range posts {
			_, at, err := r.Newest(ctx, p)
			if err != nil {
				return from, to, err
			}
			if at.After(to) {
				to = at
			}
		}
		if to.IsZero() {
			return from, to, errors.New("the record holds no sample of these posts: name a time by from and to, or other posts")
		}
		if newest := to; from.After(newest) {
			return from, to, fmt.Errorf("nothing is recorded from %s on: the newest sample is of %s", from.UTC().Format(time.RFC3339), newest.UTC().Format(time.RFC3339))
		}
		to = to.Truncate(time.Second).Add(time.Second)
	}
	if from.IsZero() {
		began, err := begun(ctx, r, posts)
		if err != nil {
			return from, to, err
		}
		if from = to.Add(-span); began.After(from) && began.Before(to) {
			from = began
		}
	}
	from, to = from.UTC().Truncate(time.Second), to.UTC().Truncate(time.Second)
	if !from.Before(to) {
		return from, to, errors.New("from is not before to: nothing lies between")
	}
	return from, to, nil
}

// instrument is a version of a post as the instrument that stood there.
func instrument(h *store.History) report.Instrument {
	p := &h.Probe
	return report.Instrument{Probe: p.ID, Port: p.Port, Axes: p.Axes, Turned: h.Turned, TurnedBy: h.TurnedBy, TurnedOn: h.TurnedOn,
		Range: p.Range, Floor: p.Floor, Response: p.Response, Period: p.Period, Simulated: p.Simulated, Certificate: p.Certificate}
}

// identity is what the instrument at a post last said it is.
func identity(ctx context.Context, r *store.Reader, post string, to time.Time) (string, error) {
	all, err := r.EventsOf(ctx, post, []acquire.Kind{acquire.KindIdentity}, time.Time{}, to, mostEvents)
	if err != nil || len(all) == 0 {
		return "", err
	}
	return strings.TrimSpace(string(all[len(all)-1].Raw)), nil
}

// mostEvents bounds what is read of a kind.
const mostEvents = 100_000

// Certificates reads the status of all probes' certificates; as is the instant that
// they are told for, zero for that of the newest sample.
func Certificates(ctx context.Context, r *store.Reader, as time.Time, version string) (*report.Certificates, error) {
	if err := whole("to", as); err != nil {
		return nil, err
	}
	posts, err := which(ctx, r, nil)
	if err != nil {
		return nil, err
	}
	if as.IsZero() {
		if _, as, err = extent(ctx, r, posts, time.Time{}, as); err != nil {
			return nil, err
		}
	}
	c := &report.Certificates{As: as.UTC().Truncate(time.Second), Version: version}
	held := map[string]*report.Held{}
	certs := map[string][]*calib.Certificate{}
	for _, id := range posts {
		all, err := r.History(ctx, id)
		if err != nil {
			return nil, err
		}
		for i := range all {
			h := &all[i]
			if h.ValidFrom.After(as) {
				continue
			}
			c.Site = h.Site
			x := held[h.Probe.ID]
			if x == nil {
				x = &report.Held{Probe: h.Probe.ID}
				held[h.Probe.ID] = x
			}
			x.Simulated = x.Simulated || h.Probe.Simulated
			if cert := h.Probe.Certificate; cert != nil && !slices.ContainsFunc(certs[x.Probe], func(o *calib.Certificate) bool { return o.Equal(*cert) }) {
				certs[x.Probe] = append(certs[x.Probe], cert)
			}
		}
		if n := len(all); n > 0 && held[all[n-1].Probe.ID] != nil {
			x := held[all[n-1].Probe.ID]
			x.Posts = append(x.Posts, id)
			if x.Identity, err = identity(ctx, r, id, as); err != nil {
				return nil, err
			}
		}
	}
	for _, name := range slices.Sorted(keys(held)) {
		x := held[name]
		x.Now = calib.InForce(certs[name], as)
		for _, cert := range certs[name] {
			if cert != x.Now {
				x.Earlier = append(x.Earlier, cert)
			}
		}
		sort.SliceStable(x.Earlier, func(i, j int) bool { return x.Earlier[i].Date.After(x.Earlier[j].Date) })
		c.Probes = append(c.Probes, *x)
	}
	return c, head(ctx, r, &c.Record)
}

// Survey reads a survey of an oven's door: that with the id, else the newest that
// has ended, of the oven where one is named.
func Survey(ctx context.Context, r *store.Reader, id, oven, version string) (*report.Survey, error) {
	if id == "" {
		all, err := r.Surveys(ctx, store.SurveyQuery{Oven: oven}, mostEvents)
		if err != nil {
			return nil, err
		}
		for _, s := range all {
			if !s.Ended.IsZero() {
				id = s.ID
				break
			}
		}
		if id == "" {
			return nil, errors.New("the record holds no survey that has ended" + ofOven(oven) + ": make one with ovenward survey, or name another with --id")
		}
	}
	res, err := r.SurveyResult(ctx, id)
	if err != nil {
		return nil, err
	}
	if res == nil {
		return nil, fmt.Errorf("there is no survey %q in the record that has ended; leave --id out for the newest", id)
	}
	s := &report.Survey{Result: *res, Version: version}
	return s, head(ctx, r, &s.Record)
}

func ofOven(oven string) string {
	if oven == "" {
		return ""
	}
	return fmt.Sprintf(" of oven %q", oven)
}

func keys[V any](m map[string]V) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}
