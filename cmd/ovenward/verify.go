package main

import (
	"context"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ovenward/acquire/store"
)

const verifyHelp = `usage: ovenward verify --storage.path=FOLDER [--key=PUB] [--rebuild] [--format=json]

Checks a record, beside a running daemon too: the database, every block of
samples, the sums of them, the runs that they show, and the chain of hashes of all
that never changes. It ends with 0 when all that can be compared is as it was
recorded, and with 1 when not; then it says what does not fit, of which post and when.

Unsigned heads show accident and casual edits only: who can change the file can
make every hash anew. Sign the heads (record.signing_key), check them by --key, and
compare the head that it prints with one kept elsewhere (the log, the metrics, a
report): an older copy of a whole record is right in itself, with its signatures.
What is named as not yet sealed is guarded by check sums only, which show no edit.

  --key=PUB        each head that should be signed must be, by this key: a PEM file of
                   the public key, or its 64 hexadecimal digits; may come again
  --rebuild        make a new record of all that can still be found in a broken
                   one, which is kept; the daemon must be stopped
  --format=FORMAT  text or json
`

// verifyCommand checks a record and returns the exit code: 0 when it is intact,
// or was rebuilt.
func verifyCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("ovenward verify", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	path := flags.String("storage.path", "", "")
	rebuild := flags.Bool("rebuild", false, "")
	format := flags.String("format", "text", "")
	var keys []ed25519.PublicKey
	flags.Func("key", "", func(text string) error {
		k, err := publicKey(text)
		keys = append(keys, k)
		return err
	})
	if err := parse(flags, args); err != nil {
		return ended("verify", verifyHelp, err, stdout, stderr)
	}
	switch {
	case *path == "":
		return fail(stderr, "--storage.path is needed: name the folder of the record")
	case *format != "text" && *format != "json":
		return fail(stderr, "--format=%s is not known: use text or json", *format)
	case *rebuild:
		return rebuildRecord(ctx, *path, stdout, stderr)
	}
	r, err := store.OpenReadOnly(*path)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, store.ErrNewer), errors.Is(err, store.ErrOlder): // nothing is broken
		return fail(stderr, "%v", err)
	case err != nil:
		return fail(stderr, "%v; if the file is broken, ovenward verify --rebuild --storage.path=%s makes a new record of what it still holds", err, *path)
	}
	defer r.Close()
	report, err := r.Verify(ctx, keys...)
	if err != nil {
		return fail(stderr, "%v", err)
	}
	if *format == "json" {
		err = printJSON(stdout, report)
	} else {
		_, err = io.WriteString(stdout, reportText(report, *path, len(keys) > 0))
	}
	if err != nil {
		return fail(stderr, "printing what was found: %v", err)
	}
	if !report.Intact() {
		return 1
	}
	return 0
}

func printJSON(w io.Writer, r *store.Report) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(struct {
		Intact bool `json:"intact"`
		*store.Report
	}{r.Intact(), r})
}

// problemsText lists what does not fit.
func problemsText(all []store.Problem, more int64) []byte {
	var b []byte
	for _, p := range all {
		where := "record"
		if p.Post != "" {
			where = "post " + p.Post
		}
		b = fmt.Appendf(b, "%s%s: %s\n", where, spanText(p.From, p.To), p.Text)
	}
	if more > 0 {
		b = fmt.Appendf(b, "and %d more\n", more)
	}
	return b
}

