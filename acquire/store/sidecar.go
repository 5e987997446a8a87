package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"ovenward/acquire"
)

// A sidecar keeps, in a file beside the record, the number of the last commit
// and how far it recorded each post. SQLite drops the end of a damaged log
// without a word; the sidecar knows that there was one. It has two slots that
// are written in turn, so that one is always whole, and each says
//
//	magic 4, size 4, commit 8, committed 8, posts 4, of each post: number 4,
//	last sample 8, its instant 8, CRC-32C 4
//
// with the low byte first, instants in ns since 1970 UTC. It is written after
// its commit is durable, never before, so it promises nothing that is not there.
// It is synced with each checkpoint only: after a power cut it may lag behind
// the record, which is harmless, and a flipped bit, a cut log or a killed process
// find it up to date.
type sidecar struct {
	f     *os.File
	fault func(Step) error
	slot  int64
	last  map[int32]mark
	err   error
	buf   []byte
}

const (
	sidecarName  = "ovenward.last"
	sidecarMagic = "OVL\x01"
	sidecarSlot  = 64 << 10
	sidecarPosts = (sidecarSlot - 4 - 4 - 8 - 8 - 4 - 4) / 20
)

// promise is what a sidecar says.
type promise struct {
	commit, at int64
	last       map[int32]mark
}

// openSidecar opens the file, and says what it promises; commit 0 when nothing.
func openSidecar(path string) (*os.File, promise, int64, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, promise{}, 0, fmt.Errorf("open the number of the last commit: %w", err)
	}
	p, slot, err := readSidecar(f)
	if err != nil {
		return nil, p, 0, errors.Join(err, f.Close())
	}
	return f, p, 1 - slot, nil
}

// openSidecar compares what the sidecar promises with what is there, and mends
// what it can. A record without a sidecar gets one.
func (w *writer) openSidecar(ctx context.Context, behind map[int64][]byte) error {
	f, p, slot, err := openSidecar(filepath.Join(w.s.dir, sidecarName))
	if err != nil {
		if !wantsSpace(err) {
			return err
		}
	}
	w.side = sidecar{f: f, slot: slot, fault: w.s.o.Fault, err: err}
	if err := w.salvage(ctx, behind, p); err != nil {
		return err
	}
	w.side.last = maps.Clone(w.s.queue.last)
	w.sideChecked()
	return nil
}

// sideChecked tells, when that changes, that the last commit's number is not kept
// beside the record, and that it is again.
func (w *writer) sideChecked() {
	w.s.mu.Lock()
	before := w.s.state.sideErr
	w.s.state.sideErr = w.side.err
	w.s.mu.Unlock()
	if (before == nil) == (w.side.err == nil) {
		return
	}
	e := acquire.Event{At: w.s.o.Now().UTC(), Kind: acquire.KindRecord, Text: "the number of the last commit is kept beside the record again"}
	if w.side.err != nil {
		e.Text = fmt.Sprintf("the number of the last commit cannot be kept beside the record: %v: a lost end of the log would not be noticed; look at %s in %s",
			w.side.err, sidecarName, w.s.dir)
		w.s.o.Log.Error("the number of the last commit cannot be kept beside the record", "err", w.side.err)
	}
	w.s.Record(e)
}

// syncSidecar makes the file durable, and opens it where that failed before.
func (w *writer) syncSidecar() {
	if w.side.f == nil {
		if f, _, slot, err := openSidecar(filepath.Join(w.s.dir, sidecarName)); err == nil {
			w.side.f, w.side.slot = f, slot
			w.side.note(w.s.numberNow())
		} else {
			w.side.err = err
		}
	}
	w.side.sync()
	w.sideChecked()
}

// numberNow is the last commit, as a sidecar notes it.
func (s *Store) numberNow() *batch {
	s.mu.Lock()
	defer s.mu.Unlock()
	return &batch{no: s.state.commits, at: s.state.at}
}

// readSidecar returns the newer of the two slots that are whole.
func readSidecar(f io.ReaderAt) (best promise, slot int64, err error) {
	for i := range int64(2) {
		b := make([]byte, sidecarSlot)
		n, err := f.ReadAt(b, i*sidecarSlot)
		if err != nil && err != io.EOF {
			return best, 0, fmt.Errorf("read the number of the last commit: %w", err)
		}
		if p, ok := readPromise(b[:n]); ok && p.commit >= best.commit {
			best, slot = p, i
		}
	}
	return best, slot, nil
}

func readPromise(b []byte) (p promise, ok bool) {
	le := binary.LittleEndian
	if len(b) < 32 || string(b[:4]) != sidecarMagic {
		return p, false
	}
	size, posts := int(le.Uint32(b[4:])), int(le.Uint32(b[24:]))
	if posts > sidecarPosts || size != 32+20*posts || size > len(b) ||
		crc32.Checksum(b[:size-4], castagnoli()) != le.Uint32(b[size-4:]) {
		return p, false
	}
	p = promise{commit: int64(le.Uint64(b[8:])), at: int64(le.Uint64(b[16:])), last: map[int32]mark{}}
	for b := b[28 : size-4]; len(b) > 0; b = b[20:] {
		p.last[int32(le.Uint32(b))] = mark{int64(le.Uint64(b[4:])), int64(le.Uint64(b[12:]))}
	}
	return p, true
}

// note keeps the number of a commit that is durable.
func (s *sidecar) note(b *batch) {
	if s.f == nil {
		return
	}
	maps.Copy(s.last, b.last)
	le := binary.LittleEndian
	posts := slices.Sorted(maps.Keys(s.last))
	posts = posts[:min(len(posts), sidecarPosts)]
	s.buf = append(s.buf[:0], sidecarMagic...)
	s.buf = le.AppendUint32(s.buf, uint32(32+20*len(posts)))
	s.buf = le.AppendUint64(le.AppendUint64(s.buf, uint64(b.no)), uint64(nanos(b.at)))
	s.buf = le.AppendUint32(s.buf, uint32(len(posts)))
	for _, post := range posts {
		m := s.last[post]
		s.buf = le.AppendUint64(le.AppendUint64(le.AppendUint32(s.buf, uint32(post)), uint64(m.seq)), uint64(m.at))
	}
	s.buf = le.AppendUint32(s.buf, crc32.Checksum(s.buf, castagnoli()))
	if s.err = s.fault(StepSidecar); s.err == nil {
		_, s.err = s.f.WriteAt(s.buf, s.slot*sidecarSlot)
	}
	s.slot = 1 - s.slot
}

// sync makes the file durable.
func (s *sidecar) sync() {
	if s.f != nil && s.err == nil {
		s.err = s.f.Sync()
	}
}

func (s *sidecar) close() error {
	if s.f == nil {
		return nil
	}
	err := errors.Join(s.f.Sync(), s.f.Close())
	s.f = nil
	return err
}
