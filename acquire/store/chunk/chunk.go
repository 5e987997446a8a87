// Package chunk packs samples of one post into a run of bytes that says by
// itself what it is, and unpacks them. What the instrument said comes back byte
// for byte and digit for digit; instants are ns since 1970 UTC and come back to
// the ns (a Quantiser coarsens them before, and says so in their uncertainty).
//
// A chunk is a head, blocks, and the head once more. A block spans at most one
// minute of UTC and is checked apart, together with the head, by CRC-32C; so
// damage costs the block that it hits, and no wrong row comes back as right.
// The head names the post and tells of every block which numbers and instants
// it holds, so that what is lost has a name.
//
// Package chunk does no input or output and asks no clock.
package chunk

import (
	"fmt"
	"time"
)

// Row is one sample as the record keeps it.
type Row struct {
	Seq                 int64 // rises within a post; gaps are kept
	At                  int64 // ns since 1970 UTC; never falls within a post
	AtU                 int64 // ns; the true instant lies within At ± AtU
	HasValue            bool  // without it Digits and Exp are not kept
	Exp                 int8
	Status, Quality     uint8
	Digits              int64  // the value is Digits × 10^Exp, in Unit
	Unit                string // as spelled
	Version, Correction int64
	Said                []byte // the frame, byte for byte
	More                []byte // what else was said, as the record writes it; empty: nothing
}

// Kind is what rows of a run have in common.
type Kind struct {
	AtU                 int64
	HasValue            bool
	Exp                 int8
	Status, Quality     uint8
	Unit                string
	Version, Correction int64
}

// MaxKinds is how many kinds one chunk holds; a row of one more begins another
// chunk.
const MaxKinds = 256

// blockRows is the most rows of a block: fewer than a minute's at fast posts,
// so that damage costs little of them too.
const blockRows = 1024

const minute = int64(time.Minute)

// Span is a run of rows: their numbers and instants, first and last, and how
// many they are. Of a block that is not its chunk's last, ToSeq is the number
// before the next block's first and To its instant.
type Span struct {
	FromSeq, ToSeq int64
	From, To       int64 // ns since 1970 UTC
	Rows           int
}

// Damage says that a block cannot be read.
type Damage struct {
	Post  string
	Block int
	Span
	Why string
}

func (d *Damage) Error() string {
	return fmt.Sprintf("damage at post %s: %d samples, numbers %d to %d, %s to %s, cannot be read: %s", d.Post, d.Rows, d.FromSeq, d.ToSeq,
		time.Unix(0, d.From).UTC().Format(time.RFC3339Nano), time.Unix(0, d.To).UTC().Format(time.RFC3339Nano), d.Why)
}

// Block is a block's rows, column by column. Read fills it again and again; what
// it holds is valid until the next Read.
type Block struct {
	Seq, At, Digits []int64
	Kind            []uint8 // which of Kinds a row is
	Kinds           []Kind

	// Of a plain chunk, and of rows that follow no template.
	said, more       []byte
	saidEnd, moreEnd []int

	// Of a dense one.
	templates []template
	one       int     // the template of all rows; -1: template has them
	numbers   []int64 // of all rows, but the constant ones
	stride    int     // of numbers, where all rows are of one template
	template  []uint8
	numberAt  []int // where a row's begin
	fields    []int64
}

// Len is the number of rows.
func (b *Block) Len() int { return len(b.Seq) }

// AppendSaid appends the frame of row i.
func (b *Block) AppendSaid(dst []byte, i int) []byte {
	if t, numbers := b.row(i); t != nil {
		return t.render(dst, t.said, numbers)
	}
	return append(dst, part(b.said, b.saidEnd, i)...)
}

// AppendMore appends what else row i said; nothing when it said no more.
func (b *Block) AppendMore(dst []byte, i int) []byte {
	if t, numbers := b.row(i); t != nil {
		return t.render(dst, t.more, numbers)
	}
	return append(dst, part(b.more, b.moreEnd, i)...)
}

// row returns the template of row i and its numbers; nil where it follows none.
func (b *Block) row(i int) (*template, []int64) {
	var t *template
	at := i * b.stride
	switch {
	case len(b.templates) == 0:
		return nil, nil
	case b.one >= 0:
		t = &b.templates[b.one]
	default:
		t, at = &b.templates[b.template[i]], b.numberAt[i]
	}
	if t.whole {
		return nil, nil
	}
	return t, b.numbers[at:]
}

func part(all []byte, ends []int, i int) []byte {
	from := 0
	if i > 0 {
		from = ends[i-1]
	}
	return all[from:ends[i]]
}

// Row returns row i whole. Said and More are appended to *buf, and are parts of
// it.
func (b *Block) Row(i int, buf *[]byte) Row {
	k := &b.Kinds[b.Kind[i]]
	r := Row{Seq: b.Seq[i], At: b.At[i], AtU: k.AtU, HasValue: k.HasValue, Exp: k.Exp, Status: k.Status, Quality: k.Quality,
		Digits: b.Digits[i], Unit: k.Unit, Version: k.Version, Correction: k.Correction}
	from := len(*buf)
	*buf = b.AppendSaid(*buf, i)
	said := len(*buf)
	*buf = b.AppendMore(*buf, i)
	end := len(*buf)
	r.Said, r.More = (*buf)[from:said:said], (*buf)[said:end:end]
	return r
}

func (b *Block) reset() {
	b.Seq, b.At, b.Digits, b.Kind = b.Seq[:0], b.At[:0], b.Digits[:0], b.Kind[:0]
	b.said, b.more, b.saidEnd, b.moreEnd = b.said[:0], b.more[:0], b.saidEnd[:0], b.moreEnd[:0]
	b.template, b.fields, b.numberAt = b.template[:0], b.fields[:0], b.numberAt[:0]
	b.templates, b.numbers = nil, nil
}
