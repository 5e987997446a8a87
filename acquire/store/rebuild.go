package store

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
)

// Rebuilt is what Rebuild made of a broken record.
type Rebuilt struct {
	Samples int64
	Events  int64
	Missing []Damage // stretches of numbers between samples that were found
	Kept    string   // where the broken record is kept
	Lost    []string // tables, or parts of them, that could not be read

	Rows []Problem // rows and events that its chain of hashes knows, and that were not found as they were
	More int64     // beyond those listed
}

// Rebuild makes a new record of all that can be found in the broken one in dir,
// by its tables where SQLite reads them, and by looking for chunks and commits in
// every byte of its files. The broken one is kept under another name. Nobody may
// have the record open.
//
// The new record begins a chain of hashes of its own: what was found is proved
// from now on only.
func Rebuild(ctx context.Context, dir string, o Options) (*Rebuilt, error) {
	o = o.withDefaults()
	_, gone := os.Stat(filepath.Join(dir, FileName))
	if _, err := os.Stat(filepath.Join(dir, FileName+"-wal")); gone != nil && err != nil {
		return nil, fmt.Errorf("find the record to rebuild: %w; name the folder that holds %s", gone, FileName)
	}
	held, err := lock(dir)
	if err != nil {
		return nil, err
	}
	defer unlock(held)
	fail := func(err error) (*Rebuilt, error) {
		return nil, fmt.Errorf("rebuild the record in %s: %w", dir, err)
	}
	if _, err := finishRebuild(dir, o.Fault); err != nil {
		return fail(err)
	}
	to := filepath.Join(dir, rebuildingDir)
	stamp := o.Now().UTC().Format("20060102T150405Z")
	b := &rebuild{from: filepath.Join(dir, FileName), aside: filepath.Join(to, "pages"), out: &Rebuilt{Kept: filepath.Join(dir, FileName+".broken-"+stamp)}}
	if err := b.into(ctx, to, o); err != nil {
		return fail(errors.Join(err, os.RemoveAll(to)))
	}
	if err := markRebuilt(dir, filepath.Base(b.out.Kept), o.Fault); err != nil {
		return fail(err)
	}
	if _, err := finishRebuild(dir, o.Fault); err != nil {
		return fail(err)
	}
	return b.out, nil
}

// rebuild is a rebuilding under way.
type rebuild struct {
	from  string
	aside string // a file for the pages that the broken record had set aside
	out   *Rebuilt
	runs  []run
	tail  map[int64][]byte        // what commits wrote beside samples, by the id of their fragments
	gone  map[string][]chunk.Span // what was removed on purpose, by post

	names    map[int64]string // of posts that have the numbers that they had
	compared bool             // rows and events were compared with all of the chain of hashes

	correction, version int64 // the highest that a sample names
}

// run is a block that was found, and where: in which file, at which byte its
// chunk begins.
type run struct {
	chunk.Span
	post  string
	file  string
	at    int64
	size  int
	block int
}

func (b *rebuild) into(ctx context.Context, dir string, o Options) error {
	fresh := o
	fresh.Log, fresh.Fault, fresh.reserve = nil, nil, 1
	s, err := Open(dir, fresh.withDefaults())
	if err != nil {
		return err
	}
	defer s.Close()
	old, err := openReaders(b.from)
	if err != nil {
		b.out.Lost = append(b.out.Lost, err.Error())
	} else {
		defer old.Close()
		if err := known(old); errors.Is(err, ErrNewer) { // or a bit of its version is flipped
			b.out.Lost = append(b.out.Lost, "what only a newer Ovenward keeps: "+err.Error())
		}
		b.tables(ctx, s, old)
		b.pages(ctx, old)
	}
	for _, file := range []string{b.from, b.from + "-wal", b.aside} {
		if err := b.scan(file); err != nil {
			return err
		}
	}
	if err := b.numbers(ctx, s); err != nil {
		return err
	}
	if old != nil {
		if err := b.chunkNumbers(ctx, s, old); err != nil {
			return err
		}
		if err := b.removals(ctx, old); err != nil {
			return err
		}
	}
	if err := b.events(ctx, s); err != nil {
		return err
	}
	if old != nil {
		b.rows(ctx, s, old)
	}
	if err := s.ask(ctx, "look what the alarms rest on", func(ctx context.Context, w *writer) error { return w.groundAlarms(ctx) }); err != nil {
		return err
	}
	if err := b.write(ctx, s); err != nil {
		return err
	}
	if err := s.ask(ctx, "keep the next numbers", func(ctx context.Context, w *writer) error {
		_, err := w.exec(ctx, "UPDATE record SET next_correction = max(next_correction, ?), next_version = max(next_version, ?)", b.correction+1, b.version+1)
		return err
	}); err != nil {
		return err
	}
	if old != nil {
		b.oldSums(ctx, s, old)
	}
	b.tell(s, o.Now)
	return s.Close()
}

// tell records what was found, and what is missing.
func (b *rebuild) tell(s *Store, now func() time.Time) {
	s.Record(acquire.Event{At: now().UTC(), Kind: acquire.KindRecord, Text: fmt.Sprintf(
		"this record was rebuilt from a broken one, which is kept as %s: %d samples and %d events were found, %d stretches of samples are missing, %s",
		filepath.Base(b.out.Kept), b.out.Samples, b.out.Events, len(b.out.Missing), b.rowsText())})
	for _, m := range b.out.Missing {
		s.Record(acquire.Event{At: now().UTC(), Post: m.Post, Kind: acquire.KindRecord, Text: fmt.Sprintf("samples %d to %d, between %s and %s, are not in what was found of the broken record",
			m.FromSeq, m.ToSeq, m.From.Format(time.RFC3339Nano), m.To.Format(time.RFC3339Nano))})
	}
}

