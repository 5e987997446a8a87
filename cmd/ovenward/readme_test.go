package main

import (
	"os"
	"regexp"
	"strings"
	"testing"

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

func readme(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
