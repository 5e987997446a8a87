package report

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"testing"

	"codeberg.org/go-fonts/dejavu/dejavusanscondensed"
	"codeberg.org/go-fonts/dejavu/dejavusanscondensedbold"
	"golang.org/x/image/font/sfnt"
)

var update = flag.Bool("update", false, "write glyphs.go anew from the fonts")

// Reference: golang.org/x/image/font/sfnt, asked for each character of each font.
func TestDrawnIsWhatTheFontsHave(t *testing.T) {
	fonts, buf := []*sfnt.Font{}, sfnt.Buffer{}
	for _, ttf := range [][]byte{dejavusanscondensed.TTF, dejavusanscondensedbold.TTF} {
		f, err := sfnt.Parse(ttf)
		if err != nil {
			t.Fatal(err)
		}
		fonts = append(fonts, f)
	}
	has := func(r rune) bool {
		for _, f := range fonts {
			if i, err := f.GlyphIndex(&buf, r); err != nil || i == 0 {
				return false
			}
		}
		return true
	}
	want := bytes.NewBufferString(`package report

import "unicode"

// drawn holds the characters that both fonts have a glyph for, of those that the
// library writes (up to U+FFFF). Reading the fonts for it took a library of 230 kB along;
// go test ./cmd/internal/report -run DrawnIs -update writes it anew.
var drawn = &unicode.RangeTable{R16: []unicode.Range16{`)
	latin, in := 0, 0
	for lo := rune(0); lo <= 0xffff; lo++ {
		if !has(lo) {
			continue
		}
		hi := lo
		for hi < 0xffff && has(hi+1) {
			hi++
		}
		sep := " "
		if in%6 == 0 {
			sep = "\n\t"
		}
		fmt.Fprintf(want, "%s{0x%04x, 0x%04x, 1},", sep, lo, hi)
		if in++; hi <= 0xff {
			latin++
		}
		lo = hi
	}
	fmt.Fprintf(want, "\n}, LatinOffset: %d}\n", latin)
	if *update {
		if err := os.WriteFile("glyphs.go", want.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile("glyphs.go")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want.Bytes()) {
		t.Error("glyphs.go is not what the fonts have; go test ./cmd/internal/report -run DrawnIs -update writes it anew")
	}
}
