package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/notify"
	"ovenward/config"
)

// TestReadmeNamesEveryMetric holds the README's table to what is served.
func TestReadmeNamesEveryMetric(t *testing.T) {
	t.Parallel()
	readme := readme(t)
	r := startDaemon(t, settings{})
	served := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^# TYPE (ovenward_\w+) `).FindAllStringSubmatch(r.get(t, "/metrics"), -1) {
		served[m[1]] = true
		if !strings.Contains(readme, m[1]) {
			t.Errorf("the README does not name %s", m[1])
		}
	}
	for _, name := range []string{"ovenward_simulated", "ovenward_samples_total"} {
		if !served[name] {
			t.Errorf("%s is not served at all", name)
		}
	}
}

// TestReadmeConfigurationIsGood loads the configuration that the README shows.
func TestReadmeConfigurationIsGood(t *testing.T) {
	_, rest, ok := strings.Cut(readme(t), "```toml\n")
	shown, _, closed := strings.Cut(rest, "```")
	if !ok || !closed {
		t.Fatal("the README shows no configuration")
	}
	if _, err := config.Parse("README.md", []byte(shown)); err != nil {
		t.Error(err)
	}
}

// TestReadmeNamesEveryRule: each kind of alarm is in the table of alarms.
func TestReadmeNamesEveryTable(t *testing.T) {
	t.Parallel()
	_, section, _ := strings.Cut(readme(t), "\n## The record\n")
	section, _, _ = strings.Cut(section, "\n## ")
	db, err := sql.Open("sqlite", filepath.Join(keptRecord(t, nil), store.FileName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query("SELECT name FROM sqlite_schema WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite%'")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	n := 0
	for ; rows.Next(); n++ {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(section, "`"+name+"`") {
			t.Errorf("the README says nothing of the table or view %s", name)
		}
	}
	if n < 20 || rows.Err() != nil {
		t.Errorf("%d tables and views, %v", n, rows.Err())
	}
}

func TestReadmeNamesEveryRule(t *testing.T) {
	_, table, ok := strings.Cut(readme(t), "| rule | raised when | priority |\n")
	table, _, closed := strings.Cut(table, "\n\n")
	if !ok || !closed {
		t.Fatal("the README has no table of alarms")
	}
	for _, r := range alarm.Rules() {
		if !regexp.MustCompile("`" + r.Kind() + "(:[A-Z]+|:by:ID)?`").MatchString(table) {
			t.Errorf("the table of alarms has no %s", r.Kind())
		}
	}
}

// TestReadmeNamesEveryFieldOfAMessage holds the schema of a webhook's message, and of
// a heartbeat in it, to what is sent.
func TestReadmeNamesEveryFieldOfAMessage(t *testing.T) {
	_, table, ok := strings.Cut(readme(t), "## What a webhook gets\n")
	table, _, closed := strings.Cut(table, "\n## ")
	if !ok || !closed {
		t.Fatal("the README has no table of a message's fields")
	}
	n := 0
	for _, of := range []reflect.Type{reflect.TypeFor[notify.Message](), reflect.TypeFor[notify.Heartbeat]()} {
		for _, f := range reflect.VisibleFields(of) {
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if n++; name != "" && !strings.Contains(table, "`"+name+"`") {
				t.Errorf("the README does not name field %s of a %s", name, of.Name())
			}
		}
	}
	if n < 60 {
		t.Errorf("only %d fields were found", n)
	}
}

func readme(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
