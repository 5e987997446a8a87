package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/user"
	"path/filepath"
	"strings"
	"time"

	"ovenward/acquire/store"
)

const importHelp = `usage: ovenward import --storage.path=FOLDER [FLAGS] FILE

Takes the samples of a CSV or JSON Lines file, as ovenward export writes them,
into a record that no daemon is writing: all of the file, or nothing of it.

  --format=FORMAT   csv or jsonl; by the file's ending when left out
  --post=POST       only rows of this post
  --as=NAME         give them to the post imported/NAME instead of imported/POST
  --by=NAME         who imports; the user of this system when left out

Imported samples stand in posts of their own, named imported/POST, so that
nothing imported can pass for what a probe said here; an event names the file, its
SHA-256 and who took it in. What was said is taken; corrected values are not, and
each sample counts as uncalibrated. A sample that is in the record already is left
out, so the same file can be imported twice. Needed are post, seq, utc and said.
What is wrong is told as FILE:LINE, and then nothing is taken.
`

// maxWrong bounds the mistakes told of one file.
const maxWrong = 20

// importing is what the command line of import says.
type importing struct {
	path, file, format, post, as, who string
}

// importCommand takes a file into a record and returns the exit code.
func importCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	i, err := parseImport(args)
	if err == nil {
		err = i.run(ctx, stdout, stderr)
	}
	if wrong, ok := errors.AsType[*wrongRows](err); ok {
		for _, line := range wrong.told {
			fmt.Fprintln(stderr, line)
		}
	}
	return ended("import", importHelp, err, stdout, stderr)
}

func parseImport(args []string) (i importing, err error) {
	flags := flag.NewFlagSet("ovenward import", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&i.path, "storage.path", "", "")
	flags.StringVar(&i.format, "format", "", "")
	flags.StringVar(&i.post, "post", "", "")
	flags.StringVar(&i.as, "as", "", "")
	flags.StringVar(&i.who, "by", "", "")
	if err := parseSome(flags, args); err != nil {
		return i, err
	}
	switch i.file = flags.Arg(0); {
	case i.path == "":
		return i, errors.New("name the record's folder: --storage.path=FOLDER")
	case flags.NArg() != 1:
		return i, fmt.Errorf("name one file, not %d, behind the flags", flags.NArg())
	case strings.ContainsFunc(i.as, func(r rune) bool { return r <= ' ' || r == 0x7f }):
		return i, fmt.Errorf("--as=%q is no name of a post: leave out blanks", i.as)
	}
	if i.format == "" {
		i.format = strings.TrimPrefix(strings.ToLower(filepath.Ext(i.file)), ".")
	}
	if i.who == "" {
		if u, err := user.Current(); err == nil {
			i.who = u.Username
		}
	}
	return i, nil
}

func (i importing) run(ctx context.Context, stdout, stderr io.Writer) (err error) {
	f, err := os.Open(i.file)
	if err != nil {
		return fmt.Errorf("%w: name the file to import; ovenward import --help tells which can be", err)
	}
	defer f.Close()
	about, err := f.Stat()
	if err != nil || !about.Mode().IsRegular() {
		return fmt.Errorf("%s is no plain file: it is read twice, so name one that stays", i.file)
	}
	digest, err := digestOf(f)
	if err != nil {
		return err
	}
	if _, err := os.Stat(i.path); err != nil { // one that is empty gets a record
		return fmt.Errorf("find the record's folder: %w; name the one of the record, or make it", err)
	}
	bar := newProgress(stderr, nil)
	in := &importFile{importing: i, f: f, size: about.Size(), digest: digest, again: sha256.New(), bar: bar, wrong: &wrongRows{file: i.file}}
	if err := in.begin(); err != nil {
		return err
	}
	record, err := store.Open(i.path, store.Options{Now: time.Now, Log: slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))})
	if errors.Is(err, store.ErrInUse) {
		return fmt.Errorf("%w; an import needs the record for itself", err)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, record.Close()) }()
	done, err := record.Import(ctx, store.Import{
		Who: i.who, File: filepath.Base(i.file), Digest: digest, At: time.Now().UTC(),
		Rows: in.rows, Refuse: in.refuse, Failed: in.failed,
	})
	bar.end()
	if err != nil {
		return err
	}
	to := ""
	if len(done.Posts) > 0 {
		to = " into " + strings.Join(done.Posts, ", ")
	}
	fmt.Fprintf(stdout, "%s: %d samples taken%s, %d were in the record already; SHA-256 %x\n", i.file, done.Taken, to, done.Already, digest)
	return nil
}

func digestOf(f io.ReadSeeker) (d [sha256.Size]byte, err error) {
	h := sha256.New()
	if _, err = io.Copy(h, f); err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		return d, fmt.Errorf("read the file: %w", err)
	}
	return [sha256.Size]byte(h.Sum(nil)), nil
}

// wrongRows is what is wrong with a file.
type wrongRows struct {
	file  string
	told  []string
	count int
}

func (w *wrongRows) add(line int, err error) {
	for text := range strings.Lines(err.Error()) {
		if w.count++; len(w.told) < maxWrong {
			w.told = append(w.told, fmt.Sprintf("%s:%d: %s", w.file, line, strings.TrimSpace(text)))
		}
	}
}

func (w *wrongRows) Error() string {
	if w.count > len(w.told) {
		return fmt.Sprintf("%d mistakes, of which the first %d are told; nothing was taken from %s", w.count, len(w.told), w.file)
	}
	return fmt.Sprintf("%s; nothing was taken from %s", count(w.count, "mistake"), w.file)
}
