package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/clockfile"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/notify"
	"ovenward/config"
)

// modesCount says whether the mode of a file says who may use it.
const modesCount = runtime.GOOS != "windows"

// ports looks whether each probe's port is there, and may be used, and is not held
// by another program.
func (d *doctor) ports(f *config.File) {
	for _, p := range f.Probes {
		switch p.Reach {
		case config.ReachSimulated, config.ReachReplay:
			d.note(unknown, "port", "probe %s is no instrument (%s): nothing it says is a measurement", p.ID, p.Port)
		case config.ReachTCP:
			d.note(unknown, "port", "probe %s at %s is not tried, for it may serve one at a time: stop the daemon, then ovenward read tries it", p.ID, p.Port)
		default:
			d.port(p)
		}
	}
}

func (d *doctor) port(p config.Probe) {
	path := p.Device
	if p.USB != nil {
		node, err := d.machine.tree.Open(p.Class(), *p.USB)
		if err != nil {
			d.note(toMend, "port", "probe %s: %v; ovenward ports lists what is plugged in", p.ID, err)
			return
		}
		path = node
	}
	trouble, held, hidden, err := d.machine.usable(path, d.service)
	unseen := fmt.Sprintf("whether it is held by %s of other users is not shown to this user: look as root", hidden)
	who := strings.Join(words(held), ", ")
	switch {
	case errors.Is(err, fs.ErrNotExist):
		d.note(toMend, "port", "probe %s: there is no %s: plug it in, or name the port that it has (ovenward ports)", p.ID, path)
	case err != nil:
		d.note(unknown, "port", "probe %s at %s: %v", p.ID, path, err)
	case trouble != "":
		d.note(toMend, "port", "probe %s at %s: %s", p.ID, path, trouble)
	case len(held) == 0 && hidden != "":
		d.note(unknown, "port", "probe %s at %s is there, and may be used; %s", p.ID, path, unseen)
	case len(held) == 0:
		d.note(allFine, "port", "probe %s at %s is there, and may be used", p.ID, path)
	case slices.ContainsFunc(held, func(h holder) bool { return !d.machine.ours(h) }):
		d.note(toMend, "port", "probe %s at %s is held by %s: end what reads it beside Ovenward", p.ID, path, who)
	case len(d.machine.rivals(held)) > 1:
		d.note(toMend, "port", "probe %s at %s is held by %s, and each takes answers that are meant for another: end all but one", p.ID, path,
			strings.Join(words(d.machine.rivals(held)), ", "))
	case hidden != "":
		d.note(unknown, "port", "probe %s at %s is held by %s; %s", p.ID, path, who, unseen)
	default:
		d.note(allFine, "port", "probe %s at %s is held by %s", p.ID, path, who)
	}
}

// clocks looks whether stamps can be believed.
func (d *doctor) clocks(f *config.File) {
	switch {
	case f.Site.Clock == config.ClockTrusted:
		d.note(unknown, "clock", `clock = "trusted" in [site]: nobody asks this system whether it is synchronised`)
	case d.clock == nil:
		d.note(unknown, "clock", "this system cannot be asked whether its clock is synchronised")
	default:
		state, err := d.clock()
		switch {
		case err != nil:
			d.note(unknown, "clock", "%v", err)
		case !state.Synchronised:
			d.note(toMend, "clock", "it is not synchronised, so every sample is marked clock-unsure: set up a time service (timedatectl set-ntp true), "+
				`or write clock = "trusted" in [site] where something else keeps it`)
		default:
			d.note(allFine, "clock", "synchronised, within %s of UTC by the system's own bound", state.MaxError.Round(time.Microsecond))
		}
	}
}

