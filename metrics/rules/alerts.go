package rules

const (
	atPost  = "post {{ $labels.post }} (oven {{ $labels.oven }}, {{ $labels.site }})"
	keepOff = "Stop using the oven and keep away from it; a qualified person finds the cause. This is advice, no interlock."
	unknown = "What the field is there is not known. Treat it as exceeding until it is seen again; mend probe, cable or port."
	program = "Look at the daemon's log and at its machine; until it is back nothing is watched, and no field is known."
)

// unanswered are alarms that wait for somebody, whether the field is still there, or
// fell. Taken together, so that the wait goes on when the state changes.
const unanswered = `max by (site, post, oven, probe, rule) (ovenward_alarm_state{priority="high",state=~"unacknowledged|.*, unacknowledged"}) == 1`

// noFresh is that nothing valid came for a minute, nor for twice the post's stale time,
// which may be hours. Where that time is not known it is a minute.
const noFresh = "time() - ovenward_last_valid_sample_timestamp_seconds > 60 unless" +
	" time() - ovenward_last_valid_sample_timestamp_seconds <= 2 * ovenward_post_stale_seconds"

// gone is a post that was watched within a day and is no more, whichever probe it had,
// while the daemon is there: that the daemon is not, other alerts tell.
const gone = "(max by (site, post, oven) (max_over_time(ovenward_post_blind[1d])) unless on (site, post) ovenward_post_blind)" +
	" and on (site) ovenward_simulated"

// Alerts lists the alerting rules. The job of the scrape is named ovenward.
func Alerts() []Alert {
	return append(append(fieldAlerts(), sightAlerts()...), append(recordAlerts(), tellingAlerts()...)...)
}

func fieldAlerts() []Alert {
	return []Alert{
		{"OvenwardFieldAlarm", "ovenward_alarm_active{" + Field + "} == 1", "", Critical,
			"alarm {{ $labels.rule }} stands at " + atPost, keepOff},
		{"OvenwardOverRange", "ovenward_limit_ratio == Inf", "", Critical,
			"the probe is over range at " + atPost, keepOff},
		{"OvenwardVerdictExceeds", `ovenward_post_verdict{verdict="exceeds"} == 1`, "", Critical,
			"the verdict exceeds stands at " + atPost, keepOff},
		{"OvenwardSumExceeds", `ovenward_sum_verdict{verdict="exceeds"} == 1`, "", Critical,
			"several frequencies together exceed, sum {{ $labels.sum }} ({{ $labels.site }})", keepOff},
	}
}

func sightAlerts() []Alert {
	return []Alert{
		{"OvenwardPostBlind", "ovenward_post_blind == 1", "15s", Critical, atPost + " does not see", unknown},
		{"OvenwardNoFreshSample", noFresh, "", Critical,
			"no valid sample for a minute, nor for twice the stale time, at " + atPost, unknown},
		{"OvenwardNeverSawAField", "ovenward_post_blind unless on " + perPost + " ovenward_last_valid_sample_timestamp_seconds", "1m", Critical,
			"no valid sample at all at " + atPost, unknown},
		{"OvenwardPostGone", gone, "1m", Critical,
			atPost + " is in the metrics no more, and the daemon is",
			"It is not watched. Look in the configuration; if it was taken out by intent, silence this, which stands for a day."},
		{"OvenwardNotScraped", `up{job="ovenward"} == 0`, "15s", Critical, "the daemon {{ $labels.instance }} does not answer", program},
		{"OvenwardAbsent", "absent(ovenward_build_info)", "30s", Critical, "no daemon is in the metrics", program},
		{"OvenwardNoPosts", "absent(ovenward_post_blind)", "30s", Critical, "no post is in the metrics", program},
		{"OvenwardMissedSlots", `rate(ovenward_read_errors_total{reason="missed"}[5m]) > 0.1`, "5m", Warning,
			"moments to ask pass unused at " + atPost, "Look at the load of the daemon's machine."},
		{"OvenwardAlarmStands", `ovenward_alarm_active{rule!~"exceeds|exceeds:.*|emission|open-door|silent|stale|stuck|fault"} == 1`, "1m", Warning,
			"alarm {{ $labels.rule }} stands at " + atPost, "The page says what to do about it."},
		{"OvenwardUnacknowledged", unanswered, "15m", Critical,
			"nobody has acknowledged alarm {{ $labels.rule }} at " + atPost, "Somebody goes there, and says so on the page."},
		{"OvenwardSimulated", "ovenward_simulated == 1", "1h", Warning, "what {{ $labels.site }} shows is simulated",
			"Where ovens are to be watched, load a configuration without simulated probes."},
	}
}

