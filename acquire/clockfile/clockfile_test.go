package clockfile

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ovenward/acquire"
)

const boot = "7a24caee-08e0-4259-afc0-d25651118c65"

// said is a word of a clock that is within 7 ms of UTC.
func said() Word {
	return Word{Asked: Instant{Boot: boot, Since: 2 * time.Hour, Wall: time.Date(2026, 11, 26, 12, 0, 0, 250, time.UTC)},
		Said: acquire.ClockState{Synchronised: true, MaxError: 7 * time.Millisecond}}
}

// later is a moment after an instant, on all its clocks.
func (i Instant) later(d time.Duration) Instant {
	return Instant{Boot: i.Boot, Since: i.Since + d, Wall: i.Wall.Add(d)}
}

func TestWordHoldsForAWhile(t *testing.T) {
	for name, c := range map[string]struct {
		change func(w *Word, now *Instant)
		want   acquire.ClockState
		why    string // empty: it holds
	}{
		"at once":             {func(*Word, *Instant) {}, acquire.ClockState{Synchronised: true, MaxError: 7500 * time.Microsecond}, ""},
		"as long as it lasts": {func(_ *Word, now *Instant) { *now = now.later(Lasts) }, acquire.ClockState{Synchronised: true, MaxError: 12500 * time.Microsecond}, ""},
		"longer":              {func(_ *Word, now *Instant) { *now = now.later(Lasts + 1) }, acquire.ClockState{}, "is 10 s old, and holds for 10 s"},
		"a day later":         {func(_ *Word, now *Instant) { *now = now.later(24 * time.Hour) }, acquire.ClockState{}, "24 h old"},
		"not synchronised":    {func(w *Word, _ *Instant) { w.Said = acquire.ClockState{MaxError: time.Second} }, acquire.ClockState{MaxError: 1000500 * time.Microsecond}, ""},
		"grown to 16 s": {func(w *Word, now *Instant) {
			w.Said.MaxError, *now = 16*time.Second-time.Millisecond, now.later(time.Second)
		},
			acquire.ClockState{MaxError: 16 * time.Second}, ""},
		"another start":             {func(_ *Word, now *Instant) { now.Boot = strings.Replace(boot, "7", "8", 1) }, acquire.ClockState{}, "an earlier start"},
		"before it was asked":       {func(_ *Word, now *Instant) { *now = now.later(-time.Nanosecond) }, acquire.ClockState{}, "has not come"},
		"set forward":               {func(_ *Word, now *Instant) { now.Wall = now.Wall.Add(time.Hour) }, acquire.ClockState{}, "was set by 1 h"},
		"set back":                  {func(_ *Word, now *Instant) { now.Wall = now.Wall.Add(-time.Second) }, acquire.ClockState{}, "was set by -1 s"},
		"set back to look as young": {func(_ *Word, now *Instant) { now.Since += time.Minute }, acquire.ClockState{}, "1 min old"},
		"set to another age":        {func(_ *Word, now *Instant) { now.Wall = time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC) }, acquire.ClockState{}, "was set by"},
		"slewed by a twelfth": {func(_ *Word, now *Instant) {
			*now = now.later(8 * time.Second)
			now.Wall = now.Wall.Add(8 * time.Second / 12)
		},
			acquire.ClockState{Synchronised: true, MaxError: 11500 * time.Microsecond}, ""},
	} {
		w := said()
		now := w.Asked
		c.change(&w, &now)
		got, err := w.At(now)
		if got != c.want || (err != nil) != (c.why != "") || err != nil && !strings.Contains(err.Error(), c.why) {
			t.Errorf("%s: %+v, %v; want %+v, %q", name, got, err, c.want, c.why)
		}
	}
}

// A kernel's bound grows by 500 µs at each turn of its second. Wherever in it a word was
// asked for, what is read later is never less than what the kernel would say then.
func TestBoundIsNeverTooSmall(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		turn := time.Duration(rapid.Int64Range(0, int64(time.Second)-1).Draw(t, "into the kernel's second"))
		age := time.Duration(rapid.Int64Range(0, int64(Lasts)).Draw(t, "age"))
		first := time.Duration(rapid.Int64Range(0, int64(15*time.Second)).Draw(t, "bound"))
		w := said()
		w.Said.MaxError = first
		got, err := w.At(w.Asked.later(age))
		kernel := first + (turn+age)/time.Second*500*time.Microsecond
		if err != nil || got.MaxError < kernel || got.MaxError > kernel+time.Millisecond || !got.Synchronised {
			t.Fatalf("%v old: %+v, %v; the kernel says %v", age, got, err, kernel)
		}
	})
}

