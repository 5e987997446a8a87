package driverstest

import (
	"bytes"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ovenward/drivers"
)

// made is a protocol put together of functions: lines that end with "\n", each
// a decimal number in W/m².
type made struct {
	request []byte
	split   func(buf []byte) (int, []byte)
	parse   func(frame []byte) (drivers.Reading, error)
}

func (m *made) Request() []byte                { return m.request }
func (m *made) Split(buf []byte) (int, []byte) { return m.split(buf) }

func (m *made) Parse(frame []byte, r *drivers.Reading) (err error) {
	*r, err = m.parse(frame)
	return err
}

func sound() *made {
	return &made{
		request: []byte("?"),
		split: func(buf []byte) (int, []byte) {
			if at := bytes.IndexByte(buf[:min(len(buf), 100)], '\n'); at >= 0 {
				return at + 1, buf[:at]
			}
			if len(buf) >= 100 {
				return 100, buf[:100]
			}
			return 0, nil
		},
		parse: func(frame []byte) (drivers.Reading, error) {
			d, err := drivers.ParseDecimal(frame, '.')
			return drivers.Reading{Value: d, HasValue: true, Unit: "W/m2"}, err
		},
	}
}

const sent = "1.20\n2\nx\n3.0"

func TestConformancePasses(t *testing.T) {
	p := sound()
	out, err := Read(p, []byte(sent))
	if err != nil {
		t.Fatal(err)
	}
	if len(out) != 3 || out[0].Reading.Value.String() != "1.20" || out[2].Refused == "" {
		t.Fatalf("Read: %+v, want 1.20, 2 and a refusal", out)
	}
	Conformance(t, p, Case{Name: "sound", Asked: [][]byte{[]byte("?")}, Sent: []byte(sent), Want: out})
}

// breach is a protocol that breaks the contract, and what is told of it.
type breach struct {
	change func(m *made)
	says   string
}

func breachesOfSplit() map[string]breach {
	return map[string]breach{
		"consumes more than there is": {func(m *made) {
			m.split = func(buf []byte) (int, []byte) { return len(buf) + 1, nil }
		}, "consumed by Split"},
		"consumes less than nothing": {func(m *made) {
			m.split = func(buf []byte) (int, []byte) { return -1, nil }
		}, "consumed by Split: -1"},
		"frame without progress": {func(m *made) {
			m.split = func(buf []byte) (int, []byte) { return 0, buf }
		}, "consumed nothing"},
		"frame from elsewhere": {func(m *made) {
			m.split = func(buf []byte) (int, []byte) { return len(buf), []byte("1.20") }
		}, "no part of"},
		"frame past its end": {func(m *made) {
			m.split = func(buf []byte) (int, []byte) { return 1, buf[:min(2, len(buf))] }
		}, "no part of"},
		"changes the buffer": {func(m *made) {
			m.split = func(buf []byte) (int, []byte) { buf[0] = '#'; return len(buf), nil }
		}, "changed its buffer"},
		"frames hang on the chunks": {func(m *made) {
			m.split = func(buf []byte) (int, []byte) { return len(buf), buf }
		}, "chunking 0"},
		"asks without end": {func(m *made) {
			m.split = func(buf []byte) (int, []byte) {
				at := bytes.IndexByte(buf, '\n')
				if at < 0 {
					return 0, nil
				}
				return at + 1, buf[:at]
			}
		}, "asks for more"},
	}
}

func breachesOfParse() map[string]breach {
	good := sound()
	kept := ""
	return map[string]breach{
		"changes the frame": {func(m *made) {
			m.parse = func(frame []byte) (drivers.Reading, error) {
				r, err := good.parse(frame)
				clear(frame)
				return r, err
			}
		}, "changed its frame"},
		"remembers": {func(m *made) {
			m.parse = func(frame []byte) (drivers.Reading, error) {
				r, err := good.parse(frame)
				kept += string(frame)
				r.Unit = kept
				return r, err
			}
		}, "once its memory was used again"},
		"panics": {func(m *made) {
			m.parse = func(frame []byte) (drivers.Reading, error) {
				if len(frame) > 0 && frame[0] > 0x7f {
					panic("high byte")
				}
				return good.parse(frame)
			}
		}, "panic: high byte"},
		"reads nothing in rubbish": {func(m *made) {
			m.parse = func(frame []byte) (drivers.Reading, error) { return drivers.Reading{Unit: "W/m2"}, nil }
		}, "neither number nor status"},
	}
}