// clockWord looks whether the daemon is told how the clock fares, where it does not
// ask itself. Before the services are started nobody is.
func (d *doctor) clockWord(f *config.File, running bool) {
	if d.word == "" || f.Site.Clock == config.ClockTrusted {
		return
	}
	switch _, err := d.told(d.word)(); {
	case errors.Is(err, fs.ErrNotExist) && !running:
		d.note(unknown, "clock", "there is no %s: ovenward-clock, which starts with ovenward, makes it", d.word)
	case errors.Is(err, clockfile.ErrOtherStart) && running:
		d.note(unknown, "clock", "%s is of another start of the machine than is shown here; in a container that may be so for this shell alone: "+
			"the daemon's log says whether it believes it (journalctl -u ovenward)", d.word)
	case err != nil:
		d.note(toMend, "clock", "%v. Until then every sample of a daemon that reads it is marked clock-unsure", err)
	default:
		d.note(allFine, "clock", "the daemon is told how it fares by %s", d.word)
	}
}

// record looks at the record and its disk, and returns the configuration with what
// the record, which owns ovens and certificates, says of them.
func (d *doctor) record(ctx context.Context, f *config.File, running bool) *config.File {
	if d.storage == "" {
		d.note(unknown, "record", "no --storage.path was named, so neither the record nor its disk was looked at")
		return f
	}
	dir, ok := d.folder(running)
	if !ok {
		return f
	}
	db := filepath.Join(d.storage, "ovenward.db")
	_, err := os.Stat(db)
	missing := errors.Is(err, fs.ErrNotExist)
	ok = d.writable(dir, running) && (missing || d.writable(db, running)) && d.disk(f, dir)
	info, err := os.Stat(d.storage)
	if err == nil && modesCount && info.Mode().Perm()&0o002 != 0 {
		d.note(toMend, "permissions", "everybody on this machine may change the record in %s (mode %s): chmod o-w %s", d.storage, info.Mode().Perm(), d.storage)
	}
	if missing {
		if ok {
			d.note(unknown, "record", "there is none in %s yet: the daemon makes it", d.storage)
		}
		return f
	}
	r, err := store.OpenReadOnly(d.storage)
	if err != nil {
		d.note(toMend, "record", "%v", err)
		return f
	}
	defer r.Close()
	is, err := readRegister(ctx, r)
	if err != nil {
		d.note(toMend, "record", "%v; ovenward verify --storage.path=%s says what does not fit", err, d.storage)
		return f
	}
	owned, err := f.Adopt(d.file, is.ovens, is.certificates)
	if err != nil {
		d.note(toMend, "record", "file and record do not go together: %v", err)
		return f
	}
	d.note(allFine, "record", "it reads; ovenward verify --storage.path=%s checks all of it", d.storage)
	d.newest(ctx, r, f)
	return owned
}

// newest holds the wall clock against the record: stamps never reverse.
func (d *doctor) newest(ctx context.Context, r *store.Reader, f *config.File) {
	for _, p := range f.Posts {
		_, at, err := r.Newest(ctx, p.ID)
		switch ahead := at.Sub(d.now()); {
		case err != nil || at.IsZero():
			d.note(unknown, "record", "post %s has no sample yet", p.ID)
		case ahead > time.Minute:
			d.note(toMend, "clock", "the newest sample of post %s is stamped %s ahead of this clock: one of the two clocks is wrong", p.ID, ahead.Round(time.Second))
		}
	}
}

// leastFree is the share of a disk below which a doctor worries, where the
// configuration has no alarm for it; our own choice.
const leastFree = 0.05

// disk looks at the room on a disk. It returns false where no file can be made at all.
func (d *doctor) disk(f *config.File, dir string) bool {
	if free, all, err := d.inodes(dir); err == nil && all > 0 && free == 0 { // some file systems count none
		d.note(toMend, "disk", "no file can be made on the disk of %s: all its %d inodes are used (df -i): remove files there", dir, all)
		return false
	}
	floor := max(f.Alarm.DiskFree, leastFree)
	free, size, err := d.space(dir)
	switch {
	case err != nil || size == 0:
		d.note(unknown, "disk", "how full it is: %v", err)
	case float64(free) < floor*float64(size):
		d.note(toMend, "disk", "%.1f GB of %.1f GB are free, less than %.0f %%: make room, or let [retention] remove old samples", gb(free), gb(size), 100*floor)
	default:
		d.note(allFine, "disk", "%.1f GB of %.1f GB are free (a probe at 10 Hz takes about 30 MB a month)", gb(free), gb(size))
	}
	return true
}

