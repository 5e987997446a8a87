package plugged

import (
	"strings"
	"testing"
)

// An identity that is taken says the same when it is written again.
func FuzzParseIdentity(f *testing.F) {
	for _, s := range []string{"1234:abcd", "1234:ABCD:LH0417", "1234:abcd:a:b", "1234:abcd:", "::", "12g4:abcd", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		id, err := ParseIdentity(s)
		if err != nil {
			return
		}
		again := id.Vendor + ":" + id.Product
		if id.Serial != "" {
			again += ":" + id.Serial
		}
		if !strings.EqualFold(again[:9], s[:9]) || again[9:] != s[9:] {
			t.Errorf("%q became %q", s, again)
		}
		if back, err := ParseIdentity(again); err != nil || back != id {
			t.Errorf("%q: %+v, %v; want %+v", again, back, err, id)
		}
	})
}
