package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"database/sql"
	"encoding/pem"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/config"
	"ovenward/drivers"
)

// keptRecord makes a record of a minute in a folder, signed if key is set.
func keptRecord(t *testing.T, key ed25519.PrivateKey) string {
	t.Helper()
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{SigningKey: key, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2031, 5, 20, 12, 0, 0, 0, time.UTC)
	if err := s.Register([]acquire.Post{{ID: "fryer", Probe: acquire.Probe{Period: 100 * time.Millisecond}}}, now); err != nil {
		t.Fatal(err)
	}
	for i := range int64(600) {
		v := drivers.Decimal{Digits: 1000 + i%7, Exp: -3}
		s.Append(0, []acquire.Sample{{Seq: i + 1, At: now.Add(time.Duration(i) * 100 * time.Millisecond), Said: []byte(v.String()),
			Reading: drivers.Reading{Value: v, HasValue: true, Unit: "mW/cm2"}}})
	}
	s.Record(acquire.Event{At: now, Kind: acquire.KindStation, Text: "watching 1 post"})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

func ran(args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = dispatch(context.Background(), args, &out, &errs)
	return code, out.String(), errs.String()
}

// flipInChunks flips a bit in the middle of the samples of each chunk.
func flipInChunks(t *testing.T, dir string) {
	t.Helper()
	file := filepath.Join(dir, store.FileName)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	magic := []byte("\xCBow\x96")
	if !bytes.Contains(b, magic) {
		t.Fatal("no chunk in the file")
	}
	for at := 0; ; {
		i := bytes.Index(b[at:], magic)
		if i < 0 {
			break
		}
		at += i + len(magic)
		b[at+200] ^= 4 // of the chunk, and of what is left of earlier ones
	}
	if err := os.WriteFile(file, b, 0o640); err != nil {
		t.Fatal(err)
	}
}

func TestVerifyCommand(t *testing.T) {
	public, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	signed := keptRecord(t, key)
	code, out, _ := ran("verify", "--storage.path="+signed)
	if code != 0 || !strings.Contains(out, "Intact") || !strings.Contains(out, "600 samples") || !strings.Contains(out, "heads are signed by the key") {
		t.Errorf("a signed record gives %d, %q", code, out)
	}
	checkKeys(t, signed, public)
	dir := keptRecord(t, nil)
	if code, out, _ = ran("verify", "--storage.path="+dir, fmt.Sprintf("--key=%x", public)); code != 1 || !strings.Contains(out, "is not signed: nobody vouches") {
		t.Errorf("an unsigned record, by a key, gives %d, %q", code, out)
	}
	code, out, _ = ran("verify", "--storage.path="+dir)
	if code != 0 || !strings.Contains(out, "not signed, which shows accident and casual edits only") {
		t.Errorf("an unsigned record gives %d, %q", code, out)
	}
	if code, out, _ = ran("verify", "--format=json", "--storage.path="+dir); code != 0 || !strings.Contains(out, `"intact": true`) || !strings.Contains(out, `"samples": 600`) || regexp.MustCompile(`"[A-Z]\w*":`).MatchString(out) {
		t.Errorf("as JSON %d, %q", code, out)
	}

	flipInChunks(t, dir)
	code, out, _ = ran("verify", "--storage.path="+dir)
	if code != 1 || !strings.Contains(out, "post fryer, 2031-05-20T12:00:00Z") || !strings.Contains(out, "NOT intact") || !strings.Contains(out, "--rebuild") || !strings.Contains(out, " and 1 day were checked.") || strings.Contains(out, " 1 findings") {
		t.Errorf("a changed record gives %d, %q", code, out)
	}
	byHand := func(query string) {
		t.Helper()
		db, err := sql.Open("sqlite", filepath.Join(dir, store.FileName))
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		if _, err := db.Exec(query); err != nil {
			t.Fatal(err)
		}
	}
	byHand("DELETE FROM events")
	code, out, errs := ran("verify", "--rebuild", "--storage.path="+dir)
	if n := len(regexp.MustCompile(`(?m)^record, .*: event 1, entered on .*, was not found$`).FindAllString(out, -1)); n != 1 || strings.Count(out, "was not found\n") != 1 {
		t.Errorf("rebuilding tells %d times of the lost event: %q", n, out)
	}
	if code != 0 || !strings.Contains(out, "The broken one is kept as ovenward.db.broken-") {
		t.Errorf("rebuilding gives %d, %q, %q", code, out, errs)
	}
	if code, out, _ = ran("verify", "--storage.path="+dir); code != 0 {
		t.Errorf("rebuilt it gives %d, %q", code, out)
	}
	none := "--storage.path=" + t.TempDir()
	for _, args := range [][]string{{"verify", none}, {"verify", "--rebuild", none}, {"backup", none, "-o", filepath.Join(t.TempDir(), "copy")}, {"notify", "--told", none}} {
		if code, out, errs := ran(args...); code != 1 || out != "" || !strings.Contains(errs, "name the folder that holds ovenward.db") || strings.Contains(errs, "broken") {
			t.Errorf("where there is no record %v gives %d, %q, %q", args, code, out, errs)
		}
	}
	byHand("PRAGMA user_version = 99")
	if code, _, errs := ran("verify", "--storage.path="+dir); code != 1 || !strings.Contains(errs, "newer Ovenward") || strings.Contains(errs, "broken") {
		t.Errorf("of a newer record it says %d, %q", code, errs)
	}
	for _, args := range [][]string{{"verify"}, {"verify", "--format=xml", "--storage.path=" + dir}} {
		if code, _, errs := ran(args...); code != 1 || errs == "" {
			t.Errorf("%v gives %d, %q", args, code, errs)
		}
	}
}

// What was not compared is not called intact.
func TestVerifySaysWhatItDidNotCompare(t *testing.T) {
	at := time.Date(2031, 5, 20, 12, 0, 0, 0, time.UTC)
	r := store.Report{Uncompared: []store.Uncompared{{Post: "combi", From: at, To: at.Add(time.Hour)}}}
	if out := reportText(&r, "", false); !strings.Contains(out, "Not compared: post combi, 2031-05-20T12:00:00Z to 2031-05-20T13:00:00Z: no runs and sums of hours are made yet") || !strings.Contains(out, "Intact: everything") {
		t.Error(out)
	}
	r.Uncompared = append(r.Uncompared, store.Uncompared{Post: "fryer", From: at, To: at.Add(time.Hour), Runs: 7, Hours: 1})
	if out := reportText(&r, "", false); !strings.Contains(out, "Not compared: post fryer, 2031-05-20T12:00:00Z to 2031-05-20T13:00:00Z: 7 runs and 1 sums of hours") || strings.Contains(out, "everything") {
		t.Error(out)
	}
}

// checkKeys gives verify the right key, in both forms, another, and none at all.
func checkKeys(t *testing.T, dir string, public ed25519.PublicKey) {
	t.Helper()
	der, err := x509.MarshalPKIXPublicKey(public)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "pub.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	other, _, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		key, out, errs string
		code           int
	}{
		{file, "which is one of those given", "", 0},
		{fmt.Sprintf("%x", public), "which is one of those given", "", 0},
		{fmt.Sprintf("%x", other), "which is not the one given", "", 1},
		{filepath.Join(dir, store.FileName), "", "holds no PEM block", 1},
		{"12ab", "", "64 hexadecimal digits", 1},
	} {
		if code, out, errs := ran("verify", "--storage.path="+dir, "--key="+tc.key); code != tc.code || !strings.Contains(out, tc.out) || !strings.Contains(errs, tc.errs) {
			t.Errorf("by the key %s verify gives %d, %q, %q", tc.key, code, out, errs)
		}
	}
}

