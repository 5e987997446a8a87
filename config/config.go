// Package config reads the one file that says what a site looks like: a TOML
// file of limits, ovens, probes, posts, the alarm and verdict rules, schedules, couriers and
// remote-write targets. It is strict: whatever it does not know, or does not believe, is a Problem with its
// line, and all problems are told together.
//
// Values come out in SI units: W/m², m, Hz, and time.Duration; relative numbers
// are plain ratios (25 % is 0.25). Calendar days come out as their first instant
// in UTC.
//
// Package config must not act on what it reads: it opens no port, reads no
// secret and asks no clock. What it returns is plain data; cmd/ovenward alone
// imports it, so that no other package knows the file's form.
package config

import (
	"fmt"
	"io"
	"os"
	"slices"

	"ovenward/acquire/survey"
)

// File is a whole configuration, valid in itself: every id is unique and every
// reference leads somewhere.
type File struct {
	Site     Site
	Simulate Simulate
	Limits   []Limit
	Ovens    []Oven
	Probes   []Probe
	Posts    []Post
	Sums     []Sum
	Alarm    Alarm
	Verdict  Verdict
	Webhooks []Webhook

	Mails         []Mail
	Alertmanagers []Alertmanager
	MQTTs         []MQTT

	Rules     []Rule
	Schedules []Schedule
	Remotes   []RemoteWrite
	Retention Retention
	Record    Record

	Procedures []survey.Procedure // of the user's own
}

// maxBytes bounds the file, in bytes. Some hundred probes take a tenth of it.
const maxBytes = 1 << 20

// Load reads the file at path. The error is Problems when the file could be
// read and something in it is wrong.
func Load(path string) (*File, error) {
	// A pipe or a device may never end, and opening one may never return.
	if about, err := os.Stat(path); err == nil && !about.Mode().IsRegular() {
		return nil, fmt.Errorf("read the configuration: %s is no plain file (%s); name a TOML file, not a folder, a pipe or a device", path, about.Mode().Type())
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read the configuration: %w; name an existing TOML file that this user may read", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read the configuration: %w; name a TOML file, not a folder or a device", err)
	}
	return Parse(path, data)
}

// Parse reads a configuration from data; name stands for the file in what is
// told. It returns either a File or Problems, never both.
func Parse(name string, data []byte) (*File, error) {
	r := &reader{file: name, claims: map[string]claim{}}
	root := r.decode(data)
	if root == nil {
		return nil, r.problems
	}
	alarm := readAlarm(root)
	f := &File{
		Site:     readSite(root),
		Simulate: readSimulate(root),
		Limits:   readLimits(root),
		Ovens:    readOvens(root),
		Probes:   readProbes(root, alarm),
		Posts:    readPosts(root),
		Sums:     readSums(root),
		Alarm:    alarm,
		Verdict:  readVerdict(root),
		Webhooks: readWebhooks(root),
		Remotes:  readRemoteWrites(root),

		Retention: readRetention(root),
		Record:    readRecord(root),

		Procedures: readProcedures(root),
	}
	f.Mails, f.Alertmanagers, f.MQTTs = readMails(root), readAlertmanagers(root), readMQTTs(root)
	f.Rules, f.Schedules = readRules(root, alarm.Clear), readSchedules(root, f.Site)
	root.finish()
	r.resolve()
	f.checkLimits(r)
	f.checkSums(r)
	f.checkRules(r)
	f.checkSchedules(r)
	f.addCentres(r)
	f.checkCertificates(r)
	f.checkTold(r)
	simulated := func(p Probe) bool { return p.Simulated != "" }
	if f.Simulate.Line > 0 && !slices.ContainsFunc(f.Probes, simulated) {
		r.add(f.Simulate.Line, `simulate: it has no effect, as no probe has a port like "simulate:NAME"; remove [simulate], or set such a port`)
	}
	if len(r.problems) > 0 {
		return nil, r.problems.sorted()
	}
	return f, nil
}
