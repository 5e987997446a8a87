package web

import (
	"io/fs"
	"os"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"golang.org/x/net/html"
)

// templates returns the text of every template.
func templates(t *testing.T) map[string]string {
	t.Helper()
	all := map[string]string{}
	names, err := fs.Glob(assets, "pages/*.html")
	if err != nil || len(names) < 2 {
		t.Fatalf("no templates: %v %v", names, err)
	}
	for _, name := range names {
		body, err := fs.ReadFile(assets, name)
		if err != nil {
			t.Fatal(err)
		}
		all[name] = string(body)
	}
	return all
}

// bareText lists what a template says that is not of the catalogue: text between
// tags, and attributes that are read.
func bareText(template string) (bare []string) {
	template = regexp.MustCompile(`(?s)\{\{.*?\}\}`).ReplaceAllString(template, "")
	template = strings.ReplaceAll(template, "noscript", "div") // else it is one text, tags and all
	letters := regexp.MustCompile(`\pL`)
	z := html.NewTokenizer(strings.NewReader(template))
	for {
		switch z.Next() {
		case html.ErrorToken:
			return bare
		case html.TextToken:
			if text := strings.TrimSpace(html.UnescapeString(string(z.Raw()))); letters.MatchString(text) {
				bare = append(bare, text)
			}
		case html.StartTagToken, html.SelfClosingTagToken:
			for _, a := range z.Token().Attr {
				switch a.Key {
				case "aria-label", "aria-description", "title", "alt", "placeholder", "label", "data-text":
					if letters.MatchString(a.Val) {
						bare = append(bare, a.Key+"="+a.Val)
					}
				}
			}
		}
	}
}

// Every text a page shows is in the catalogue, under the name that the template
// or the Go code says, and none lies there unused.
func TestTextsAreInTheCatalogue(t *testing.T) {
	en, err := loadTexts(textFiles, english)
	if err != nil {
		t.Fatal(err)
	}
	asked := map[string]bool{}
	for name, body := range templates(t) {
		for _, text := range bareText(body) {
			t.Errorf("%s says %q itself; write it into texts/en", name, text)
		}
		for _, m := range regexp.MustCompile(`\bt "([^"]+)"`).FindAllStringSubmatch(body, -1) {
			asked[m[1]] = true
		}
	}
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		body, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`\b(?:t|or)\("([^"]+)"`).FindAllStringSubmatch(string(body), -1) {
			asked[m[1]] = true
		}
	}
	for _, room := range rooms() {
		asked[room.name+".title"] = true
		if room.path != "" {
			asked["layout.nav_"+room.name] = true
		}
	}
	for key := range asked {
		if stem := strings.HasSuffix(key, "_") || strings.HasSuffix(key, "."); !stem && !en.has(key) && !(en.has(key+".one") && en.has(key+".many")) {
			t.Errorf("the text %s is asked for and not in the catalogue", key)
		}
	}
	for key := range en.all {
		if !used(asked, key) {
			t.Errorf("the text %s is never asked for", key)
		}
	}
}

// used says whether a text is asked for by its name, or by the beginning of it.
func used(asked map[string]bool, key string) bool {
	key = strings.TrimSuffix(strings.TrimSuffix(key, ".one"), ".many")
	if asked[key] {
		return true
	}
	for stem := range asked {
		if (strings.HasSuffix(stem, "_") || strings.HasSuffix(stem, ".")) && strings.HasPrefix(key, stem) {
			return true
		}
	}
	return false
}

func TestBareTextIsFound(t *testing.T) {
	for template, want := range map[string]string{
		`<p>{{t "x.y"}}</p>`:                             "",
		`<p>{{if .A}}Calm{{end}}</p>`:                    "Calm",
		`<p class="red">{{.Value}} &amp; 5 %</p>`:        "",
		`<button aria-label="Close {{.X}}">×</button>`:   "aria-label=Close ",
		`<a title="{{t "x.y"}}" href="/posts">{{.}}</a>`: "",
		`<svg><text x="1">limit {{.L}}</text></svg>`:     "limit",
	} {
		if got := strings.Join(bareText(template), "|"); got != want {
			t.Errorf("%s: found %q, want %q", template, got, want)
		}
	}
}

func TestCatalogue(t *testing.T) {
	files := fstest.MapFS{"texts/xx/a.txt": {Data: []byte("# of a\nhello = Hello, {who}\nposts.one = {n} post\nposts.many = {n} posts = all\n")}}
	c, err := loadTexts(files, "xx")
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct{ got, want string }{
		{c.say("a.hello", "who", "<b>"), "Hello, <b>"},
		{c.say("a.posts", "n", 1), "1 post"},
		{c.say("a.posts", "n", 21), "21 posts = all"},
		{c.say("a.none"), "[a.none]"},
	} {
		if tc.got != tc.want {
			t.Errorf("got %q, want %q", tc.got, tc.want)
		}
	}
	for _, bad := range []string{"hello\n", "a = 1\na = 2\n"} {
		files["texts/xx/a.txt"] = &fstest.MapFile{Data: []byte(bad)}
		if _, err := loadTexts(files, "xx"); err == nil || !strings.Contains(err.Error(), "a.txt:") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if _, err := loadTexts(files, "yy"); err == nil {
		t.Error("a language without texts is loaded")
	}
}

// Pages are parsed when somebody looks at them, so a mistake in one is found here.
func TestEveryPageParses(t *testing.T) {
	s := newServer(&fakeStation{})
	for _, room := range rooms() {
		if s.pages[room.name]().Lookup("main") == nil {
			t.Errorf("%s.html defines no main", room.name)
		}
	}
}