// reportText is a report as a person reads it.
func reportText(r *store.Report, path string, byKey bool) string {
	b := problemsText(r.Problems, r.More)
	b = fmt.Appendf(b, "%d samples, %d chunks, %d events, %d other entries and %s were checked.\n", r.Samples, r.Chunks, r.Events, r.Rows, several(int64(r.Days), "day"))
	for _, u := range r.Unsealed {
		b = fmt.Appendf(b, "Not yet sealed, and guarded by check sums only: post %s, %d samples from %s on.\n", u.Post, u.Samples, u.From.Format(time.RFC3339Nano))
	}
	intact := "Intact: everything is as it was recorded.\n"
	for _, u := range r.Uncompared {
		what := "no runs and sums of hours are made yet"
		if u.Runs+u.Hours > 0 {
			what = fmt.Sprintf("%d runs and %d sums of hours, for samples are missing there or were judged otherwise then", u.Runs, u.Hours)
			intact = "Intact but for what was not compared: the rest is as it was recorded.\n"
		}
		b = fmt.Appendf(b, "Not compared: post %s%s: %s.\n", u.Post, spanText(u.From, u.To), what)
	}
	if r.Head.Entries > 0 {
		b = fmt.Appendf(b, "Head of %s (UTC), %d entries: %s\n", r.Head.Day, r.Head.Entries, r.Head.SHA256)
	}
	b = append(b, signedText(r, byKey)...)
	if r.Intact() {
		return string(append(b, intact...))
	}
	return string(fmt.Appendf(b, "NOT intact: %s. If samples cannot be read, stop the daemon and run\novenward verify --rebuild --storage.path=%s\n", several(int64(len(r.Problems))+r.More, "finding"), path))
}

func several(n int64, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}

// signedText says who vouches for the heads.
func signedText(r *store.Report, byKey bool) string {
	compare := ": compare it with yours, or give it by --key"
	if byKey {
		compare = ", which is one of those given"
	}
	switch {
	case r.Days == 0:
		return ""
	case r.Signed == 0:
		return "The heads are not signed, which shows accident and casual edits only: compare the\nhead with one that was kept elsewhere.\n"
	}
	text := fmt.Sprintf("%d of %d heads are signed by the key %s%s.\n", r.Signed, r.Days, strings.Join(r.Signers, ", "), compare)
	if r.SignedFrom != "" {
		text += fmt.Sprintf("The chain says that each head is signed from %s on. A signature vouches for what came before it, too.\n", r.SignedFrom)
	}
	return text
}

// publicKey reads a public key: a PEM file, or hexadecimal digits.
func publicKey(text string) (ed25519.PublicKey, error) {
	if k, err := store.ParseKey(text); err == nil {
		return k, nil
	}
	const want = "give a PEM file as openssl pkey -pubout makes it, or the 64 hexadecimal digits that verify prints"
	b, err := os.ReadFile(text)
	if err != nil {
		return nil, fmt.Errorf("read the public key: %w; %s", err, want)
	}
	block, _ := pem.Decode(b)
	if block == nil {
		return nil, fmt.Errorf("%s holds no PEM block; %s", text, want)
	}
	key, err := x509.ParsePKIXPublicKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; %s", text, err, want)
	}
	k, ok := key.(ed25519.PublicKey)
	if !ok {
		return nil, fmt.Errorf("%s holds a %T, and an Ed25519 key is wanted; %s", text, key, want)
	}
	return k, nil
}

func spanText(from, to time.Time) string {
	switch {
	case from.IsZero():
		return ""
	case to.IsZero() || to.Equal(from):
		return ", " + from.Format(time.RFC3339Nano)
	}
	return ", " + from.Format(time.RFC3339Nano) + " to " + to.Format(time.RFC3339Nano)
}

func rebuildRecord(ctx context.Context, path string, stdout, stderr io.Writer) int {
	out, err := store.Rebuild(ctx, path, store.Options{Log: slog.New(slog.NewTextHandler(stderr, nil)), Now: time.Now})
	if err != nil {
		return fail(stderr, "%v", err)
	}
	for _, l := range out.Lost {
		fmt.Fprintf(stdout, "could not be read: %s\n", l)
	}
	for _, m := range out.Missing {
		fmt.Fprintf(stdout, "post %s%s: samples %d to %d were not found\n", m.Post, spanText(m.From, m.To), m.FromSeq, m.ToSeq)
	}
	_, _ = stdout.Write(problemsText(out.Rows, out.More))
	fmt.Fprintf(stdout, "A new record holds %d samples and %d events; its chain of hashes begins now.\nThe broken one is kept as %s; remove it when you need it no more.\n",
		out.Samples, out.Events, filepath.Base(out.Kept))
	return 0
}
