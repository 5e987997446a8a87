package notify

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
)

// Heartbeat is what a heartbeat carries: ids of posts, by what is the matter. A
// post may be in several lists; it counts as seeing only if it is in none that
// makes it blind.
type Heartbeat struct {
	Every     float64  `json:"every_s"` // the next one is due after this; a receiver alarms when it stays away
	Posts     int      `json:"posts"`
	Seeing    int      `json:"seeing"`
	Blind     []string `json:"blind,omitempty"`
	Exceeding []string `json:"exceeding,omitempty"` // present, or latched until a reset
	DoorOpen  []string `json:"door_open,omitempty"` // a field persisted beside an open door; present, or latched until a reset
	Emitting  []string `json:"emitting,omitempty"`  // the oven is withdrawn, and emits
	Shelved   []string `json:"shelved,omitempty"`   // POST RULE
	Away      []string `json:"away,omitempty"`
	UnderTest []string `json:"under_test,omitempty"`
	Withdrawn []string `json:"withdrawn,omitempty"`
	Standing  []string `json:"standing,omitempty"` // all alarms that stand, as POST RULE

	aside []string // as Shelved, with until when, by whom and why
}

// heartbeat makes the message that tells how all posts are.
func heartbeat(s Snapshot, site, link string, every time.Duration, t *Texts) Message {
	h := &Heartbeat{Every: every.Seconds(), Posts: len(s.Posts)}
	for _, p := range s.Posts {
		add := func(r acquire.Regard, list *[]string) {
			if slices.Contains(p.Sight, r) {
				*list = append(*list, p.ID)
			}
		}
		if !p.Blind {
			h.Seeing++
		}
		add(acquire.IsBlind, &h.Blind)
		add(acquire.Exceeding, &h.Exceeding)
		add(acquire.OpenEmits, &h.DoorOpen)
		add(acquire.Emits, &h.Emitting)
		add(acquire.IsAway, &h.Away)
		add(acquire.IsTested, &h.UnderTest)
		add(acquire.IsOut, &h.Withdrawn)
		for _, r := range p.Shelved {
			h.Shelved = append(h.Shelved, p.ID+" "+r)
		}
		for _, words := range p.aside {
			h.aside = append(h.aside, p.ID+" "+words)
		}
		for _, r := range p.Standing {
			h.Standing = append(h.Standing, p.ID+" "+r)
		}
	}
	for _, r := range s.Station {
		h.Standing = append(h.Standing, "station "+r)
	}
	for _, r := range s.Shelved {
		h.Shelved = append(h.Shelved, "station "+r)
	}
	for _, words := range s.aside {
		h.aside = append(h.aside, "station "+words)
	}
	h.Exceeding, h.DoorOpen = append(h.Exceeding, s.gone...), append(h.DoorOpen, s.goneOpen...)
	m := Message{Version: messageVersion, Kind: KindHeartbeat, Site: site, At: s.At.UTC(), Recorded: false, Simulated: s.Simulated,
		Heartbeat: h, Caution: Caution, Link: link,
		MessageID: url.PathEscape(site) + "/heartbeat/" + strconv.FormatInt(s.At.UnixMilli(), 10)}
	t.fill(&m)
	return m
}

// well says that there is nothing to tell.
func (h *Heartbeat) well() bool {
	return h.Posts > 0 && h.Seeing == h.Posts &&
		len(h.Exceeding)+len(h.DoorOpen)+len(h.Emitting)+len(h.Blind)+len(h.Away)+len(h.UnderTest)+len(h.Shelved)+len(h.Standing)+len(h.Withdrawn) == 0
}

// summary is one line. It never says that all is well of what is not.
func (h *Heartbeat) summary() string {
	if h.well() {
		return fmt.Sprintf("all %d posts seeing, no alarm", h.Posts)
	}
	parts := h.loud()
	if h.Posts > 0 && h.Seeing == h.Posts && len(parts) == 0 {
		parts = append(parts, fmt.Sprintf("all %d posts seeing", h.Posts))
	} else {
		parts = append(parts, fmt.Sprintf("%d of %d posts seeing", h.Seeing, h.Posts))
	}
	for _, l := range []struct {
		what string
		ids  []string
	}{{"blind", h.Blind}, {"away for survey", h.Away}, {"under test", h.UnderTest}, {"shelved", h.Shelved}, {"withdrawn", h.Withdrawn}} {
		if len(l.ids) > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", len(l.ids), l.what))
		}
	}
	switch n := len(h.Standing); n {
	case 0:
	case 1:
		parts = append(parts, "1 alarm standing")
	default:
		parts = append(parts, fmt.Sprintf("%d alarms standing", n))
	}
	return strings.Join(parts, ", ")
}

// loud is what the line begins with, whatever else is so: fields above a limit, or
// not known to be mended.
func (h *Heartbeat) loud() []string {
	var parts []string
	for _, l := range []struct {
		what string
		ids  []string
	}{{"exceeding", h.Exceeding}, {"emitting with the door open", h.DoorOpen}, {"emitting though withdrawn", h.Emitting}} {
		switch n := len(l.ids); n {
		case 0:
		case 1:
			parts = append(parts, "1 post "+l.what)
		default:
			parts = append(parts, fmt.Sprintf("%d posts %s", n, l.what))
		}
	}
	return parts
}

// sentences tells the lists.
func (h *Heartbeat) sentences() string {
	var said []string
	for _, l := range []struct {
		what string
		ids  []string
	}{{"Exceeding", h.Exceeding}, {"Emitting with the door open, or not known to be mended of it", h.DoorOpen}, {"Emitting though withdrawn", h.Emitting}, {"Blind", h.Blind}, {"Away for survey, and so blind", h.Away}, {"Under test, and so blind", h.UnderTest},
		{"Set aside", h.aside}, {"Withdrawn", h.Withdrawn}, {"Standing", h.Standing}} {
		if len(l.ids) == 0 {
			continue
		}
		ids := slices.Clone(l.ids)
		more := ""
		if len(ids) > maxListed {
			more = fmt.Sprintf(", and %d more", len(ids)-maxListed)
			ids = ids[:maxListed]
		}
		said = append(said, l.what+": "+strings.Join(ids, ", ")+more+".")
	}
	every := time.Duration(h.Every * float64(time.Second))
	return strings.Join(append(said, "The next heartbeat is due in "+quantity.FormatDuration(every)+"; if it stays away, look at the station."), " ")
}
