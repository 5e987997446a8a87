package web

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
)

// filledIn puts a sample into each hole of a phrase.
func filledIn(phrase string) string {
	for i := 1; strings.Contains(phrase, "{"+strconv.Itoa(i)+"}"); i++ {
		phrase = strings.ReplaceAll(phrase, "{"+strconv.Itoa(i)+"}", fmt.Sprintf("%d%d", i, i))
	}
	return phrase
}

// Every phrase is known again with its holes filled in: in English nothing changes,
// by the same way that another language goes; in the trial language all of it is said.
func TestEveryPhraseIsKnownAgain(t *testing.T) {
	known, _ := englishPhrases(t)
	en, err := loadPhrases(textFiles, english)
	if err != nil {
		t.Fatal(err)
	}
	shipped := en.said
	en = &phrasebook{whole: en.whole, first: en.first, open: en.open, told: map[string]string{}} // as if it were another language
	other, err := loadPhrases(bracketed(t), trial)
	if err != nil {
		t.Fatal(err)
	}
	if len(known) < 500 {
		t.Fatalf("%d phrases", len(known))
	}
	for _, phrase := range slices.Sorted(maps.Keys(known)) {
		if n := strings.Count(phrase, "{"); n != len(cut(phrase))-1 {
			t.Errorf("%q: its %d holes are not {1}, {2} … in their order", phrase, n)
		}
		sample := filledIn(phrase)
		if got := en.said(sample); got != sample {
			t.Errorf("%q becomes %q in English", sample, got)
		}
		if got := shipped(sample); got != sample {
			t.Errorf("%q becomes %q", sample, got)
		}
		got := other.said(sample)
		if rest, ok := outside(got); !ok || rest != "" {
			t.Errorf("%q is said as %q: not all of it", sample, got)
		}
		if plain := strings.NewReplacer("⟦", "", "⟧", "").Replace(got); plain != sample {
			t.Errorf("%q lost something: %q", sample, got)
		}
	}
}

// book is part of a language, for the tests of how it is used.
const book = `
probe {1} on {2} has not answered for {3}
= {3} keine Antwort von {1} an {2}
probe {1} on {2} has not answered for {3}: look at its power, cable and settings
= {3} keine Antwort von {1} an {2}: Strom, Kabel und Einstellungen ansehen
not calibrated
= nicht kalibriert
not calibrated: {1}
= nicht kalibriert: {1}
certificate {1} was due on {2}: have the probe calibrated
= Schein {1} war fällig am {2}: die Sonde kalibrieren lassen
the field is {1}, above {2}
= das Feld ist {1}, über {2}
{1}; values are judged as shown
= {1}; gezeigte Werte zählen
post {1}: {2}: {3}
= Platz {1}: {2}: {3}
exceeds
= überschreitet
Stop the oven. Call service.
= Ofen aus. Dienst rufen.
Look at {1}.
= {1} ansehen.
the probe
= die Sonde
serial number {1}
= Nummer {1}
by {1}
= von {1}
`

func TestSaid(t *testing.T) {
	b, err := loadPhrases(fstest.MapFS{"texts/de/said/x.txt": {Data: []byte(book)}}, "de")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, said, want string }{
		{"nothing", "", ""},
		{"no phrase of the book", "A sentence of long ago.", "A sentence of long ago."},
		{"whole", "not calibrated", "nicht kalibriert"},
		{"holes in another order", "probe p1 on /dev/ttyUSB0 has not answered for 2 min", "2 min keine Antwort von p1 an /dev/ttyUSB0"},
		{"what says more comes first", "probe p1 on COM3 has not answered for 7 s: look at its power, cable and settings", "7 s keine Antwort von p1 an COM3: Strom, Kabel und Einstellungen ansehen"},
		{"a sentence in a hole", "not calibrated: certificate LH-1 was due on 2026-01-02: have the probe calibrated", "nicht kalibriert: Schein LH-1 war fällig am 2026-01-02: die Sonde kalibrieren lassen"},
		{"joined", "not calibrated; the field is 3 W/m², above 2 W/m²; not calibrated", "nicht kalibriert; das Feld ist 3 W/m², über 2 W/m²; nicht kalibriert"},
		{"joined to something unknown", "out of paper; not calibrated", "out of paper; nicht kalibriert"},
		{"holes in holes", "post galley: exceeds: not calibrated; the field is 3 W/m², above 2 W/m²", "Platz galley: überschreitet: nicht kalibriert; das Feld ist 3 W/m², über 2 W/m²"},
		{"a hole first, with a semicolon of its own", "1 s; values are judged as shown", "1 s; gezeigte Werte zählen"},
		{"sentences in a row", "Stop the oven. Call service. Look at the probe.", "Ofen aus. Dienst rufen. die Sonde ansehen."},
		{"behind a comma", "Maker Model, serial number 12", "Maker Model, Nummer 12"},
		{"somebody's place", "ground floor, by the window", "ground floor, by the window"},
		{"braces in what is filled in", "not calibrated: {2} {1}", "nicht kalibriert: {2} {1}"},
		{"no empty hole", "serial number ", "serial number "},
		{"a name with a point", "by R. Okafor: door bent", "von R. Okafor: door bent"},
	} {
		if got := b.said(c.said); got != c.want {
			t.Errorf("%s: %q is said as %q, want %q", c.name, c.said, got, c.want)
		}
		if again := b.said(c.said); again != c.want {
			t.Errorf("%s: the second time as %q", c.name, again)
		}
	}
}

func TestPhrasebookIsBounded(t *testing.T) {
	b := &phrasebook{told: map[string]string{}}
	for i := range 2 * mostPut {
		b.said("sentence " + strconv.Itoa(i))
	}
	if n := len(b.told); n > mostPut {
		t.Errorf("%d sentences are kept", n)
	}
}

func TestPhrasesAreInPairs(t *testing.T) {
	for _, bad := range []string{"= nichts davor\n", "a b\n= c\n= d\n"} {
		if _, err := loadPhrases(fstest.MapFS{"texts/de/said/x.txt": {Data: []byte(bad)}}, "de"); err == nil || !strings.Contains(err.Error(), "x.txt:") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// Long texts that fit nothing cost little, whatever joints they hold.
func FuzzSaid(f *testing.F) {
	b, err := loadPhrases(textFiles, english)
	if err != nil {
		f.Fatal(err)
	}
	b.english = false
	f.Add("post galley: exceeds: above the limit at this moment; not calibrated")
	f.Add(strings.Repeat("a, b; c: d. ", 20))
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 2000 {
			return
		}
		if got := b.said(s); got != s {
			t.Errorf("%q became %q", s, got)
		}
	})
}

func BenchmarkSaid(b *testing.B) {
	book, err := loadPhrases(textFiles, english)
	if err != nil {
		b.Fatal(err)
	}
	book.english = false
	for name, text := range map[string]string{
		"phrase":  "probe p1 on /dev/ttyUSB0 has not answered for 7 s: look at its power, cable and settings",
		"joined":  "post galley: not decided: the oven is not known to run; not calibrated: certificate LH-1 was due on 2026-01-02: have the probe calibrated",
		"unknown": strings.Repeat("something of long ago, which nobody says: so it was. ", 6),
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				book.put(text)
			}
		})
	}
}
