package metrics

import (
	"slices"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
)

// descs names every metric. Base units only, one unit in a
// name: a test holds them to it.
type descs struct {
	all  []*prometheus.Desc
	list []Metric

	power, peak, ratio, limit                     *prometheus.Desc
	energy, observed, overRange, samples          *prometheus.Desc
	alarmActive, alarmUnacknowledged, alarmState  *prometheus.Desc
	regard, withdrawn                             *prometheus.Desc
	probeUp, batteryLow, blind, condition, stale  *prometheus.Desc
	limitVerdict, meanLower, meanUpper, meanCover *prometheus.Desc
	temperature, batteryVolts, batteryRatio, late *prometheus.Desc
	verdict, running, lastSample, lastValidSample *prometheus.Desc
	readErrors, dropped, opens, roundTrip         *prometheus.Desc

	committed, pending, lost, writable                *prometheus.Desc
	sumLower, sumUpper, sumVerdict                    *prometheus.Desc
	damaged, salvaged, head, numberKept               *prometheus.Desc
	sent, failed, refused, waiting, accepted          *prometheus.Desc
	coalesced, unlisted, failing, beatEvery, beatLast *prometheus.Desc
	simulated, build, reloaded, reloadedAt            *prometheus.Desc

	remoteSamples, remoteFailed, remoteBehind, remoteHeld, remoteAccepted *prometheus.Desc

	histogram *prometheus.Desc // of all samples
}

func newDescs() *descs {
	d := &descs{}
	group := FieldGroup
	named := func(name, help string, labels ...string) *prometheus.Desc {
		desc := prometheus.NewDesc(prefix+name, help, labels, nil)
		d.all = append(d.all, desc)
		d.list = append(d.list, Metric{Name: prefix + name, Help: help, Group: group, Labels: labels})
		return desc
	}
	post := func(name, help string, more ...string) *prometheus.Desc {
		return named(name, help, append(postLabels(), more...)...)
	}
	d.field(post)
	d.histogram = post(samplesName, samplesHelp)
	d.list[len(d.list)-1].Histogram = true
	group = SightGroup
	d.health(post)
	group = StationGroup
	d.station(named)
	return d
}

const prefix = "ovenward_"

// postLabels are those of whatever belongs to a post.
func postLabels() []string { return []string{"site", "post", "oven", "probe"} }

// Group is what a metric is about.
type Group string

// The groups.
const (
	FieldGroup   Group = "the field, and what it was judged to be"
	SightGroup   Group = "alarms, and how well a post sees"
	StationGroup Group = "the record, those who are told, and the program"
)

// Metric is one metric as it is served.
type Metric struct {
	Name      string
	Help      string
	Group     Group
	Labels    []string
	Histogram bool
}

// Counter says whether it only rises, from each start on.
func (m Metric) Counter() bool { return strings.HasSuffix(m.Name, "_total") }

// Has says whether the metric has a label.
func (m Metric) Has(label string) bool { return slices.Contains(m.Labels, label) }

// List is every metric of this program, in the order of its groups: guides, rules and
// dashboards are made of it.
func List() []Metric { return newDescs().list }

type namer func(name, help string, labels ...string) *prometheus.Desc

