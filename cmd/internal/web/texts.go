package web

import (
	"bufio"
	"bytes"
	"embed"
	"fmt"
	"io/fs"
	"path"
	"strings"
)

// Everything the page says stands in texts/LANGUAGE/FILE.txt, one text a line:
// "key = text". Its name is FILE.key. A name in braces is filled in; a text
// that depends on a number n has two lines, key.one and key.many.
//
//go:embed texts
var textFiles embed.FS

// english is the language that holds every text.
const english = "en"

// catalogue holds the texts of one language by name, and what the chain can say.
type catalogue struct {
	lang    string
	all     map[string]string
	phrases *phrasebook
}

// loadTexts reads the texts of a language.
func loadTexts(files fs.FS, lang string) (*catalogue, error) {
	c := &catalogue{lang, map[string]string{}, &phrasebook{english: true}}
	if lang != english { // in which all is said already
		var err error
		if c.phrases, err = loadPhrases(files, lang); err != nil {
			return nil, err
		}
	}
	names, err := fs.Glob(files, path.Join("texts", lang, "*.txt"))
	if err != nil || len(names) == 0 {
		return nil, fmt.Errorf("find the texts of language %s: none are there (%v)", lang, err)
	}
	for _, name := range names {
		body, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("read the texts of language %s: %w", lang, err)
		}
		lines := bufio.NewScanner(bytes.NewReader(body))
		for n := 1; lines.Scan(); n++ {
			line := strings.TrimSpace(lines.Text())
			if line == "" || line[0] == '#' {
				continue
			}
			key, text, ok := strings.Cut(line, "=")
			key = strings.TrimSuffix(path.Base(name), ".txt") + "." + strings.TrimSpace(key)
			if _, twice := c.all[key]; !ok || twice {
				return nil, fmt.Errorf("%s:%d: write each text once, as: key = text", name, n)
			}
			c.all[key] = strings.TrimSpace(text)
		}
	}
	return c, nil
}

// said puts a sentence of the chain into the language; see phrasebook.said.
func (c *catalogue) said(sentence string) string { return c.phrases.said(sentence) }

// has says whether there is a text of this name.
func (c *catalogue) has(name string) bool { _, ok := c.all[name]; return ok }

// say returns a text with the values that it names filled in: name, value, name,
// value … A text that is missing is a fault of the program, and says its name.
func (c *catalogue) say(name string, values ...any) string {
	text, ok := c.all[name]
	if !ok {
		text, ok = c.all[name+plural(values)]
	}
	if !ok {
		return "[" + name + "]"
	}
	for i := 0; i+1 < len(values); i += 2 {
		text = strings.ReplaceAll(text, fmt.Sprint("{", values[i], "}"), fmt.Sprint(values[i+1]))
	}
	return text
}

// plural chooses the line of a text by its number n. That is the rule of English;
// a language with others adds them here.
func plural(values []any) string {
	for i := 0; i+1 < len(values); i += 2 {
		if values[i] == "n" && fmt.Sprint(values[i+1]) == "1" {
			return ".one"
		}
	}
	return ".many"
}
