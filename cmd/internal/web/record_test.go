package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/store"
)

// TestRecord: the API shows how the record fares, and the heads that prove it.
func TestRecord(t *testing.T) {
	st := store.Stats{Commits: 12, CommittedAt: noon(), Pending: 3, Damaged: 2, Head: store.Head{Day: "2031-05-20", Entries: 9, SHA256: "ab"},
		DayHead: store.Head{Day: "2031-05-19", Entries: 7, SHA256: "cd"}}
	var from, to time.Time
	var fails error
	s := newServer(newFake(noon()), func(o *Options) {
		o.Record = func() store.Stats { return st }
		o.Heads = func(_ context.Context, a, b time.Time) ([]store.DayHead, error) {
			from, to = a, b
			return []store.DayHead{{Head: st.DayHead, Signer: "ef"}}, fails
		}
	})
	var got recordJSON
	ask := func(query string) recordJSON {
		t.Helper()
		w := get(t, s, "/api/v1/record"+query)
		var out recordJSON
		if err := json.Unmarshal(w.Body.Bytes(), &out); err != nil || w.Code != http.StatusOK {
			t.Fatalf("%d, %v: %s", w.Code, err, w.Body)
		}
		return out
	}
	got = ask("")
	if got.Commits != 12 || !got.Writable || !got.NumberKept || got.Head != st.Head || got.DayHead != st.DayHead || len(got.Days) != 1 || got.Days[0].Signer != "ef" || got.Damaged != 2 {
		t.Errorf("%+v", got)
	}
	if !to.Equal(noon()) || to.Sub(from) != 6*24*time.Hour {
		t.Errorf("asked from %s to %s", from, to)
	}
	if got = ask("?days=0"); len(got.Days) != 0 {
		t.Errorf("%+v", got)
	}
	st.Err, st.NumberErr, fails = errors.New("no space left"), errors.New("input/output error"), errors.New("disk I/O error")
	if got = ask(""); got.Writable || got.Why != "no space left" || got.NumberKept || got.NumberWhy != "input/output error" || got.DaysTrouble != "disk I/O error" || got.Head != st.Head {
		t.Errorf("%+v", got)
	}
	if w := get(t, s, "/api/v1/record?days=x"); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "3660") {
		t.Errorf("%d: %s", w.Code, w.Body)
	}
	if w := get(t, newServer(newFake(noon())), "/api/v1/record"); w.Code != http.StatusNotFound {
		t.Errorf("without a record: %d", w.Code)
	}
}