// field names what is known of the field and what it was judged to be.
func (d *descs) field(post namer) {
	d.power = post("power_density_watts_per_square_meter",
		"Last valid sample while it is fresh, corrected. Read on Ovenward's own schedule, not at the scrape. Absent when the post is blind, over range or has none, and when it reads so far below zero that its zero is off. 10 W/m² are 1 mW/cm².")
	d.peak = post("power_density_max_watts_per_square_meter",
		"Highest of the present and the last whole minute (UTC), so that no peak hides between scrapes up to 60 s apart. Over-range counts as the top of the range. Absent when nothing was seen in them.", "window")
	d.energy = post("energy_density_joules_per_square_meter_total",
		"Power density integrated over the time that was seen. Negative values add nothing, over-range adds the top of the range. Divide its increase by that of ovenward_observed_seconds_total for the mean over what was seen.")
	d.observed = post("observed_seconds_total", "Time that ovenward_energy_density_joules_per_square_meter_total covers.")
	d.overRange = post("over_range_seconds_total", "Time over the probe's range, counted in ovenward_observed_seconds_total too.")
	d.samples = post("samples_total", "Samples by what is wrong with them: the first that applies of fault, over-range, uncalibrated, under-floor, clock-unsure; good is none of them.", "quality")
	d.ratio = post("limit_ratio", "Last valid sample while it is fresh, to the first limit of the post. +Inf while over range. Absent when unknown, which is not below the limit.")
	d.limit = post("limit_watts_per_square_meter", "Limits that the post is judged against, and their basis.", "limit", "basis")
	d.limitVerdict = post("limit_verdict", "1 for the verdict that stands at the post against one of its limits.", "limit", "verdict")
	d.meanLower = post("mean_power_density_lower_watts_per_square_meter", "Lower bound of the mean over the averaging time of a limit: what was not seen counts as 0. The mean exceeds the limit when this does.", "limit")
	d.meanUpper = post("mean_power_density_upper_watts_per_square_meter", "Upper bound of the mean over the averaging time of a limit: what was not seen counts as the top of the probe's range. +Inf when any of it was over range.", "limit")
	d.meanCover = post("mean_cover_ratio", "Fraction of the averaging time of a limit that was seen.", "limit")
	d.verdict = post("post_verdict", "1 for the verdict that stands at the post against all of its limits: within, exceeds or not decided. Within is earned by a running oven and a valid calibration.", "verdict")
	d.running = post("oven_running", "1 while the oven is known to run, from the field alone. 0 is not known to run, which is not off. Absent when the post is blind.")
}

// health names how well a post sees.
func (d *descs) health(post namer) {
	d.alarmActive = post("alarm_active", "1 while the alarm's condition is present or it is latched. Labels of the post are empty for an alarm of the station itself.", "rule")
	d.alarmUnacknowledged = post("alarm_unacknowledged", "1 while nobody has acknowledged the alarm, though its condition may have ended.", "rule")
	d.alarmState = post("alarm_state", "1 for the state that the alarm is in, by the names of ISA-18.2 / IEC 62682: shelved, suppressed by design and out of service come before how it stands, and ovenward_alarm_active tells that all the same. Absent while it is normal and was not set aside.", "rule", "priority", "state")
	d.regard = post("post_regard", "1 for everything that the post amounts to: seeing, or what keeps it from counting as seeing, which may be several.", "regard")
	d.withdrawn = post("oven_withdrawn", "1 while the post's oven is withdrawn, out of use by a person's word.")
	d.probeUp = post("probe_up", "1 when the newest poll was answered by a line that holds a reading.")
	d.batteryLow = post("probe_battery_low", "1 while the probe calls for a new battery.")
	d.temperature = post("probe_temperature_celsius", "What the probe last said its temperature is. Absent when it said none, or none for the post's stale time.")
	d.batteryVolts = post("probe_battery_volts", "What the probe last said its battery gives. Absent when it said none, or none for the post's stale time.")
	d.batteryRatio = post("probe_battery_ratio", "What the probe last said is left of its battery, 1 being full. Absent when it said none, or none for the post's stale time.")
	d.blind = post("post_blind", "1 while the field at the post is not known: it does not see, or its probe's zero is off.")
	d.condition = post("post_condition", "1 for the condition that the post is in.", "condition")
	d.stale = post("post_stale_seconds", "The post's stale time: a value older than this is unknown.")
	d.lastSample = post("last_sample_timestamp_seconds", "Instant of the newest sample of any quality. Absent when there is none.")
	d.lastValidSample = post("last_valid_sample_timestamp_seconds", "Instant of the newest valid sample. Absent when there is none.")
	d.readErrors = post("read_errors_total", "Readings that were not had: unparsed (a line that holds no reading), unanswered (no answer in time), missed (the moment to ask passed unused).", "reason")
	d.late = post("late_answers_total", "Answers that came after their time-out. Each is a sample of its own question, and counted as unanswered in ovenward_read_errors_total too.")
	d.dropped = post("dropped_bytes_total", "Bytes that came from the probe unasked.")
	d.opens = post("port_opens_total", "Times the probe's port was opened.")
	d.roundTrip = post("round_trip_seconds", "From the departure of the newest answered request to the first byte of its answer. Absent while nothing answers, and for a probe that talks by itself.")
}

