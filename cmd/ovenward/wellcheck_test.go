package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/cmd/internal/notify"
)

// held begins what only an alarm says: it may be held for the stale time though
// the field is seen again, and a verdict may stand then.
const held = "alarm or notice "

// exceeded begins what is so of a post that was told to exceed.
const exceeded = "it was told to exceed, and was not reset: "

// besideDoor is so until a reset, whatever the field comes to against its limits.
const besideDoor = held + "open-door: a field was seen beside an open door, and it was not reset"

const stuckAfter = 25 * time.Second

// unwell says why the post cannot be well, by what was said and is in the record
// alone; empty when it may be.
func (y *trying) unwell() string {
	newest := y.inMemory.newest()
	for rule, a := range newest {
		if rule.IsExceedance() && a.State != alarm.Normal {
			return exceeded + string(rule)
		}
	}
	if !y.unseenSince.IsZero() && time.Since(y.unseenSince) > 6*time.Second {
		return "nothing valid was said for more than the stale time"
	}
	if !y.stuckSince.IsZero() && (newest[alarm.Away].State.Present() || newest[alarm.UnderTest].State.Present()) {
		y.stuckSince = time.Now() // what is announced may end by itself before the next look, and then it counts anew
	}
	if !y.stuckSince.IsZero() && time.Since(y.stuckSince) > stuckAfter+7*time.Second {
		return "the digits stand still for longer than their noise allows"
	}
	if a, ok := newest[alarm.OpenDoor]; ok && a.State != alarm.Normal {
		return besideDoor
	}
	for _, rule := range []alarm.Rule{alarm.Away, alarm.UnderTest, alarm.Silent, alarm.Stale, alarm.Stuck, alarm.Fault, alarm.Emission} {
		if a, ok := newest[rule]; ok && a.State.Present() {
			return held + string(rule) + " is present"
		}
	}
	return ""
}

// limitOf is the limit that a rule of exceedance is about.
func limitOf(rule string) string {
	if id, more := strings.CutPrefix(rule, string(alarm.ExceedsOf(""))); more && !strings.Contains(id, ":") {
		return id
	}
	return "in-use"
}

// wrong says where a post looks well that is not.
func (y *trying) wrong() string {
	why := y.unwell()
	st := y.station.Stats()[0]
	if why == "" {
		return ""
	}
	if s := st.Sight(); s.Seeing() || s.Well() {
		return fmt.Sprintf("%s, and it counts as %s", why, s.Words())
	}
	get := func(path string) string {
		w := httptest.NewRecorder()
		y.page.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		return w.Body.String()
	}
	lasts := strings.HasPrefix(why, held) && !st.Condition.Blind()
	rule, loud := strings.CutPrefix(why, exceeded)
	loud = loud && !st.Condition.Blind()
	numbers := get("/metrics")
	for line := range strings.Lines(numbers) {
		for _, bad := range []string{`regard="seeing"`, `verdict="within"`} {
			if lasts && bad != `regard="seeing"` {
				continue
			}
			if other := "limit_verdict{limit="; loud && strings.Contains(line, other) && !strings.Contains(line, other+strconv.Quote(limitOf(rule))) {
				continue // the field may well be within a higher one
			}
			if strings.Contains(line, bad) && strings.HasSuffix(strings.TrimSpace(line), " 1") {
				return why + ", and metrics say " + strings.TrimSpace(line)
			}
		}
	}
	if !strings.Contains(numbers, `regard="seeing"`) {
		return "metrics do not say what the post amounts to"
	}
	var posts struct {
		Posts []struct {
			Regard  string
			Verdict struct{ Outcome string }
		}
	}
	if err := json.Unmarshal([]byte(get("/api/v1/posts")), &posts); err != nil || len(posts.Posts) != 1 {
		return fmt.Sprintf("the API: %v", err)
	}
	if p := posts.Posts[0]; p.Regard == string(acquire.Sees) || !lasts && p.Verdict.Outcome == string(limit.Within) {
		return fmt.Sprintf("%s, and the API says %+v", why, p)
	}
	if wrong := y.wrongElsewhere(why); wrong != "" {
		return wrong
	}
	if page := get("/"); strings.Contains(page, "No reading above a limit") || !strings.Contains(page, "What is so") {
		return why + ", and the page is calm"
	}
	return ""
}

// wrongElsewhere says where a heartbeat or a broker make a post look well that is
// not.
func (y *trying) wrongElsewhere(why string) string {
	snap := notify.SnapshotOf(y.station.Stats(), y.station.Alarms(), y.now())
	beat := notify.HeartbeatOf(snap, "test", time.Minute)
	h := beat.Heartbeat
	told := len(h.Exceeding) + len(h.DoorOpen) + len(h.Emitting) + len(h.Blind) + len(h.Away) + len(h.UnderTest)
	loud := strings.HasPrefix(why, exceeded)
	switch {
	case told == 0, strings.Contains(beat.Text, "no alarm"):
		return why + ", and a heartbeat says " + beat.Text
	case loud && (len(h.Exceeding) == 0 || !strings.Contains(beat.Text, ": 1 post exceeding,")):
		return why + ", and a heartbeat says " + beat.Text
	case why == besideDoor && (len(h.DoorOpen) != 1 || !strings.Contains(beat.Text, "1 post emitting with the door open")):
		return why + ", and a heartbeat says " + beat.Text
	case !loud && !strings.HasPrefix(why, held) && h.Seeing != 0:
		return why + ", and a heartbeat counts it as seeing: " + beat.Text
	}
	for _, stopped := range []bool{false, true} {
		all, err := notify.Retained(snap, y.now(), stopped)
		if err != nil {
			return err.Error()
		}
		var p struct {
			Verdict string
			Blind   bool
			Sight   []acquire.Regard
			Until   time.Time
		}
		switch err := json.Unmarshal(all["door"], &p); {
		case err != nil:
			return err.Error()
		case p.Verdict == string(limit.Within), slices.Contains(p.Sight, acquire.Sees), len(p.Sight) == 0,
			why == besideDoor && !slices.Contains(p.Sight, acquire.OpenEmits),
			loud && (p.Verdict != string(limit.Exceeds) || p.Sight[0] != acquire.Exceeding), stopped && !p.Blind, stopped != p.Until.IsZero():
			return fmt.Sprintf("%s, and a broker retains (stopped %v) %s", why, stopped, all["door"])
		}
	}
	return ""
}
