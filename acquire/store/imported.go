package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"iter"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
)

// ImportedPrefix begins the name of every post that holds imported samples. No
// configuration can have a post of such a name, so nothing that was imported can
// stand among, or go on from, what a probe said here.
const ImportedPrefix = "imported/"

// Import is a file of samples to be taken into the record.
type Import struct {
	Who    string
	File   string // its name, without its folder
	Digest [32]byte
	At     time.Time

	// Rows yields the file's rows. Refuse is told why the row yielded last is not
	// taken, and Failed is asked after the last one: an error takes back all.
	Rows   iter.Seq[ImportRow]
	Refuse func(why error)
	Failed func() error
}

// ImportRow is one row of such a file. Of the sample S, U and Mono do not count:
// what was said is taken, and what somebody made of it is not.
type ImportRow struct {
	Post              string // as in the file, with or without the prefix
	Site, Oven, Probe string
	Simulated         bool
	Sample            acquire.Sample
}

// Imported is what came of an Import.
type Imported struct {
	Taken   int // samples that are new in the record
	Already int // samples that were in it
	Posts   []string
}

// ImportedPost is the post that rows of post go to.
func ImportedPost(post string) string {
	return ImportedPrefix + strings.TrimPrefix(post, ImportedPrefix)
}

// Import takes a file's samples into posts of their own, in one transaction: all
// that is new, or nothing. A sample that the record holds already, of the post
// itself or imported, is left out. Each new one is marked uncalibrated, for no
// certificate of this record covers it, and belongs to a version of its post
// that names the file; an event tells of the import. Numbers of a post must
// rise, in the file and beyond what was imported before.
func (s *Store) Import(ctx context.Context, in Import) (Imported, error) {
	im := &importer{s: s, in: in, posts: map[string]*importedPost{}}
	defer im.stop()
	// Whatever ends ctx, the writer is waited for: it has the iterators in hand.
	err := s.ask(context.WithoutCancel(ctx), "import "+in.File, func(_ context.Context, w *writer) error { return im.run(ctx, w) })
	if im.failed != nil {
		return Imported{}, im.failed // no fault of the disk's
	}
	if err != nil {
		return Imported{}, err
	}
	return im.done, nil
}

// importer is one import under way, on the writer's goroutine.
type importer struct {
	s     *Store
	in    Import
	posts map[string]*importedPost
	done  Imported

	written batch // counts what the record refuses
	failed  error // why all is taken back, where that is not the record's fault
}

// importedPost is where the import stands in one post.
type importedPost struct {
	id      string
	own     held // what the record holds of the post itself
	taken   held // what was imported before
	last    acquire.Sample
	post    int32
	version int64
	of      ImportRow // whose version that is
	from    acquire.Sample
	n       int
	rows    []chunk.Row // taken, and not packed yet
}

// held walks the samples that the record holds, beside the rows of the file.
type held struct {
	next func() (StoredSample, error, bool)
	stop func()
	head StoredSample
	ok   bool
}

func (im *importer) stop() {
	for _, p := range im.posts {
		p.own.stop()
		p.taken.stop()
	}
}

func (im *importer) run(ctx context.Context, w *writer) error {
	for row := range im.in.Rows {
		if im.failed = ctx.Err(); im.failed != nil {
			return im.failed
		}
		p, err := im.at(ctx, row)
		if err != nil {
			return err
		}
		new, why, err := p.fits(row.Sample)
		switch {
		case err != nil:
			return err
		case why != nil:
			im.in.Refuse(why)
		case !new:
			im.done.Already++
		default:
			if err := im.insert(ctx, w, p, row); err != nil {
				return err
			}
		}
	}
	if im.failed = im.in.Failed(); im.failed != nil {
		return im.failed
	}
	for _, id := range im.done.Posts {
		if err := im.posts[id].pack(ctx, w); err != nil {
			return err
		}
		p := im.posts[id]
		if err := im.tell(ctx, w, p); err != nil {
			return err
		}
		w.added = append(w.added, added{p.post, p.id, mark{p.last.Seq, nanos(p.last.At)}})
	}
	if im.written.refused > 0 {
		return errors.New("the record refuses some of it; the log says what")
	}
	return nil
}

// at returns where the import stands in the post of a row.
func (im *importer) at(ctx context.Context, row ImportRow) (*importedPost, error) {
	id := ImportedPost(row.Post)
	if p, ok := im.posts[id]; ok {
		return p, nil
	}
	p := &importedPost{id: id}
	p.own = im.walk(ctx, strings.TrimPrefix(id, ImportedPrefix), row.Sample.Seq)
	p.taken = im.walk(ctx, id, row.Sample.Seq)
	im.posts[id] = p
	seq, at, err := im.s.Newest(ctx, id)
	p.last = acquire.Sample{Seq: seq, At: at}
	return p, err
}

func (im *importer) walk(ctx context.Context, post string, seq int64) held {
	next, stop := iter.Pull2(im.s.SamplesFrom(ctx, post, seq))
	return held{next: next, stop: stop}
}

