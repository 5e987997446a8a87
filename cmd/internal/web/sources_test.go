package web

import (
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// source is a room whose Go code makes sentences that a page shows.
type source struct {
	dir  string
	only []string          // these of its files; nil: all
	but  map[string]string // not these, and why
	kind []string          // types whose constants are words that a sentence or a page shows
	word []string          // other single words that are
}

// sources are all of them. What is not among them and can stand behind a sentence of
// theirs is quoted as it is: errors of the operating system, of the database in
// acquire/store and of the configuration file, which name lines and words of that.
func sources() []source {
	const noPage = "what it says is told by commands and by the API, and no page shows it"
	return []source{
		{dir: "acquire", but: map[string]string{
			"clocksource_linux.go": "why the kernel did not answer, for the log",
		}, kind: []string{"Condition", "Regard"}},
		{dir: "acquire/alarm", kind: []string{"State", "Aside", "Reason", "Rule"}},
		{dir: "acquire/calib", word: []string{"calibration", "linearity", "facing", "isotropy", "temperature", "zero", "resolution", "distance", "configuration", "assumed"}},
		{dir: "acquire/cycle/history", but: map[string]string{"differs.go": "what verify finds, which is English"}},
		{dir: "acquire/cycle/soak", kind: []string{"State", "Outcome", "From"}},
		{dir: "acquire/cycle/stats", but: map[string]string{"encode.go": "damage of the record, told by the log", "trend.go": "a mistake of who calls it", "differs.go": "what verify finds, which is English"}},
		{dir: "acquire/limit", but: map[string]string{
			"emission.go": "the catalogue of documents: citations, which are quoted", "exposure.go": "the catalogue of documents",
			"trials.go": "the catalogue of documents",
		}, kind: []string{"Outcome", "Rule", "Basis"}},
		{dir: "acquire/quantity", only: []string{"duration.go", "format.go", "number.go"}},
		{dir: "acquire/registry", word: []string{"Frequency", "State", "Remark", "Number", "Laboratory", "Day", "nothing", "inspection", "survey", "repair", "other"}},
		{dir: "acquire/survey", but: map[string]string{
			"fall.go": "a walk back: " + noPage, "standoff.go": "a walk back: " + noPage, "walkfile.go": "a walk back: " + noPage,
			"markhold.go": "a mark of a walk back: " + noPage,
		}, kind: []string{"State", "Surface", "Kind", "Phase"}, word: []string{"good", "bad", "screen", "moving", "load", "speed", "power", "stirrer"}},
		{dir: "acquire/survey/guide", but: map[string]string{"mark.go": "a mark of a walk back: " + noPage}},
		{dir: "cmd/internal/advice"},
		{dir: "cmd/internal/report/gather", only: []string{"soakversions.go"}},
		{dir: "cmd/internal/round", only: []string{"round.go"}, kind: []string{"Status", "Outcome"}},
		{dir: "cmd/internal/web", but: map[string]string{
			"docs.go": "the API's own document is English", "openapi.go": "the API's own document is English", "events.go": "the API is English",
			"live.go": "why a stream ended, for the log", "texts.go": "a mistake in the texts themselves", "phrases.go": "a mistake in the phrases themselves",
		}},
		{dir: "cmd/ovenward", only: []string{"history.go", "register.go", "soaks.go", "supervise.go", "upkeep.go"}},
		{dir: "drivers", only: []string{"drivers.go"}},
		{dir: "drivers/serialport"},
		{dir: "drivers/stream"},
		{dir: "drivers/tcplink"},
	}
}

// apart are texts that the source joins to others with a blank and that the page
// takes apart itself, each with the place where it does.
var apart = map[string]string{
	"The field at this post is not known. ":                                 "a constant, part of whole sentences of advice",
	" Until the probe is seen again, nobody knows whether this oven leaks.": "a constant, part of whole sentences of advice",
	" ({1} not confirmed)":                                                  "of the source of a limit, which is quoted; the verdict's note says it too",
	" at {1}: {2}":                                                          "an event of a soak test, which only the API tells",
	" by {1}":                                                               "changeView",
	" by {1} until {2}":                                                     "changeView",
}

var rewrite = flag.Bool("update", false, "write texts/en/said anew from the source")

// file is where the phrases of a room stand.
func (s source) file() string {
	return "texts/en/said/" + strings.ReplaceAll(s.dir, "/", "-") + ".txt"
}

// Every sentence that the named rooms can say is a phrase, and every phrase is said
// by one of them. With -update the files are written anew.
func TestSourceSaysPhrases(t *testing.T) {
	said := map[string]bool{}
	known, files := englishPhrases(t)
	for _, room := range sources() {
		var mine []string
		for _, x := range sentencesOf(t, room) {
			if strings.HasPrefix(x.text, " ") || strings.HasSuffix(x.text, " ") {
				t.Errorf("%s: %q is glued to another text, so that it cannot be said in another language: make whole sentences", x.where, x.text)
			}
			if !known[x.text] && !*rewrite {
				t.Errorf("%s: %q is in no phrase: go test ./cmd/internal/web -run SourceSays -update", x.where, x.text)
			}
			if !said[x.text] {
				said[x.text] = true
				mine = append(mine, x.text)
			}
		}
		if *rewrite {
			slices.Sort(mine)
			text := "# What " + room.dir + " says, made from its source: see sources_test.go.\n" + strings.Join(mine, "\n") + "\n"
			if err := os.WriteFile(room.file(), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if files = slices.DeleteFunc(files, func(f string) bool { return f == room.file() }); len(mine) == 0 {
			t.Errorf("%s says nothing of its own", room.dir)
		}
	}
	for phrase := range known {
		if !said[phrase] && !*rewrite {
			t.Errorf("nothing in the source says %q: go test ./cmd/internal/web -run SourceSays -update", phrase)
		}
	}
	if len(files) > 0 {
		t.Errorf("of no room: %v", files)
	}
}

// englishPhrases reads all phrases and the names of their files.
func englishPhrases(t *testing.T) (map[string]bool, []string) {
	t.Helper()
	files, err := filepath.Glob("texts/en/said/*.txt")
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, name := range files {
		body, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(body)) {
			if line = strings.TrimSuffix(line, "\n"); line != "" && line[0] != '#' {
				known[line] = true
			}
		}
	}
	return known, files
}
