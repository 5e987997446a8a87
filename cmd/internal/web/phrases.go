package web

import (
	"bufio"
	"bytes"
	"fmt"
	"io/fs"
	"path"
	"sort"
	"strconv"
	"strings"
	"sync"
	"unicode"
)

// The sentences that the chain makes stand in English where their facts are, and
// the record keeps them so. texts/en/said/ROOM.txt lists them, one a line, with
// {1}, {2} … for what is filled in; it is made from the source (go test -run
// SourceSays -update). Another language has the same lines, each with a line
// "= TEXT" below it.

// phrase is one sentence with its holes, in English and in the language of a book.
type phrase struct {
	english string
	parts   []string // of the English, between the holes
	literal int      // bytes of the parts: how much it says itself
	text    string
	put     bool // text is that of the language, though it may be the same
}

// phrasebook puts sentences of the chain into one language.
type phrasebook struct {
	english bool // there is nothing to be put
	whole   map[string]*phrase
	first   map[string][]*phrase // by the first word; what says more itself comes first
	open    []*phrase            // those that begin with a hole or with half a word

	mu   sync.Mutex
	told map[string]string // what was put before
}

// mostPut bounds what a phrasebook keeps of what it has put; then it begins anew.
const mostPut = 4096

// loadPhrases reads the phrases of a language; none are there without files.
func loadPhrases(files fs.FS, lang string) (*phrasebook, error) {
	b := &phrasebook{english: lang == english, whole: map[string]*phrase{}, first: map[string][]*phrase{}, told: map[string]string{}}
	names, err := fs.Glob(files, path.Join("texts", lang, "said", "*.txt"))
	if err != nil {
		return nil, fmt.Errorf("find the phrases of language %s: %w", lang, err)
	}
	for _, name := range names {
		body, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("read the phrases of language %s: %w", lang, err)
		}
		var last *phrase
		lines := bufio.NewScanner(bytes.NewReader(body))
		for n := 1; lines.Scan(); n++ {
			line := strings.TrimSpace(lines.Text())
			text, is := strings.CutPrefix(line, "= ")
			switch {
			case line == "" || line[0] == '#':
			case !is:
				last = newPhrase(line)
				b.add(last)
			case last == nil || last.put:
				return nil, fmt.Errorf("%s:%d: write the English sentence on a line, and = with its text on the next", name, n)
			default:
				last.text, last.put = text, true
			}
		}
	}
	for _, all := range b.first {
		mostFirst(all)
	}
	mostFirst(b.open)
	return b, nil
}

func newPhrase(english string) *phrase {
	p := &phrase{english: english, parts: cut(english), text: english}
	for _, part := range p.parts {
		p.literal += len(part)
	}
	return p
}

// cut parts a sentence at its holes {1}, {2} …, which stand in their order.
func cut(s string) []string {
	var parts []string
	for n := 1; ; n++ {
		head, rest, ok := strings.Cut(s, "{"+strconv.Itoa(n)+"}")
		parts = append(parts, head)
		if !ok {
			return parts
		}
		s = rest
	}
}

// add takes up a phrase. Rooms may share one: it is put once.
func (b *phrasebook) add(p *phrase) {
	if b.whole[p.english] != nil {
		return
	}
	b.whole[p.english] = p
	if len(p.parts) == 1 {
		return
	}
	if word, _, ok := strings.Cut(p.parts[0], " "); ok {
		b.first[word] = append(b.first[word], p)
	} else {
		b.open = append(b.open, p)
	}
}

func mostFirst(all []*phrase) {
	sort.SliceStable(all, func(i, j int) bool { return all[i].literal > all[j].literal })
}

// fit finds what fills the holes of a phrase in s; nil when s is another sentence.
func (p *phrase) fit(s string) []string {
	last := len(p.parts) - 1
	if len(s) < p.literal+last || !strings.HasPrefix(s, p.parts[0]) || !strings.HasSuffix(s, p.parts[last]) {
		return nil
	}
	if last > 1 && !strings.Contains(s, p.parts[1]) {
		return nil
	}
	rest := s[len(p.parts[0]):]
	holes := make([]string, 0, last)
	for _, part := range p.parts[1:last] {
		if rest == "" {
			return nil
		}
		at := strings.Index(rest[1:], part) + 1 // no hole is empty
		if at < 1 {
			return nil
		}
		holes, rest = append(holes, rest[:at]), rest[at+len(part):]
	}
	if end := len(rest) - len(p.parts[last]); end > 0 {
		return append(holes, rest[:end])
	}
	return nil
}