func TestBackupCommand(t *testing.T) {
	dir, to := keptRecord(t, nil), t.TempDir()
	file := filepath.Join(to, store.FileName)
	if code, out, errs := ran("backup", "--storage.path="+dir, "-o", file); code != 0 || !strings.Contains(out, file) {
		t.Fatalf("gives %d, %q, %q", code, out, errs)
	}
	if code, out, _ := ran("verify", "--storage.path="+to); code != 0 {
		t.Errorf("the copy gives %d, %q", code, out)
	}
	if code, _, errs := ran("backup", "--storage.path="+dir, "-o", file); code != 1 || !strings.Contains(errs, "--replace") {
		t.Errorf("over a file it gives %d, %q", code, errs)
	}
	if code, _, errs := ran("backup", "--storage.path="+dir, "-o", file, "--replace"); code != 0 {
		t.Errorf("told to, it gives %d, %q", code, errs)
	}
	none := filepath.Join(to, "none")
	if code, _, errs := ran("backup", "--storage.path="+dir, "-o", filepath.Join(none, "copy.db")); code != 1 || !strings.Contains(errs, "there is no folder "+none+": make it, or name a file in another") || strings.Contains(errs, "partial") {
		t.Errorf("into a folder that is not there it gives %d, %q", code, errs)
	}
	if code, _, errs := ran("backup", "--storage.path="+dir); code != 1 || !strings.Contains(errs, "-o") {
		t.Errorf("without a file it gives %d, %q", code, errs)
	}
}

// What the configuration says of keeping reaches the record.
func TestRetentionOfTheConfiguration(t *testing.T) {
	f, err := config.Load("../../testdata/retention.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	const day = 24 * time.Hour
	want := store.Retention{Keep: store.Keep{Age: 400 * day, Bytes: 2_000_000_000}, Posts: map[string]store.Keep{"kitchen-door": {Age: 90 * day, Bytes: 500_000_000}},
		Rollups: 3650 * day, Told: 1100 * day, Around: 2 * time.Hour, Evidence: 7300 * day}
	if got := retention(f); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestSigningKey(t *testing.T) {
	write := func(dir string, key any, kind string) string {
		t.Helper()
		der, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(dir, keyCredential)
		if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	_, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	file := write(dir, key, "PRIVATE KEY")
	for _, where := range [][2]string{{file, ""}, {"", dir}, {file, t.TempDir()}} {
		if got, err := signingKey(where[0], where[1]); err != nil || !got.Equal(key) {
			t.Errorf("from %q: %v", where, err)
		}
	}
	for _, where := range [][2]string{{"", ""}, {"", t.TempDir()}} {
		if got, err := signingKey(where[0], where[1]); err != nil || got != nil {
			t.Errorf("from %q: %v, %v", where, got, err)
		}
	}
	other, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	for name, file := range map[string]string{"none": filepath.Join(dir, "none"), "of another kind": write(t.TempDir(), other, "PRIVATE KEY"), "no PEM": dir} {
		if _, err := signingKey(file, ""); err == nil || !strings.Contains(err.Error(), "openssl genpkey -algorithm ed25519") {
			t.Errorf("a key file that is %s gives %v", name, err)
		}
	}
}