// find returns the sample with a number, none of which is lower than that asked
// for before.
func (h *held) find(seq int64) (*StoredSample, error) {
	for !h.ok || h.head.Seq < seq {
		s, err, ok := h.next()
		if d := (*Damage)(nil); errors.As(err, &d) {
			continue
		}
		if err != nil || !ok {
			return nil, err
		}
		h.head, h.ok = s, true
	}
	if h.head.Seq == seq {
		return &h.head, nil
	}
	return nil, nil
}

// fits says whether a sample is new, or why it cannot be taken.
func (p *importedPost) fits(s acquire.Sample) (new bool, why, err error) {
	own, err := p.own.find(s.Seq)
	if err != nil {
		return false, nil, err
	}
	if own != nil && sameSaid(own.Sample, s) {
		return false, nil, nil
	}
	before, err := p.taken.find(s.Seq)
	switch {
	case err != nil:
		return false, nil, err
	case before != nil && sameSaid(before.Sample, s):
		return false, nil, nil
	case before != nil:
		return false, fmt.Errorf("post %s has another sample with number %d already; import the file as a post of another name", p.id, s.Seq), nil
	case p.n > 0 && s.Seq == p.last.Seq && sameSaid(p.last, s):
		return false, nil, nil // twice in the file
	case s.Seq <= p.last.Seq:
		return false, fmt.Errorf("number %d does not come after %d, the last one of post %s; sort the rows by seq, and import older files first", s.Seq, p.last.Seq, p.id), nil
	case s.At.Before(p.last.At):
		return false, fmt.Errorf("%s is before %s, the instant of number %d of post %s; instants never fall while numbers rise",
			s.At.Format(time.RFC3339Nano), p.last.At.Format(time.RFC3339Nano), p.last.Seq, p.id), nil
	}
	return true, nil, nil
}

// sameSaid says whether two samples are the same answer of the same instrument.
func sameSaid(a, b acquire.Sample) bool {
	ra, rb := a.Reading, b.Reading
	if !ra.HasValue {
		ra.Value = rb.Value // no number, whatever stands there
	}
	return a.At.Equal(b.At) && bytes.Equal(a.Said, b.Said) && ra == rb
}

// importRows is how many samples of a post wait to be packed together.
const importRows = 20_000

// insert takes a new sample.
func (im *importer) insert(ctx context.Context, w *writer, p *importedPost, r ImportRow) error {
	if p.n == 0 || p.of.Site != r.Site || p.of.Oven != r.Oven || p.of.Probe != r.Probe || p.of.Simulated != r.Simulated {
		if err := im.version(ctx, w, p, r); err != nil {
			return err
		}
	}
	s := r.Sample
	s.Said = bytes.Clone(s.Said)
	p.rows = append(p.rows, chunk.Row{
		Seq: s.Seq, At: nanos(s.At), AtU: int64(s.AtU), HasValue: s.Reading.HasValue, Digits: s.Reading.Value.Digits, Exp: s.Reading.Value.Exp,
		Unit: strings.Clone(s.Reading.Unit), Status: uint8(s.Reading.Status), Quality: uint8(s.Quality | acquire.Uncalibrated),
		Version: p.version, Said: s.Said, More: appendMore(nil, s.Reading),
	})
	if p.n == 0 {
		p.from = s
		im.done.Posts = append(im.done.Posts, p.id)
	}
	p.n++
	im.done.Taken++
	p.last = s
	if len(p.rows) < importRows {
		return nil
	}
	return p.pack(ctx, w)
}

// pack writes the samples that wait.
func (p *importedPost) pack(ctx context.Context, w *writer) error {
	err := w.mergePost(ctx, p.post, p.id, len(p.rows), eachOf(p.rows), false)
	p.rows = p.rows[:0]
	return err
}

// version makes the version of the post that its next samples belong to.
func (im *importer) version(ctx context.Context, w *writer, p *importedPost, r ImportRow) error {
	var err error
	if p.post, err = w.postNumber(ctx, p.id); err != nil {
		return err
	}
	p.of = r
	p.version, err = w.postVersion(ctx, p.post, []column{
		{"site", r.Site}, {"oven", r.Oven}, {"oven_place", ""}, {"turned", false},
		{"limit_id", ""}, {"limit_basis", ""}, {"limit_source", ""},
		{"probe", r.Probe}, {"probe_port", fmt.Sprintf("file %s, SHA-256 %x", im.in.File, im.in.Digest)},
		{"probe_axes", 0}, {"probe_simulated", r.Simulated},
	}, im.in.At)
	return err
}

// tell writes the event of the import, one a post.
func (im *importer) tell(ctx context.Context, w *writer, p *importedPost) error {
	im.s.mu.Lock()
	id := im.s.queue.nextEvent
	im.s.queue.nextEvent++
	im.s.mu.Unlock()
	return w.writeEvent(ctx, &acquire.Event{ID: id, At: im.in.At, Post: p.id, Kind: acquire.KindImport, Who: im.in.Who, Raw: im.in.Digest[:],
		Text: fmt.Sprintf("%d samples, numbers %d to %d, %s to %s, were imported from %s, SHA-256 %x; no probe said them here",
			p.n, p.from.Seq, p.last.Seq, p.from.At.UTC().Format(time.RFC3339Nano), p.last.At.UTC().Format(time.RFC3339Nano), im.in.File, im.in.Digest)},
		&im.written)
}
