package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	toolkit "github.com/prometheus/exporter-toolkit/web"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/config"
)

// restartError names what cannot be changed while the daemon runs.
type restartError []string

func (e restartError) Error() string {
	return strings.Join(e, "; ") + ": that changes only with a restart"
}

// next makes the generation of the configuration as it is now, ready to take over,
// and says for each of its posts which present one it is, unchanged, and -1 for
// one that is new or changed. It changes nothing but the register, which takes up
// what the configuration names for the first time once all else is found good.
func (d *daemon) next() (g *generation, from inherited, err error) {
	written, err := d.load()
	if err != nil {
		return nil, from, err
	}
	if err := toolkit.Validate(d.settings.webConfig); err != nil {
		return nil, from, fmt.Errorf("reading --web.config.file=%s: %w; name a file that Prometheus' exporter-toolkit accepts", d.settings.webConfig, err)
	}
	is, err := readRegister(context.Background(), d.record.Reader)
	if err != nil {
		return nil, from, err
	}
	file, err := written.Adopt(d.fileName(), is.ovens, is.certificates)
	if err != nil {
		return nil, from, err
	}
	// All is made once before anything is entered: of a file that is refused the register
	// knows nothing, or it would win over the file when that is mended.
	tried := &generation{home: d.home, file: file, written: written}
	if tried.posts, _, err = d.posted(file); err != nil {
		return nil, from, err
	}
	if err = tried.prepare(); err != nil {
		return nil, from, err
	}
	if file, err = d.adopt(written); err != nil {
		return nil, from, err
	}
	g = &generation{home: d.home, file: file, written: written, slots: slots{Recorder: d.record}}
	if g.posts, from, err = d.posted(file); err != nil {
		return nil, from, err
	}
	return g, from, g.prepare()
}

// inherited says for each post which of those before it is, unchanged, or else of
// which it has the port; -1 for none.
type inherited struct{ kept, ports []int }

// posted makes the posts of a configuration, finds those that are watched as they
// are, and refuses what cannot be changed now.
func (d *daemon) posted(f *config.File) (all []acquire.Post, from inherited, err error) {
	if err := d.fixed(f); err != nil {
		return nil, from, err
	}
	// Without recordings of the lines: where they are kept, no line may change.
	if all, err = posts(f, d.kitchen, nil); err != nil {
		return nil, from, err
	}
	if err := checkMoves(f, func(i int) (store.Move, bool, error) {
		return d.record.MovedTo(context.Background(), &all[i], d.now())
	}); err != nil {
		return nil, from, err
	}
	probes := byID(f.Probes, func(p config.Probe) string { return p.ID })
	were := byID(d.file.Probes, func(p config.Probe) string { return p.ID })
	for _, p := range all {
		k, port := slices.IndexFunc(d.posts, func(was acquire.Post) bool { return was.ID == p.ID }), -1
		// A rule that counts by the day does so by the site's zone.
		if k >= 0 && (!equal(f.Site.Zone, d.file.Site.Zone) || !unchanged(p, d.posts[k], probes[p.Probe.ID], were[p.Probe.ID])) {
			if samePort(p, d.posts[k], probes[p.Probe.ID], were[p.Probe.ID]) {
				port = k
			}
			k = -1
		}
		if k < 0 && d.settings.recordWire != "" {
			return nil, from, restartError{fmt.Sprintf("post %s is new or changed, while --record-wire keeps what passes on the lines", p.ID)}
		}
		from.kept, from.ports = append(from.kept, k), append(from.ports, port)
	}
	return all, from, nil
}

// fixed names what a configuration may not change while the daemon runs. Where the
// record and the page are is said on the command line, and so is not in it.
func (d *daemon) fixed(f *config.File) error {
	var all restartError
	if !equal(f.Record, d.file.Record) {
		all = append(all, "[record] says another key to sign with")
	}
	simulated := slices.ContainsFunc(f.Probes, func(p config.Probe) bool { return p.Simulated != "" })
	switch {
	case !simulated: // a kitchen that nobody reads goes on unseen
	case d.kitchen == nil:
		all = append(all, "a probe is simulated, and none was at the start")
	case f.Simulate.Seed != d.simulating.Seed || f.Simulate.Speed != d.simulating.Speed:
		all = append(all, "[simulate] says another kitchen")
	case !maps.Equal(languages(f), d.languages):
		all = append(all, "a simulated probe has another driver")
	}
	if len(all) == 0 {
		return nil
	}
	return all
}

// changesOf says what another configuration changes, a thing an entry.
func changesOf(old, next *generation, kept []int) []string {
	var out []string
	goOn := 0
	for i, k := range kept {
		id := next.posts[i].ID
		switch was := slices.ContainsFunc(old.posts, func(p acquire.Post) bool { return p.ID == id }); {
		case k >= 0:
			goOn++
		case was:
			out = append(out, "post "+id+" changed, and begins again")
		default:
			out = append(out, "post "+id+" is new")
		}
	}
	for _, p := range old.posts {
		if !slices.ContainsFunc(next.posts, func(q acquire.Post) bool { return q.ID == p.ID }) {
			out = append(out, "post "+p.ID+" is watched no more")
		}
	}
	a, b := old.file, next.file
	for _, part := range []struct {
		name string
		was  any
		is   any
	}{
		{"the site", a.Site, b.Site}, {"limits", a.Limits, b.Limits}, {"ovens", a.Ovens, b.Ovens}, {"probes", a.Probes, b.Probes},
		{"sums", a.Sums, b.Sums}, {"contacts", a.Contacts, b.Contacts}, {"[alarm]", a.Alarm, b.Alarm}, {"[verdict]", a.Verdict, b.Verdict},
		{"rules", a.Rules, b.Rules}, {"schedules", a.Schedules, b.Schedules}, {"webhooks", a.Webhooks, b.Webhooks}, {"mails", a.Mails, b.Mails},
		{"alertmanagers", a.Alertmanagers, b.Alertmanagers}, {"mqtts", a.MQTTs, b.MQTTs}, {"remote writes", a.Remotes, b.Remotes},
		{"[retention]", a.Retention, b.Retention}, {"[access]", a.Access, b.Access}, {"survey procedures", a.Procedures, b.Procedures},
	} {
		if !equal(part.was, part.is) {
			out = append(out, part.name+" changed")
		}
	}
	if len(out) == 0 {
		out = append(out, "nothing in it changed")
	}
	if goOn == 1 {
		return append(out, "1 post goes on as it was")
	}
	return append(out, fmt.Sprintf("%d posts go on as they were", goOn))
}