// find finds the phrase that says the most of s itself.
func (b *phrasebook) find(s string) (*phrase, []string) {
	if p := b.whole[s]; p != nil && len(p.parts) == 1 {
		return p, nil
	}
	word, _, _ := strings.Cut(s, " ")
	for _, p := range b.first[word] {
		if holes := p.fit(s); holes != nil {
			return p, holes
		}
	}
	return nil, nil
}

// findOpen finds it among those that begin with a hole: those that hold a semicolon
// themselves, or the others.
func (b *phrasebook) findOpen(s string, semicolon bool) (*phrase, []string) {
	for _, p := range b.open {
		if strings.Contains(p.english, "; ") == semicolon {
			if holes := p.fit(s); holes != nil {
				return p, holes
			}
		}
	}
	return nil, nil
}

// said puts a sentence of the chain into the book's language; what is no phrase of
// the book is told as it is.
func (b *phrasebook) said(s string) string {
	if b.english || s == "" {
		return s
	}
	b.mu.Lock()
	text, ok := b.told[s]
	b.mu.Unlock()
	if ok {
		return text
	}
	text = b.put(s)
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.told) >= mostPut {
		clear(b.told)
	}
	b.told[s] = text
	return text
}

// put puts a sentence as a whole, or else taken apart where sentences are joined.
// What fills its holes may be a sentence itself. Each step is about less text.
func (b *phrasebook) put(s string) string {
	if !strings.ContainsFunc(s, unicode.IsLetter) {
		return s
	}
	if p, holes := b.find(s); p != nil {
		return b.fill(p, holes)
	}
	if p, holes := b.findOpen(s, true); p != nil {
		return b.fill(p, holes)
	}
	if strings.Contains(s, "\n") { // errors that are joined
		return b.apart(s, "\n")
	}
	for _, joint := range []string{"; ", ": ", ". ", ", "} {
		if joint == ": " { // a hole at the beginning does not reach over what "; " joins
			if p, holes := b.findOpen(s, false); p != nil {
				return b.fill(p, holes)
			}
		}
		if text, ok := b.joined(s, joint); ok {
			return text
		}
	}
	return b.apart(s, ": ")
}

// apart puts each part between joints by itself.
func (b *phrasebook) apart(s, joint string) string {
	parts := strings.Split(s, joint)
	if len(parts) == 1 {
		return s
	}
	for i, part := range parts {
		parts[i] = b.put(part)
	}
	return strings.Join(parts, joint)
}

// leastJoined is what a phrase must say itself to be found behind or before a comma:
// people write commas too.
const leastJoined = len("survey ")

// joined puts a sentence that is joined of several: cut where a phrase ends, else
// where one begins that goes on to the end; at semicolons in any case.
func (b *phrasebook) joined(s, joint string) (text string, ok bool) {
	stop := strings.TrimRight(joint, ":;, ") // which belongs to what it ends
	between := joint[len(stop):]
	known := func(s string) (*phrase, []string) {
		p, holes := b.find(s)
		if p != nil && joint == ", " && p.literal < leastJoined {
			return nil, nil
		}
		return p, holes
	}
	var at []int // ends of heads
	for i := 0; ; {
		n := strings.Index(s[i:], joint)
		if n < 0 {
			break
		}
		at = append(at, i+n+len(stop))
		i += n + len(joint)
	}
	for _, i := range at {
		if p, holes := known(s[:i]); p != nil {
			return b.fill(p, holes) + between + b.put(s[i+len(between):]), true
		}
	}
	for _, i := range at {
		if p, holes := known(s[i+len(between):]); p != nil {
			return b.put(s[:i]) + between + b.fill(p, holes), true
		}
	}
	if len(at) == 0 || joint != "; " {
		return "", false
	}
	return b.apart(s, joint), true
}

// fill puts what is filled in, too.
func (b *phrasebook) fill(p *phrase, holes []string) string {
	pairs := make([]string, 0, 2*len(holes))
	for i, hole := range holes {
		pairs = append(pairs, "{"+strconv.Itoa(i+1)+"}", b.put(hole))
	}
	return strings.NewReplacer(pairs...).Replace(p.text)
}
