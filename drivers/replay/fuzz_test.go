package replay

import (
	"strings"
	"testing"
)

// FuzzLoad: no file brings the loader down, and what it loads never goes back in
// time.
func FuzzLoad(f *testing.F) {
	f.Add(polled, false)
	f.Add("> \"R\"\n< \"1\\n\" @1.5\n< \"2\\n\"\n", false)
	f.Add("utc,said\n2025-11-25T10:00:00Z,1\n2025-11-25T10:00:01Z,\"a\nb\"\n", true)
	f.Fuzz(func(t *testing.T, text string, csv bool) {
		read := readWire
		if csv {
			read = readCSV
		}
		pieces, err := read(strings.NewReader(text))
		if err != nil {
			return
		}
		for i := 1; i < len(pieces); i++ {
			if pieces[i].at < pieces[i-1].at {
				t.Fatalf("piece %d is said before the one before it", i)
			}
		}
	})
}