func recordAlerts() []Alert {
	return []Alert{
		{"OvenwardRecordNotWritten", "ovenward_record_writable == 0", "30s", Critical, "the record of {{ $labels.site }} cannot be written",
			"Make room on its disk, or mend it; samples are lost when memory is full."},
		{"OvenwardRecordLoses", "increase(ovenward_record_lost_samples_total[10m]) > 0", "", Critical, "the record of {{ $labels.site }} loses samples",
			"Make room on its disk, or mend it."},
		{"OvenwardRecordBehind", "time() - ovenward_record_committed_timestamp_seconds > 60 and on (site) ovenward_record_pending_samples > 0", "90s", Warning,
			"samples wait, and nothing was committed to the record of {{ $labels.site }} for a minute", "Look at its disk."},
		// No increase would show what was found at the start, before any scrape.
		{"OvenwardRecordDamaged", "ovenward_record_damaged_stretches_total > 0", "", Critical,
			"damage was found in the record of {{ $labels.site }} since its program started",
			"Its events say which stretches. Back the record up, and run ovenward verify. This stands until the program is started again."},
		{"OvenwardCommitNumberNotKept", "ovenward_record_commit_number_kept == 0", "10m", Warning, "a lost end of the record of {{ $labels.site }} would not be noticed",
			"Look at permissions and space in the record's folder."},
	}
}

func tellingAlerts() []Alert {
	return []Alert{
		{"OvenwardCourierFails", "ovenward_courier_failing == 1", "2m", Critical, "what courier {{ $labels.courier }} of {{ $labels.site }} sends is not accepted",
			"Alarms wait, or a receiver shows posts as they are no more. Look at the receiver and at the courier's alarm on the page, which says why."},
		{"OvenwardHeartbeatLate", "time() - ovenward_heartbeat_last_accepted_timestamp_seconds > 2 * ovenward_heartbeat_interval_seconds", "", Critical,
			"heartbeats of courier {{ $labels.courier }} of {{ $labels.site }} are not accepted", "Look at the receiver."},
		{"OvenwardMessagesRefused", "increase(ovenward_messages_refused_total[1h]) > 0", "", Warning,
			"a receiver refused messages of courier {{ $labels.courier }} of {{ $labels.site }} for good", "The dead letters say why: ovenward notify --dead."},
		{"OvenwardRemoteWriteBehind", "ovenward_remote_write_behind_seconds > 300", "5m", Warning,
			"target {{ $labels.target }} of {{ $labels.site }} is five minutes behind", "Look at the receiver and the network."},
		{"OvenwardRemoteWriteHeldBack", "ovenward_remote_write_held_back == 1", "5m", Warning,
			"samples for target {{ $labels.target }} of {{ $labels.site }} are stamped ahead of its clock", "Set both clocks right."},
		{"OvenwardReloadRefused", "ovenward_config_last_reload_successful == 0", "1m", Warning,
			"the configuration of {{ $labels.site }} was refused, and the one before is in force", "The daemon's log names each mistake with its line."},
		{"OvenwardRulesWork", "vector(1)", "", Beat, "these rules are evaluated", "Have somebody told where this stays away: then nobody is told of anything."},
	}
}
