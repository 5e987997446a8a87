package config

import (
	"os"
	"strings"
	"testing"
)

// What a sum of several frequencies must not be made of, each told at its line.
func TestSumsThatMakeNoSense(t *testing.T) {
	text, err := os.ReadFile("../testdata/limits.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	good := string(text)
	f, err := Parse("limits.toml", text)
	if err != nil || len(f.Sums) != 1 || f.Sums[0].ID != "counter-place" || len(f.Sums[0].Posts) != 2 || f.Sums[0].Limit != "public" {
		t.Fatalf("%v: %+v", err, f)
	}
	for _, tc := range []struct{ old, now, want string }{
		{"\"range-front\"]\nlimit = \"public\"", "\"range-front\"]\nlimit = \"house\"", `post "range-front" is not held against limit "house"; add it to limits of that post`},
		{"\"range-front\"]\nlimit = \"public\"", "\"range-front\"]\nlimit = \"door\"", `limit "door" is not one on a mean`},
		{"frequency = \"915 MHz\"", "frequency = \"2450 MHz\"", `have one frequency, 2450 MHz, and its field would count twice`},
		{`posts = ["counter-front", "range-front"]`, `posts = ["counter-front", "counter-front"]`, `stands in it twice`},
	} {
		if !strings.Contains(good, tc.old) {
			t.Fatalf("no %q in the file", tc.old)
		}
		_, err := Parse("limits.toml", []byte(strings.Replace(good, tc.old, tc.now, 1)))
		if err == nil || !strings.Contains(err.Error(), tc.want) || !strings.Contains(err.Error(), "limits.toml:") {
			t.Errorf("%s: %v, want %q", tc.now, err, tc.want)
		}
	}
}