// station names what belongs to no post.
func (d *descs) station(named namer) {
	d.committed = named("record_committed_timestamp_seconds", "When the record was last made durable. Absent before the first time.", "site")
	d.pending = named("record_pending_samples", "Samples that are not yet durable.", "site")
	d.lost = named("record_lost_samples_total", "Samples that the record had to drop.", "site")
	d.writable = named("record_writable", "1 while the record can be written.", "site")
	d.numberKept = named("record_commit_number_kept", "1 while the last commit's number is kept beside the record, without which a lost end of its log would not be noticed.", "site")
	d.damaged = named("record_damaged_stretches_total", "Stretches of the record that were found damaged or lost, at the start of the program or since. Each is an event that names it.", "site")
	d.salvaged = named("record_salvaged_commits_total", "Commits that were read from a damaged log at the start, and recorded again.", "site")
	d.head = named("record_day_head_entries", "Entries of the record's chain of hashes up to the end of the last UTC day, and the head after them. Keep it elsewhere: ovenward verify compares the record with it. Absent before the first.", "site", "day", "sha256")
	d.sent = named("messages_sent_total", "Messages that a courier's receiver accepted.", "site", "courier")
	d.failed = named("messages_failed_attempts_total", "Attempts to send a message that failed and are made again.", "site", "courier")
	d.refused = named("messages_refused_total", "Messages that a courier's receiver refused for good.", "site", "courier")
	d.waiting = named("messages_waiting", "Messages not yet accepted.", "site", "courier")
	d.accepted = named("messages_last_accepted_timestamp_seconds", "When a courier's receiver last accepted a message. Absent when it has not.", "site", "courier")
	d.sumLower = named("sum_lower_ratio", "Lower bound of the sum of the ratios of several frequencies' means to their limits: together they exceed when it is above 1.", "site", "sum", "limit")
	d.sumUpper = named("sum_upper_ratio", "Upper bound of that sum. +Inf while any post is over range. Absent when a post has no mean.", "site", "sum", "limit")
	d.sumVerdict = named("sum_verdict", "1 for the verdict that stands on the sum of ratios. Within is earned by each of its posts first.", "site", "sum", "limit", "verdict")
	d.coalesced = named("messages_coalesced_total", "Changes of alarms that were not sent, since a newer change of their alarm stood in for them and told their number.", "site", "courier")
	d.unlisted = named("messages_unlisted_total", "Messages of which the record could not keep what came of them.", "site", "courier")
	d.failing = named("courier_failing", "1 while the newest attempt of a courier was not accepted, or a message waits that was not, or its receiver does not take what it is to show: the states of posts (MQTT), what stands (Alertmanager).", "site", "courier")
	d.beatEvery = named("heartbeat_interval_seconds", "Time between two heartbeats of a courier. Absent when it sends none.", "site", "courier")
	d.beatLast = named("heartbeat_last_accepted_timestamp_seconds", "When a courier's receiver last accepted a heartbeat. Absent when it has not.", "site", "courier")
	d.remoteSamples = named("remote_write_samples_total", "Samples by what came of them at a remote-write target: sent, refused for good, too old for the receiver, crowded (more than one a millisecond).", "site", "target", "outcome")
	d.remoteFailed = named("remote_write_failed_attempts_total", "Requests to a remote-write target that failed and are made again.", "site", "target")
	d.remoteBehind = named("remote_write_behind_seconds", "For how long the oldest sample waits that a remote-write target has not got; 0 when it has all.", "site", "target")
	d.remoteHeld = named("remote_write_held_back", "1 while samples are held back because they are stamped ahead of the receiver's clock.", "site", "target")
	d.remoteAccepted = named("remote_write_last_accepted_timestamp_seconds", "When a remote-write target last accepted samples. Absent when it has not.", "site", "target")
	d.reloaded = named("config_last_reload_successful", "1 when the configuration was in force after it was last loaded; 0 when it was refused, and the one before stays.", "site")
	d.reloadedAt = named("config_last_reload_success_timestamp_seconds", "When a configuration last came into force.", "site")
	d.simulated = named("simulated", "1 when anything shown here comes from a simulated probe and no real oven.", "site")
	d.build = named("build_info", "1, with the version of Ovenward and of Go it was built with.", "version", "goversion")
}
