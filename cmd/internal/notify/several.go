package notify

import (
	"slices"
	"sort"
	"strconv"
	"time"

	"net/url"

	"ovenward/acquire/alarm"
)

// several puts the messages of several alarms into one, those that matter most
// first. Each keeps the id under which it would have come by itself; that of the
// whole is made of the first and the last event it was begun with.
func several(all []Message, ids [2]int64, site, link string) Message {
	all = slices.Clone(all)
	sort.SliceStable(all, func(i, j int) bool { return rank(all[i].Priority) < rank(all[j].Priority) })
	m := Message{Version: messageVersion, Kind: KindSeveral, Site: site, Alarms: all, Recorded: true, Caution: Caution, Link: link}
	for _, a := range all {
		if a.At.After(m.At) {
			m.At = a.At
		}
		if m.Priority == "" || rank(a.Priority) < rank(m.Priority) {
			m.Priority = a.Priority
		}
		m.Simulated = m.Simulated || a.Simulated
		m.Recorded = m.Recorded && a.Recorded
		m.AndNMore += a.AndNMore
	}
	m.MessageID = url.PathEscape(site) + "/several/" + strconv.FormatInt(ids[0], 10) + "-" + strconv.FormatInt(ids[1], 10)
	return m
}

// rank orders priorities, the highest first.
func rank(p alarm.Priority) int {
	switch p {
	case alarm.High:
		return 0
	case alarm.Medium:
		return 1
	}
	return 2
}

// TestMessage is what an operator sends to try a courier.
func TestMessage(site, courier, link string, at time.Time, t *Texts) Message {
	m := Message{Version: messageVersion, Kind: KindTest, Site: site, At: at.UTC(), Recorded: false, Caution: Caution, Link: link,
		MessageID: url.PathEscape(site) + "/test/" + url.PathEscape(courier) + "/" + strconv.FormatInt(at.UnixNano(), 10)}
	t.fill(&m)
	return m
}
