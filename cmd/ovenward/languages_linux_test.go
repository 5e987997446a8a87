package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/drivers/simulate"
)

// TestEveryLanguageThroughTheDaemon serves a probe in SCPI and in Modbus by a
// process of its own, watches it by the daemon over the tty, and holds every
// sample of the record against the simulator's truth.
//
// It is over before the tests begin that kill a simulator: the link that is left
// then may point to the tty that the next simulator is given.
func TestEveryLanguageThroughTheDaemon(t *testing.T) {
	for driver, section := range map[string]string{
		"scpi": scpiSection,
		"modbus": "  [probe.modbus]\n  framing = \"rtu\"\n  unit_id = 1\n  function = 4\n  unit = \"mW/cm2\"\n" +
			"  value = { register = 0, type = \"float32\" }\n" +
			"  status = { register = 2, over_range_bits = [0], fault_bits = [1], battery_low_bits = [2] }\n",
	} {
		t.Run(driver, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			link, truthFile, record := filepath.Join(dir, "probe"), filepath.Join(dir, "truth.csv"), filepath.Join(dir, "record")
			simulated(t, link, truthFile, "--protocol="+driver)
			path := configuredFor(t, link, driver, section, "")
			d := program(t, "run", "--storage.path="+record, "--web.listen-address=127.0.0.1:0", "--config.file="+path)
			d.address(t)
			waitFor(t, 60*time.Second, "ten seconds of samples", func() bool { return len(readTruth(t, truthFile)) > 100 })
			d.terminate(t)
			samples, answers := readSamples(t, record), readTruth(t, truthFile)
			if len(samples) < 100 || len(samples) > len(answers) {
				t.Fatalf("%d samples of %d answers", len(samples), len(answers))
			}
			kitchen, err := simulate.New(simulate.ModelKitchen(1, 1))
			if err != nil {
				t.Fatal(err)
			}
			probe := kitchen.Probe("probe-2")
			// 1e-4 W/m² is more than the rounding of a float32 and of the truth file.
			bound := simulate.NoiseBound*probe.Spec().NoiseSD + probe.Quantum()/2 + 1e-4
			next := 0
			for i, s := range samples {
				// An answer that a loaded machine took too late is no sample.
				for next < len(answers) && math.Abs(s.At.Sub(answers[next].at).Seconds()) > 0.06 {
					next++
				}
				if next == len(answers) {
					t.Fatalf("sample %d (%q) at %v was never answered", i+1, s.Said, s.At)
				}
				if d := math.Abs(float64(s.S) - answers[next].expects); !s.HasValue() || d > bound {
					t.Errorf("sample %d, %q: %v, %v W/m², expected %v ± %v", i+1, s.Said, s.Quality, float64(s.S), answers[next].expects, bound)
				}
				next++
			}
			if lost := len(answers) - len(samples); lost > 3 {
				t.Errorf("%d of %d answers are no samples", lost, len(answers))
			}
		})
	}
}

const scpiSection = "  [probe.scpi]\n  unit = \"mW/cm2\"\n"

// configuredFor is configured of a probe that speaks another language, or the same
// with other settings; section is its table, and what stands before that.
func configuredFor(t *testing.T, port, driver, section, more string) string {
	t.Helper()
	path := configured(t, port, more)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, _ := strings.Cut(string(text), "  [probe.textline]")
	_, after, found := strings.Cut(rest, "  [probe.certificate]")
	if !found {
		t.Fatal("the configuration has no certificate")
	}
	changed := strings.Replace(before, `driver = "textline"`, `driver = "`+driver+`"`, 1) + section + "  [probe.certificate]" + after
	if err := os.WriteFile(path, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
