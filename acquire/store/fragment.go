package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"hash/crc32"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/store/chunk"
)

// A fragment is what one commit wrote, or a part of it that fits a page, in one
// run of bytes that says by itself what it is: so it is found in a log that
// SQLite gives up, too.
//
//	magic 4, size of it all 4, commit 8, part 2, parts 2, committed 8 (ns since
//	1970 UTC), next event 8, link 32, size of the other 4, other, chunks of
//	samples of package chunk one after the other, CRC-32C 4
//
// with the low byte first. link is SHA-256 of the link before it and of all that
// comes after the link but for the CRC. other is a JSON object (type other) of
// the events and corrections of the commit, which stand in their tables too;
// empty when there is none.
type fragment struct {
	commit      int64
	part, parts int
	at          int64
	nextEvent   int64
	link        [sha256.Size]byte
	other       []byte
	samples     []byte
}

const (
	fragmentMagic = "\xF0vw\x9E"
	fragmentHead  = 4 + 4 + 8 + 2 + 2 + 8 + 8 + sha256.Size + 4
	fragmentTail  = 4
	maxFragment   = 1 << 28
)

// other is what a commit wrote beside samples.
type other struct {
	Events      []keptEvent      `json:"events,omitempty"`
	Corrections []keptCorrection `json:"corrections,omitempty"`
}

// keptEvent is an event whose alarm is as the table events has it.
type keptEvent struct {
	acquire.Event
	Change json.RawMessage `json:"change,omitempty"`
}

// keptCorrection is a correction as fragments hold it.
type keptCorrection struct {
	ID   int64            `json:"correction"`
	Post string           `json:"post"`
	At   int64            `json:"entered_at_ns"`
	C    calib.Correction `json:"value"`
}

var errNoFragment = errors.New("no fragment begins here")

// append appends f to dst, its link made from the one before.
func (f *fragment) append(dst []byte, before [sha256.Size]byte) []byte {
	from := len(dst)
	size := fragmentHead + len(f.other) + len(f.samples) + fragmentTail
	le := binary.LittleEndian
	dst = append(dst, fragmentMagic...)
	dst = le.AppendUint32(dst, uint32(size))
	dst = le.AppendUint64(dst, uint64(f.commit))
	dst = le.AppendUint16(le.AppendUint16(dst, uint16(f.part)), uint16(f.parts))
	dst = le.AppendUint64(le.AppendUint64(dst, uint64(f.at)), uint64(f.nextEvent))
	at := len(dst)
	dst = append(dst, f.link[:]...)
	dst = le.AppendUint32(dst, uint32(len(f.other)))
	dst = append(append(dst, f.other...), f.samples...)
	f.link = linkOf(before, dst[from+8:at], dst[at+sha256.Size:])
	copy(dst[at:], f.link[:])
	return le.AppendUint32(dst, crc32.Checksum(dst[from:], castagnoli()))
}

func castagnoli() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) }

// linkOf is the link that follows before.
func linkOf(before [sha256.Size]byte, parts ...[]byte) (l [sha256.Size]byte) {
	h := sha256.New()
	h.Write(before[:])
	for _, p := range parts {
		h.Write(p)
	}
	h.Sum(l[:0])
	return l
}

// relink returns the link that f should have after before.
func (f *fragment) relink(before [sha256.Size]byte) [sha256.Size]byte {
	again := *f
	again.append(nil, before)
	return again.link
}

// readFragment reads the fragment that b begins with, and says how long it is.
// What it returns shares memory with b.
func readFragment(b []byte) (f fragment, size int, err error) {
	if len(b) < fragmentHead+fragmentTail || string(b[:4]) != fragmentMagic {
		return f, 0, errNoFragment
	}
	le := binary.LittleEndian
	n := le.Uint32(b[4:])
	if n < fragmentHead+fragmentTail || n > maxFragment || int(n) > len(b) {
		return f, 0, errNoFragment
	}
	size = int(n)
	b = b[:size]
	if crc32.Checksum(b[:size-fragmentTail], castagnoli()) != le.Uint32(b[size-fragmentTail:]) {
		return f, size, errors.New("its bytes are not those that were written")
	}
	f = fragment{commit: int64(le.Uint64(b[8:])), part: int(le.Uint16(b[16:])), parts: int(le.Uint16(b[18:])),
		at: int64(le.Uint64(b[20:])), nextEvent: int64(le.Uint64(b[28:]))}
	copy(f.link[:], b[36:])
	n = le.Uint32(b[36+sha256.Size:])
	rest := b[fragmentHead : size-fragmentTail]
	if int64(n) > int64(len(rest)) {
		return f, size, errors.New("it does not hold what its head says")
	}
	f.other, f.samples = rest[:n:n], rest[n:]
	return f, size, nil
}

// scanFragments calls found for every whole fragment in b, wherever it begins.
func scanFragments(b []byte, found func(f fragment, whole []byte)) {
	for at := 0; ; {
		i := bytes.Index(b[at:], []byte(fragmentMagic))
		if i < 0 {
			return
		}
		at += i
		f, size, err := readFragment(b[at:])
		if err != nil {
			at++
			continue
		}
		found(f, b[at:at+size])
		at += size
	}
}

// chunksLeft calls found for each chunk of samples that a damaged fragment still holds, with its
// bytes: the checks of chunks are their own.
func chunksLeft(b []byte, found func(c *chunk.Chunk, data []byte)) {
	end := 0
	chunk.Scan(b, func(at int, c *chunk.Chunk) bool {
		if at >= end && at+c.Size() <= len(b) {
			end = at + c.Size()
			found(c, b[at:end])
		}
		return true
	})
}

// blocksOf calls yield for each block of the chunks that b is, one after the
// other; a block that cannot be read is told as damage instead.
// It ends when yield returns false.
func blocksOf(b []byte, into *chunk.Block, yield func(c *chunk.Chunk, damage error) bool) error {
	return blocksBy(b, new(chunk.Chunk), into, yield)
}

// blocksBy is blocksOf with a chunk whose memory serves again.
func blocksBy(b []byte, c *chunk.Chunk, into *chunk.Block, yield func(c *chunk.Chunk, damage error) bool) error {
	for len(b) > 0 {
		if err := c.Open(b); err != nil {
			return err
		}
		for i := range c.Blocks() {
			if !yield(c, c.Read(i, into)) {
				return nil
			}
		}
		b = b[min(c.Size(), len(b)):]
	}
	return nil
}

// otherOf writes down what b holds beside samples; nil for nothing.
func (w *writer) otherOf(b *batch) ([]byte, error) {
	if len(b.events) == 0 && len(b.corrections) == 0 {
		return nil, nil
	}
	var o other
	for _, e := range b.events {
		k := keptEvent{Event: e}
		if e.Alarm != nil {
			text, err := changeJSON(*e.Alarm)
			if err != nil {
				return nil, err
			}
			k.Alarm, k.Change = nil, json.RawMessage(text)
		}
		o.Events = append(o.Events, k)
	}
	for _, c := range b.corrections {
		o.Corrections = append(o.Corrections, keptCorrection{c.id, w.s.nameOf(c.post), c.at, c.c})
	}
	text, err := json.Marshal(o)
	if err != nil { // a number that is none; it stands in the tables
		o.Corrections = nil
		text, err = json.Marshal(o)
	}
	return text, err
}
