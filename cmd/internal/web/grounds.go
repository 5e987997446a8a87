package web

import (
	"math"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
)

// ground is one thing that the top line rests on, and whether it holds.
type ground struct {
	Holds bool   `json:"holds"`
	Text  string `json:"text"`
}

// grounds says why one may believe the top line: that samples are fresh,
// certificates valid, the clock sure and the record written; or what of it is
// not so.
func (s *Server) grounds(v voice, stats []acquire.Stats, alarms []alarm.Alarm, rows []row, now time.Time) []ground {
	if len(stats) == 0 {
		return nil
	}
	return []ground{samplesGround(v, stats, rows), certificatesGround(v, stats, now), clockGround(v, stats, alarms), s.recordGround(v)}
}

func samplesGround(v voice, stats []acquire.Stats, rows []row) ground {
	blind, oldest := 0, time.Duration(0)
	for _, r := range rows {
		if r.blind && !r.zeroOff {
			blind++
		}
	}
	if blind > 0 {
		return ground{false, v.t("overview.samples_missing", "of", v.t("overview.of", "k", blind, "n", len(rows)))}
	}
	for _, st := range stats {
		oldest = max(oldest, st.Now.Sub(st.Newest.At))
	}
	return ground{true, v.t("overview.samples", "x", max(int(math.Ceil(oldest.Seconds())), 1))}
}

// shownLacking is how many probes without a certificate the top line names; the page
// of probes has all.
const shownLacking = 10

func certificatesGround(v voice, stats []acquire.Stats, now time.Time) ground {
	var due time.Time
	seen := map[string]bool{}
	var lacking []string
	for _, st := range stats {
		p := &st.Post.Probe
		if seen[p.ID] {
			continue
		}
		seen[p.ID] = true
		c := calib.InForce(p.Certificates(), now)
		if c == nil || now.Before(c.Date) || !c.Due.IsZero() && !now.Before(c.Due) {
			lacking = append(lacking, p.ID)
			continue
		}
		if !c.Due.IsZero() && (due.IsZero() || c.Due.Before(due)) {
			due = c.Due
		}
	}
	switch {
	case len(lacking) > 0:
		which := strings.Join(lacking[:min(len(lacking), shownLacking)], ", ")
		if more := len(lacking) - shownLacking; more > 0 {
			which = v.t("overview.and_more", "list", which, "k", more)
		}
		return ground{false, v.t("overview.certificates_lacking", "n", len(lacking), "all", len(seen), "which", which)}
	case due.IsZero():
		return ground{true, v.t("overview.certificates_undated", "n", len(seen))}
	}
	return ground{true, v.t("overview.certificates", "n", len(seen), "due", due.UTC().Format(time.DateOnly))}
}

func clockGround(v voice, stats []acquire.Stats, alarms []alarm.Alarm) ground {
	for _, st := range stats {
		if st.Newest.Quality&acquire.ClockUnsure != 0 {
			return ground{false, v.t("overview.clock_unsure")}
		}
	}
	for _, a := range alarms {
		if a.Post == "" && a.Rule == "clock" && a.State.Standing() {
			return ground{false, v.t("overview.clock_unsure")}
		}
	}
	return ground{true, v.t("overview.clock")}
}

func (s *Server) recordGround(v voice) ground {
	if s.o.Healthy != nil {
		if err := s.o.Healthy(); err != nil {
			return ground{false, v.t("overview.record_not", "why", v.said(err.Error()))}
		}
	}
	return ground{true, v.t("overview.record")}
}