// rowsText counts the rows and events that were not found as they were.
func (b *rebuild) rowsText() string {
	n := int64(len(b.out.Rows)) + b.out.More
	switch {
	case b.compared:
		return fmt.Sprintf("%d rows and events are missing or changed", n)
	case n > 0:
		return fmt.Sprintf("at least %d rows and events are missing or changed: not all of its chain of hashes could be read", n)
	}
	return "whether rows and events are missing is not known, for its chain of hashes could not be read, or not all of it"
}

// scan finds chunks and fragments in the file at path.
func (b *rebuild) scan(path string) error {
	if b.tail == nil {
		b.tail = map[int64][]byte{}
	}
	return inWindows(path, func(base int64, buf []byte) { b.window(path, base, buf) })
}

func (b *rebuild) window(path string, base int64, buf []byte) {
	scanFragments(buf, func(f fragment, _ []byte) {
		if len(f.other) > 0 {
			b.tail[f.commit*partsOfCommit+int64(f.part)] = bytes.Clone(f.other)
		}
	})
	var block chunk.Block
	chunk.Scan(buf, func(at int, c *chunk.Chunk) bool {
		for i := range c.Blocks() {
			if c.Read(i, &block) == nil {
				b.runs = append(b.runs, run{Span: c.BlockSpan(i), post: c.Post(), file: path, at: base + int64(at), size: c.Size(), block: i})
			}
		}
		return true
	})
}

// write puts what was found into the new record, in the order of the numbers.
func (b *rebuild) write(ctx context.Context, s *Store) error {
	sort.SliceStable(b.runs, func(i, j int) bool {
		x, y := &b.runs[i], &b.runs[j]
		return cmp.Or(strings.Compare(x.post, y.post), cmp.Compare(x.FromSeq, y.FromSeq), cmp.Compare(y.ToSeq, x.ToSeq)) < 0
	})
	files := map[string]*os.File{}
	defer func() {
		for _, f := range files {
			f.Close()
		}
	}()
	for len(b.runs) > 0 {
		n := 0
		for n < len(b.runs) && b.runs[n].post == b.runs[0].post {
			n++
		}
		if err := b.post(ctx, s, b.runs[:n], files); err != nil {
			return err
		}
		b.runs = b.runs[n:]
	}
	return nil
}

// post writes the samples of one post.
func (b *rebuild) post(ctx context.Context, s *Store, runs []run, files map[string]*os.File) error {
	name := runs[0].post
	seq, at := int64(math.MinInt64), int64(0)
	var rows []chunk.Row
	for i, r := range runs {
		if r.ToSeq > seq {
			got, err := r.rows(files)
			if err != nil {
				return err
			}
			for _, row := range got {
				if row.Seq <= seq || b.removed(name, row.Seq) {
					continue
				}
				if seq != math.MinInt64 && row.Seq > seq+1 && !b.removed(name, seq+1) {
					b.out.Missing = append(b.out.Missing, Damage{Post: name, FromSeq: seq + 1, ToSeq: row.Seq - 1, From: instant(at), To: instant(row.At)})
				}
				rows, seq, at = append(rows, row), row.Seq, row.At
				b.correction, b.version = max(b.correction, row.Correction), max(b.version, row.Version)
			}
		}
		if len(rows) >= convertRows || i == len(runs)-1 && len(rows) > 0 {
			if err := s.putRows(ctx, name, rows); err != nil {
				return err
			}
			b.out.Samples += int64(len(rows))
			rows = nil
		}
	}
	return nil
}

// removed says whether a sample was removed on purpose.
func (b *rebuild) removed(post string, seq int64) bool {
	return slices.ContainsFunc(b.gone[post], func(s chunk.Span) bool { return s.FromSeq <= seq && seq <= s.ToSeq })
}

// rows reads a block again.
func (r *run) rows(files map[string]*os.File) ([]chunk.Row, error) {
	f, ok := files[r.file]
	if !ok {
		var err error
		if f, err = os.Open(r.file); err != nil {
			return nil, err
		}
		files[r.file] = f
	}
	// A chunk whose begin is lost is found by its end.
	from := max(r.at, 0)
	buf := make([]byte, r.at+int64(r.size)-from)
	n, err := f.ReadAt(buf, from)
	if err != nil && err != io.EOF {
		return nil, err
	}
	var rows []chunk.Row
	var block chunk.Block
	var words []byte
	chunk.Scan(buf[:n], func(_ int, c *chunk.Chunk) bool {
		if c.Size() == r.size && c.Read(r.block, &block) == nil {
			for i := range block.Len() {
				rows = append(rows, block.Row(i, &words))
			}
		}
		return len(rows) == 0
	})
	return rows, nil
}

// putRows adds rows of a post behind those that it has, as chunks.
func (s *Store) putRows(ctx context.Context, name string, rows []chunk.Row) error {
	return s.ask(ctx, "write samples of post "+name, func(ctx context.Context, w *writer) error {
		post, err := w.postNumber(ctx, name)
		if err != nil {
			return err
		}
		if err := w.mergePost(ctx, post, name, len(rows), eachOf(rows), false); err != nil {
			return err
		}
		last := rows[len(rows)-1]
		w.added = append(w.added, added{post, name, mark{last.Seq, last.At}})
		return nil
	})
}
