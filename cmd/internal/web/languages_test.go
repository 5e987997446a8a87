package web

import (
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

var filledHole = regexp.MustCompile(`\{\w+\}`)

// lacking lists what a language lacks of what English says: texts, phrases, and
// what is filled in.
func lacking(t *testing.T, files fs.FS, lang string) []string {
	t.Helper()
	en, err := loadTexts(textFiles, english)
	if err != nil {
		t.Fatal(err)
	}
	other, err := loadTexts(files, lang)
	if err != nil {
		t.Fatal(err)
	}
	said, err := loadPhrases(textFiles, english)
	if err != nil {
		t.Fatal(err)
	}
	holes := func(text string) []string {
		all := filledHole.FindAllString(text, -1)
		slices.Sort(all)
		return slices.Compact(all)
	}
	var out []string
	for _, key := range slices.Sorted(maps.Keys(en.all)) {
		text, ok := other.all[key]
		if !ok || !slices.Equal(holes(text), holes(en.all[key])) {
			out = append(out, key)
		}
	}
	for _, sentence := range slices.Sorted(maps.Keys(said.whole)) {
		p := other.phrases.whole[sentence]
		if p == nil || !p.put || !slices.Equal(holes(p.text), holes(sentence)) {
			out = append(out, sentence)
		}
	}
	return out
}

// Whatever language is shipped says all that English says; and what one would lack
// is found.
func TestLanguagesAreWhole(t *testing.T) {
	dirs, err := fs.ReadDir(textFiles, "texts")
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range dirs {
		if d.Name() == english {
			continue
		}
		for _, what := range lacking(t, textFiles, d.Name()) {
			t.Errorf("texts/%s lacks %q", d.Name(), what)
		}
	}
	if out := lacking(t, bracketed(t), trial); len(out) > 0 {
		t.Errorf("the trial language lacks %d: %q", len(out), out[0])
	}
	holed := bracketed(t).(fstest.MapFS)
	for name, cut := range map[string][2]string{
		"texts/trial/alarms.txt":              {"= ⟦by {who}⟧", "= ⟦by⟧"},
		"texts/trial/surveys.txt":             {"none = ", "nothing = "},
		"texts/trial/said/acquire-limit.txt":  {"= ⟦no valid value⟧\n", ""},
		"texts/trial/said/acquire-survey.txt": {"Never run the oven empty.\n= ⟦Never run the oven empty.⟧\n", ""},
		"texts/trial/said/acquire.txt":        {"= ⟦post {1} has no mean against limit {2}⟧", "= ⟦post {1} has no mean⟧"},
	} {
		body := string(holed[name].Data)
		if !strings.Contains(body, cut[0]) {
			t.Fatalf("%s has no %q", name, cut[0])
		}
		holed[name] = &fstest.MapFile{Data: []byte(strings.ReplaceAll(body, cut[0], cut[1]))}
	}
	want := []string{"alarms.aside_by", "surveys.none", "Never run the oven empty.", "no valid value", "post {1} has no mean against limit {2}"}
	if out := lacking(t, holed, trial); !slices.Equal(out, want) {
		t.Errorf("found lacking: %q", out)
	}
}