func gb(bytes uint64) float64 { return float64(bytes) / 1e9 }

// soonDue is before which a certificate that will be due is spoken of, where the
// configuration has no alarm for it; our own choice.
const soonDue = 30 * 24 * time.Hour

// calibration looks whether each probe has a certificate that holds.
func (d *doctor) calibration(f *config.File) {
	now := d.now()
	for _, p := range f.Probes {
		c := p.Certificate
		switch {
		case p.Reach == config.ReachSimulated || p.Reach == config.ReachReplay:
		case c == nil:
			d.note(toMend, "calibration", "probe %s has no certificate, so nothing is ever called within: have it calibrated, and enter the certificate", p.ID)
		case now.Before(c.Date):
			d.note(toMend, "calibration", "probe %s: certificate %s is not valid before %s", p.ID, c.Number, c.Date.Format(time.DateOnly))
		case !now.Before(c.Due):
			d.note(toMend, "calibration", "probe %s: certificate %s was due on %s: have it calibrated", p.ID, c.Number, c.Due.Format(time.DateOnly))
		case now.Add(max(f.Alarm.Certificate, soonDue)).After(c.Due):
			d.note(toMend, "calibration", "probe %s: certificate %s is due on %s: make an appointment", p.ID, c.Number, c.Due.Format(time.DateOnly))
		default:
			d.note(allFine, "calibration", "probe %s: certificate %s holds until %s", p.ID, c.Number, c.Due.Format(time.DateOnly))
		}
	}
}

// couriers looks whether somebody is told, and whether those who carry can.
func (d *doctor) couriers(ctx context.Context, f *config.File) {
	if len(f.Couriers()) == 0 {
		d.note(toMend, "courier", "there is none, so an alarm shows on the page and in the log alone: add a [[webhook]], [[mail]], [[alertmanager]] or [[mqtt]]")
	}
	all, err := carriers(f, d.file, nil)
	if err != nil {
		d.note(toMend, "courier", "%v", err)
	}
	if d.send {
		for _, k := range all {
			ctx, cancel := context.WithTimeout(ctx, time.Minute)
			answer, err := notify.Test(ctx, k.carrier, notify.TestMessage(f.Site.Name, k.ID, "", d.now(), k.texts))
			cancel()
			if err != nil {
				d.note(toMend, "courier", "%s %s did not accept a test: %v", k.kind, k.ID, err)
				continue
			}
			d.note(allFine, "courier", "%s %s accepted a test: %s", k.kind, k.ID, answer)
		}
	}
	for _, r := range reachables(f) {
		c, err := d.dial(ctx, "tcp", r.address)
		if err != nil {
			d.note(toMend, r.about, "%s is not reached at %s: %v", r.id, r.address, err)
			continue
		}
		c.Close()
		d.note(allFine, r.about, "%s: something answers at %s; whether it accepts messages is not tried", r.id, r.address)
	}
}

// reachable is where something is sent to.
type reachable struct{ about, id, address string }

func reachables(f *config.File) []reachable {
	var out []reachable
	add := func(about, id, at string) {
		if u, err := url.Parse(at); err == nil && u.Host != "" {
			at = u.Host
			if u.Port() == "" {
				at = net.JoinHostPort(u.Hostname(), map[string]string{"http": "80", "https": "443"}[u.Scheme])
			}
		}
		out = append(out, reachable{about, id, at})
	}
	for _, w := range f.Webhooks {
		add("courier", w.ID, w.URL)
	}
	for _, m := range f.Mails {
		add("courier", m.ID, m.Server)
	}
	for _, a := range f.Alertmanagers {
		add("courier", a.ID, a.URL)
	}
	for _, m := range f.MQTTs {
		add("courier", m.ID, m.Server)
	}
	for _, r := range f.Remotes {
		add("remote_write", r.ID, r.URL)
	}
	return out
}
