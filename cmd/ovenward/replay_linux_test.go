package main

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/drivers/driverstest"
	"ovenward/drivers/wire"
)

// TestRunReplaysARecording: what one daemon recorded on the line another one reads
// again, and says that it is no measurement.
func TestRunReplaysARecording(t *testing.T) {
	p := driverstest.OpenPTY(t)
	driverstest.Answer(t, p, "\n", func(n int, _ string) string { return "1.23,mW/cm2,OK\r\n" })
	file := filepath.Join(t.TempDir(), "line.wire")
	d := startDaemon(t, settings{configFile: configured(t, p.Path, ""), storagePath: t.TempDir(), recordWire: file})
	waitFor(t, 20*time.Second, "ten samples", func() bool { return d.station.Stats()[0].Newest.Seq >= 10 })
	if got := d.get(t, "/metrics"); !strings.Contains(got, `ovenward_simulated{site="Larkfield House"} 0`) {
		t.Error("a real line is called simulated")
	}
	d.stop(t)
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c, err := wire.Parse(f)
	if err != nil || len(c.Lines) < 20 || c.Header.Driver != "textline" {
		t.Fatalf("recorded %d lines, %+v, %v", len(c.Lines), c.Header, err)
	}

	d = startDaemon(t, settings{configFile: configured(t, "replay:"+file+"?speed=5", ""), storagePath: t.TempDir()})
	waitFor(t, 20*time.Second, "the recording to be read", func() bool { return d.station.Stats()[0].Newest.Seq >= 9 })
	if s := d.station.Stats()[0]; s.Newest.Reading.Value.String() != "1.23" {
		t.Errorf("read %v", s.Newest.Reading)
	}
	if got := d.get(t, "/metrics"); !strings.Contains(got, `ovenward_simulated{site="Larkfield House"} 1`) {
		t.Error("a replay is not called simulated")
	}
	waitFor(t, 20*time.Second, "the end to be told", func() bool { return strings.Contains(d.log.String(), "the recording has ended") })
}

// TestRunKeepsEarlierRecordings: a recording is not overwritten.
func TestRunKeepsEarlierRecordings(t *testing.T) {
	p := driverstest.OpenPTY(t)
	file := filepath.Join(t.TempDir(), "line.wire")
	if err := os.WriteFile(file, []byte("evidence"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := newDaemon(settings{configFile: configured(t, p.Path, ""), storagePath: t.TempDir(), recordWire: file, listen: "127.0.0.1:0"}, slog.New(slog.DiscardHandler), time.Now)
	if err == nil || !strings.Contains(err.Error(), "not there yet") {
		t.Errorf("newDaemon: %v, want a refusal", err)
	}
	if b, _ := os.ReadFile(file); string(b) != "evidence" {
		t.Errorf("the file holds %q", b)
	}
}