// No part of a word is one, nor is more than a word, nor one with a sign changed in form.
func TestOnlyAWholeWordIsOne(t *testing.T) {
	whole := said().Format()
	if w, err := Parse(whole); err != nil || w != said() {
		t.Fatalf("%+v, %v", w, err)
	}
	for n := range whole {
		if w, err := Parse(whole[:n]); err == nil {
			t.Errorf("its first %d bytes are %+v", n, w)
		}
		if w, err := Parse(whole[n+1:]); err == nil {
			t.Errorf("its last %d bytes are %+v", len(whole)-n-1, w)
		}
	}
	text := string(whole)
	for _, bad := range []string{text + "\n", text + text, " " + text, strings.ReplaceAll(text, " ", "  "), strings.ReplaceAll(text, "\n", "\r\n"),
		strings.Replace(text, "=7000000\n", "=-7000000\n", 1), strings.Replace(text, "=7000000\n", "=9223372036854775807\n", 1), strings.Replace(text, "=7000000\n", "=92233720368547758070\n", 1),
		strings.Replace(text, "=7000000\n", "=07000000\n", 1), strings.Replace(text, "since_ns=", "since_ns=-", 1), strings.Replace(text, "true", "1", 1), strings.Replace(text, boot, "", 1),
		strings.Replace(text, "2026-11-26", "2026-11-31", 1), strings.Replace(text, "Z", "+00:00", 1), strings.Replace(text, "true", "TRUE", 1), "yes\n", "\x00\x00\x00", strings.Repeat("x", 5000)} {
		if bad == text {
			t.Fatal("a case changes nothing")
		}
		if w, err := Parse([]byte(bad)); err == nil {
			t.Errorf("%q is %+v", bad, w)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(said().Format())
	f.Add(said().Format()[:40])
	f.Fuzz(func(t *testing.T, text []byte) {
		w, err := Parse(text)
		if err != nil {
			return
		}
		if !bytes.Equal(w.Format(), text) {
			t.Errorf("%q is read as %q", text, w.Format())
		}
		if s, err := w.At(w.Asked.later(time.Second)); err == nil && s.MaxError < w.Said.MaxError {
			t.Errorf("%q: the bound shrinks to %v", text, s.MaxError)
		}
	})
}

// desk is a real file, and a kernel and clocks that a test sets.
type desk struct {
	path   string
	now    Instant
	kernel acquire.ClockState
	err    error // of the kernel
}

func newDesk(t *testing.T) *desk {
	return &desk{path: filepath.Join(t.TempDir(), "state"), now: said().Asked, kernel: said().Said}
}

func (d *desk) clocks() (Instant, error)                { return d.now, nil }
func (d *desk) asked() (acquire.ClockState, error)      { return d.kernel, d.err }
func (d *desk) renew() error                            { return Renew(d.path, d.clocks, d.asked) }
func (d *desk) read() (s acquire.ClockState, err error) { return Source(d.path, d.clocks)() }

func TestWhatIsWrittenIsRead(t *testing.T) {
	d := newDesk(t)
	for _, k := range []acquire.ClockState{{Synchronised: true, MaxError: 3 * time.Millisecond}, {MaxError: 16 * time.Second}, {Synchronised: true}} {
		d.kernel = k
		d.now = d.now.later(Every)
		if err := d.renew(); err != nil {
			t.Fatal(err)
		}
		if got, err := d.read(); err != nil || got.Synchronised != k.Synchronised || got.MaxError != k.MaxError+500*time.Microsecond {
			t.Errorf("the kernel says %+v, and what is read %+v, %v", k, got, err)
		}
	}
	info, err := os.Stat(d.path)
	if err != nil || info.Mode().Perm() != 0o644 {
		t.Errorf("mode %v, %v; everybody must be able to read it", info.Mode(), err)
	}
	// A kernel that is not to be asked leaves no new word.
	d.err, d.now = errors.New("no such call"), d.now.later(Lasts)
	if err := d.renew(); err == nil || !strings.Contains(err.Error(), "no such call") {
		t.Errorf("it says %v", err)
	}
	if _, err := d.read(); err != nil {
		t.Errorf("the word before lasts no longer: %v", err)
	}
	d.now = d.now.later(time.Nanosecond)
	if _, err := d.read(); err == nil {
		t.Error("a word that was not renewed lasts for ever")
	}
	// What cannot be written leaves the word before whole.
	d.err = nil
	before, _ := os.ReadFile(d.path)
	if err := os.Mkdir(d.path+".new", 0o700); err != nil {
		t.Fatal(err)
	}
	if err := d.renew(); err == nil {
		t.Error("it is written where it cannot be")
	}
	if after, err := os.ReadFile(d.path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("%q became %q, %v", before, after, err)
	}
}

// Whatever else stands in the file's place is unknown, and the error says what mends it.
func TestNoWordIsUnknown(t *testing.T) {
	put := func(text string) func(t *testing.T, path string) {
		return func(t *testing.T, path string) {
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	whole := string(said().Format())
	for name, c := range map[string]struct {
		make func(t *testing.T, path string)
		why  string
	}{
		"missing":  {func(*testing.T, string) {}, "no such file"},
		"empty":    {put(""), "no word"},
		"rubbish":  {put("synchronised=true\n"), "no word"},
		"torn":     {put(whole[:len(whole)-3]), "no word"},
		"torn end": {put(whole[:len(whole)-1]), "no word"},
		"long":     {put(whole + strings.Repeat(" ", 1<<20)), "no word"},
		"folder":   {func(t *testing.T, path string) { os.Mkdir(path, 0o700) }, "it is no file"},
		"old":      {put(string(Word{said().Asked.later(-time.Minute), said().Said}.Format())), "1 min old"},
		"other":    {put(strings.Replace(whole, boot, "another", 1)), "earlier start"},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			c.make(t, d.path)
			s, err := d.read()
			if err == nil || s != (acquire.ClockState{}) {
				t.Fatalf("%+v, %v", s, err)
			}
			for _, want := range []string{c.why, d.path, "systemctl restart ovenward-clock"} {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q does not say %q", err, want)
				}
			}
		})
	}
}

// Clocks that cannot be read make nothing known.
func TestUnreadableClocks(t *testing.T) {
	d := newDesk(t)
	if err := d.renew(); err != nil {
		t.Fatal(err)
	}
	none := func() (Instant, error) { return Instant{}, errors.New("no clock") }
	if s, err := Source(d.path, none)(); err == nil || s.Synchronised {
		t.Errorf("%+v, %v", s, err)
	}
	if err := Renew(d.path, none, d.asked); err == nil {
		t.Error("a word without an instant is written")
	}
}
