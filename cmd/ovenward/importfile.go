package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"iter"
	"os"

	"ovenward/acquire/store"
	"ovenward/cmd/internal/rows"
)

// importFile hands the rows of a file on to the record, and keeps what is wrong
// with them.
type importFile struct {
	importing
	f      *os.File
	size   int64
	digest [sha256.Size]byte
	again  hash.Hash // of what is read the second time
	read   int64
	lines  iter.Seq2[rows.Line, error]
	bar    *progressBar
	wrong  *wrongRows
	line   int  // of the row handed on last
	some   bool // a row was of the post that is asked for
}

// begin reads nothing but what says that the format is known.
func (in *importFile) begin() (err error) {
	in.lines, err = rows.Read(in.format, io.TeeReader(in.f, seen{in}))
	return err
}

// seen gets what is read of the file.
type seen struct{ in *importFile }

func (c seen) Write(b []byte) (int, error) {
	c.in.read += int64(len(b))
	return c.in.again.Write(b)
}

// rows yields what can be read.
func (in *importFile) rows(yield func(store.ImportRow) bool) {
	for line, err := range in.lines {
		in.line = line.No
		in.bar.at(func() float64 { return float64(in.read) / float64(max(in.size, 1)) })
		if broken, ok := errors.AsType[*rows.Broken](err); ok {
			in.wrong.add(in.line, broken.Err)
			return
		}
		if err != nil {
			in.wrong.add(in.line, err)
			continue
		}
		r := line.Row
		if in.post != "" && r.Post != in.post {
			continue
		}
		in.some = true
		if in.as != "" {
			r.Post = store.ImportedPost(in.as)
		}
		if !yield(store.ImportRow{Post: r.Post, Site: r.Site, Oven: r.Oven, Probe: r.Probe,
			Simulated: r.Origin == rows.Simulated || r.Origin == rows.ImportedSimulated, Sample: r.Sample}) {
			return
		}
	}
}

func (in *importFile) refuse(why error) { in.wrong.add(in.line, why) }

// failed says whether all that was read is to be taken back.
func (in *importFile) failed() error {
	if in.wrong.count > 0 {
		return in.wrong
	}
	if in.post != "" && !in.some {
		return fmt.Errorf("%s holds no row of post %q", in.file, in.post)
	}
	if _, err := io.Copy(seen{in}, in.f); err != nil {
		return fmt.Errorf("read the file: %w", err)
	}
	if !bytes.Equal(in.again.Sum(nil), in.digest[:]) {
		return fmt.Errorf("%s changed while it was read; nothing was taken from it: import it when nobody writes to it", in.file)
	}
	return nil
}
