package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle"
	"ovenward/acquire/store"
)

// TestRunsAreAnOvensByAContactsWord: where other ovens are at a site, past runs of a
// post are its oven's where a contact said meanwhile that it was switched to heat, on
// the page and by the API; the others are nobody's.
func TestRunsAreAnOvensByAContactsWord(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	aged(t, dir, "pantry-door") // 60 runs of 40 s, each 12 h, from 110 s on
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for batch, err := range s.PastSamples(t.Context(), "pantry-door", time.Now().Add(-31*24*time.Hour), time.Now()) {
		if err != nil {
			t.Fatal(err)
		}
		begin := batch[0].At
		for run := range 60 { // every second one; the others when another oven stood there
			on := cycle.Switched{Contact: "relay", Oven: []string{"pantry", "scullery"}[run%2], From: begin.Add(time.Duration(run)*12*time.Hour + 108*time.Second), Lag: 100 * time.Millisecond}
			on.To = on.From.Add(44 * time.Second)
			raw, err := json.Marshal(on)
			if err != nil {
				t.Fatal(err)
			}
			s.Record(acquire.Event{At: on.To.Add(90 * time.Second), Post: "pantry-door", Kind: acquire.KindPower, Text: "contact relay said so", Raw: raw})
		}
		s.Record(acquire.Event{At: time.Now(), Post: "pantry-door", Kind: acquire.KindPower, Text: "damaged", Raw: []byte("{")}) // costs the others nothing
		break
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	read := filepath.Join(t.TempDir(), "value")
	file := filepath.Join(t.TempDir(), "kitchen.toml")
	text := string(kitchenTOML) + "\n[[contact]]\nid = \"relay\"\npost = \"pantry-door\"\nsays = \"power\"\nfile = \"" + read + "\"\nevery = \"1 s\"\n"
	for name, body := range map[string]string{read: "0\n", file: text} {
		if err := os.WriteFile(name, []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r := startDaemon(t, settings{configFile: file, storagePath: dir})
	var runs struct {
		Oven *string `json:"oven"`
		Why  string  `json:"oven_why"`
		Runs []struct {
			Number int64  `json:"number"`
			SaidBy string `json:"said_by"`
		} `json:"runs"`
	}
	waitFor(t, 30*time.Second, "the runs", func() bool {
		return json.Unmarshal([]byte(r.get(t, "/api/v1/posts/pantry-door/history?days=40")), &runs) == nil && len(runs.Runs) >= 60
	})
	for _, u := range runs.Runs[:60] {
		if want := map[bool]string{true: "relay"}[u.Number%2 == 1]; runs.Oven != nil || u.SaidBy != want {
			t.Fatalf("run %d is the oven's by %q, want %q", u.Number, u.SaidBy, want)
		}
	}
	if !strings.Contains(runs.Why, "is damaged in the record, and left out") {
		t.Errorf("that one is left out is not said: %q", runs.Why)
	}
	page := r.get(t, "/runs")
	if !strings.Contains(page, "is damaged in the record, and left out") || strings.Contains(page, "cannot be read") {
		t.Error("the page does not say that one is left out")
	}
	if n := strings.Count(page, "of oven pantry: contact relay said that it was switched to heat"); n < 5 || n > 15 {
		t.Errorf("the page says so of %d of the runs of 7 days", n)
	}
	r.stop(t)
}