// TestConformanceCatches breaks the contract in each way and holds that it is
// told.
func TestConformanceCatches(t *testing.T) {
	breaches := breachesOfSplit()
	maps.Copy(breaches, breachesOfParse())
	for name, c := range breaches {
		t.Run(name, func(t *testing.T) {
			p := sound()
			c.change(p)
			out, err := Read(p, []byte(sent))
			if err == nil {
				err = errors.Join(chunked(p, []byte(sent), out), unreferenced(p, out), withstands(p, nil), bounded(p))
			}
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("the suite says %v, want %q in it", err, c.says)
			}
		})
	}
}

func TestReadTranscriptRefuses(t *testing.T) {
	const header = "# name: n\n# obtained: invented\n# date: 2025-11-25\n"
	for name, c := range map[string]struct{ text, says string }{
		"no header":   {"> \"Q\"\n", "header lacks"},
		"other key":   {"# brand: b\n", "bad.transcript:1: want name, obtained or date"},
		"bad date":    {"# name: n\n# date: today\n", "bad.transcript:2:"},
		"no quotes":   {header + "< 1.20\n", "bad.transcript:4: want a Go string"},
		"other start": {header + "! \"x\"\n", "want a line that starts with"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "bad.transcript")
			if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
			if _, err := ReadTranscript(path); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("ReadTranscript: %v, want %q in it", err, c.says)
			}
		})
	}
}

// TestGoldenRoundTrip writes a golden file and reads the same back: noise,
// status and all; and without update, a change of the driver shows.
func TestGoldenRoundTrip(t *testing.T) {
	path := filepath.Join(t.TempDir(), "trip.transcript")
	text := "# name: n\n# obtained: invented\n# date: 2025-11-25\n\n# a remark\n> \"?\"\n< \"1.20\\n\"\n< \"\\xff\\\"\\\\\\x00\\n-3\\n\"\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	p := sound()
	plain := p.parse
	p.parse = func(frame []byte) (drivers.Reading, error) {
		r, err := plain(frame)
		if len(frame) > 0 && frame[0] == '-' {
			r = drivers.Reading{Status: drivers.OverRange | drivers.Fault | drivers.BatteryLow}
		}
		return r, err
	}
	c := LoadCase(t, p, path, true)
	got, err := Read(p, c.Sent)
	if err != nil {
		t.Fatal(err)
	}
	checkOutcomes(t, got, c.Want)
	if c.Name != "trip" || len(c.Asked) != 1 || string(c.Sent) != "1.20\n\xff\"\\\x00\n-3\n" || len(c.Want) != 3 {
		t.Errorf("case %+v", c)
	}
	if again := LoadCase(t, sound(), path, false); again.Want[2] != c.Want[2] {
		t.Errorf("without update, the file was changed: %+v", again.Want[2])
	}
}

// leaving keeps the status that the reading had before.
type leaving struct{ *made }

func (l leaving) Parse(frame []byte, r *drivers.Reading) error {
	was := r.Status
	err := l.made.Parse(frame, r)
	r.Status |= was
	return err
}

func TestConformanceCatchesWhatIsLeft(t *testing.T) {
	want, err := Read(sound(), []byte("1.20\n"))
	if err != nil || len(want) != 1 {
		t.Fatalf("%+v, %v", want, err)
	}
	if err := unreferenced(sound(), want); err != nil {
		t.Error(err)
	}
	if err := unreferenced(leaving{sound()}, want); err == nil || !strings.Contains(err.Error(), "what was there before") {
		t.Errorf("a status that is left is found as %v", err)
	}
}
