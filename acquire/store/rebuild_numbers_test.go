package store

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestNumbersOfLostRowsAreNotGivenAgain: samples whose correction and version were lost
// take no others, whatever is entered after the rebuilding.
func TestNumbersOfLostRowsAreNotGivenAgain(t *testing.T) {
	dir := damagedRecord(t, "DELETE FROM certificates; DELETE FROM corrections; DELETE FROM post_versions; VACUUM", func(s *Store) {
		s.Correction(0, v1Correction())
		s.Append(0, samples(1, 600))
		flushed(t, s)
	})
	for range 2 { // a record that was rebuilt may break again
		if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, dir, Options{})
	later := post("fryer")
	later.Oven = "another"
	register(t, s, later)
	other := v1Correction()
	other.Certificate = certificate()
	other.Certificate.Number, other.Certificate.Factor = "LH-18", 1.5
	s.Correction(0, other)
	s.Append(0, samples(601, 610))
	flushed(t, s)
	all := everything(t, s.Reader, "fryer")
	if old := all[0]; len(all) != 610 || !math.IsNaN(float64(old.S)) {
		t.Errorf("of %d samples the first is %v W/m2", len(all), old.S)
	} else if v, err := s.Version(t.Context(), old.Version); err == nil {
		t.Errorf("it has a version of oven %s", v.Oven)
	}
	newest := all[len(all)-1]
	c, err := s.CorrectionOf(t.Context(), newest.CorrectionID)
	v, verr := s.Version(t.Context(), newest.Version)
	if err != nil || verr != nil || c.Certificate.Number != "LH-18" || v.Oven != "another" || math.IsNaN(float64(newest.S)) {
		t.Errorf("the newest is %v, corrected by %+v, of oven %s, %v %v", newest.S, c, v.Oven, err, verr)
	}
}

// TestALostPostKeepsItsNumber: a post whose row was lost gets back its versions and zero
// where its samples name them, and where none do they become no other post's.
func TestALostPostKeepsItsNumber(t *testing.T) {
	for name, sampled := range map[string]bool{"with samples": true, "without": false} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"), post("combi"))
		zeroed := v1Correction()
		zeroed.ZeroBy = "M. Ashdown"
		s.Correction(0, zeroed)
		if sampled {
			s.Append(0, samples(1, 600))
			s.Append(1, samples(1, 5))
		}
		flushed(t, s)
		shut(t, s)
		byTool(t, dir, "DELETE FROM posts; VACUUM")
		if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
			t.Fatal(err)
		}
		s = open(t, dir, Options{})
		other := post("grill")
		other.Oven, other.Distance = "another", 2
		register(t, s, other, post("combi"), post("fryer"))
		for i, id := range []string{"grill", "combi", "fryer"} {
			past, err := s.Past(i, time.Hour)
			if err != nil {
				t.Fatal(err)
			}
			versions, err := s.History(t.Context(), id)
			if err != nil || len(versions) != 1 || (versions[0].Oven == "another") != (id == "grill") {
				t.Errorf("%s: the versions of %s are %+v, %v", name, id, versions, err)
			}
			if zero := sampled && id == "fryer"; (past.Zero.ZeroBy != "") != zero {
				t.Errorf("%s: the zero of %s was taken by %q", name, id, past.Zero.ZeroBy)
			}
		}
		if n := len(everything(t, s.Reader, "fryer")); sampled && n != 600 {
			t.Errorf("%s: %d samples", name, n)
		}
		shut(t, s)
	}
}

// TestALostPostKeepsTheNumberOfItsChunks: where its versions are lost too, their ids tell it,
// and so whose the zeros are.
func TestALostPostKeepsTheNumberOfItsChunks(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"), post("combi"))
	zeroed := v1Correction()
	zeroed.ZeroBy = "M. Ashdown"
	s.Correction(1, zeroed)
	s.Append(1, samples(1, 600)) // the post with the lower number has none
	merged(t, s, true)
	shut(t, s)
	byTool(t, dir, "DELETE FROM posts; DELETE FROM post_versions; VACUUM")
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil || out.Samples != 600 {
		t.Fatalf("%+v, %v", out, err)
	}
	if got := byTool(t, dir, "SELECT post, id FROM posts"); got != "2|combi" {
		t.Errorf("the posts are %q", got)
	}
	for _, x := range out.Rows {
		if strings.HasPrefix(x.Text, "row 2 of table posts") {
			t.Errorf("it is told that %s", x.Text)
		}
	}
	s = open(t, dir, Options{})
	register(t, s, post("combi"))
	if past, err := s.Past(0, time.Hour); err != nil || past.Zero.ZeroBy != "M. Ashdown" {
		t.Errorf("the zero of combi was taken by %q, %v", past.Zero.ZeroBy, err)
	}
	if n := len(everything(t, s.Reader, "combi")); n != 600 {
		t.Errorf("%d samples", n)
	}
}

// TestNumbersOfChunksBehindADamagedPage: what can be read behind it counts, and of names in
// chunks of one number that in most; where that cannot be known, it is said.
func TestNumbersOfChunksBehindADamagedPage(t *testing.T) {
	for _, tt := range []struct{ strays, posts, lost string }{
		{"id & 0xffffffff < 5", "1|fryer\n2|combi\n3|grill", ""},
		{"id & 0xffffffff <= 30", "1|fryer\n2|combi", "which post had number 3: as many of its chunks name grill as salamander"},
	} {
		dir := t.TempDir()
		s := open(t, dir, Options{})
		register(t, s, post("fryer"), post("combi"), post("grill"), post("salamander"))
		for i := range 4 {
			s.Append(i, samples(1, 600))
		}
		merged(t, s, true)
		shut(t, s)
		byTool(t, dir, `DELETE FROM posts; DELETE FROM post_versions; WITH RECURSIVE n(i) AS (VALUES(1) UNION ALL SELECT i + 1 FROM n WHERE i < 59)
			INSERT INTO chunks SELECT id + i, from_seq, to_seq, samples, from_ns, to_ns, state, removed, data FROM chunks, n;
			UPDATE chunks SET data = (SELECT data FROM chunks WHERE id >> 32 = 4) WHERE id >> 32 = 3 AND `+tt.strays+`;
			DELETE FROM chunks WHERE id >> 32 = 4; VACUUM`)
		var page, leaves int64
		if err := outside(t, dir).QueryRow("SELECT min(pageno), count(*) FROM dbstat WHERE name = 'chunks' AND pagetype = 'leaf'").Scan(&page, &leaves); err != nil || leaves < 4 {
			t.Fatal(leaves, err)
		}
		if got := byTool(t, dir, "SELECT count(*) FROM chunks WHERE id >> 32 = 1"); got != "60" {
			t.Fatal(got)
		}
		spoil(t, dir, page, spoilt()["all of it"])
		out, err := Rebuild(t.Context(), dir, Options{})
		if err != nil || tt.lost != "" && !slices.Contains(out.Lost, tt.lost) {
			t.Fatalf("%+v, %v", out, err)
		}
		if got := byTool(t, dir, "SELECT post, id FROM posts WHERE post < 4 AND id <> 'salamander'"); !strings.HasPrefix(got, tt.posts) {
			t.Errorf("strays %s: the posts are %q, lost %q", tt.strays, got, out.Lost)
		}
	}
}

// TestSumsOfALostPostAreNoOthers: not of the post that has its number in the new record.
func TestSumsOfALostPostAreNoOthers(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"), post("combi"), post("grill"))
	s.Append(0, samples(1, 600))
	s.Append(1, cooking(0, 10*time.Minute, 1500))
	s.Append(2, samples(1, 600))
	merged(t, s, true)
	shut(t, s)
	// Of combi there are only sums; the chunk of the grill is found by its end.
	byTool(t, dir, "DELETE FROM posts; DELETE FROM post_versions; DELETE FROM chunks WHERE id >> 32 = 2; UPDATE chunks SET data = substr(data, 2) WHERE id >> 32 = 3; VACUUM")
	out, err := Rebuild(t.Context(), dir, Options{})
	if err != nil || out.Samples != 1200 || !slices.Contains(out.Lost, "which post had number 2, whose sums are left out") {
		t.Fatalf("%+v, %v", out, err)
	}
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, id := range []string{"fryer", "grill"} {
		points, err := r.Chart(t.Context(), id, noon(), noon().Add(10*time.Hour), 10)
		if err != nil || len(points) != 1 || points[0].Samples != 600 || points[0].Max > 20 {
			t.Errorf("the sums of %s are %+v, %v", id, points, err)
		}
	}
}

// TestWhatWasRemovedOfALostPostIsNotMissing: of a post that got its number back, samples that
// were removed on purpose are none that the damage took.
func TestWhatWasRemovedOfALostPostIsNotMissing(t *testing.T) {
	dir := eventful(t, 150*time.Minute)
	if got := byTool(t, dir, "SELECT count(*) > 0 FROM chunks AS c WHERE state = 2 AND EXISTS (SELECT 1 FROM chunks WHERE id = c.id - 1 AND state = 1)"); got != "1" {
		t.Fatal("nothing was removed between what was kept")
	}
	byTool(t, dir, "DELETE FROM posts; VACUUM")
	if out, err := Rebuild(t.Context(), dir, Options{}); err != nil || len(out.Missing) > 0 {
		t.Errorf("missing is %+v, %v", out.Missing, err)
	}
}

// TestACertificateTakesNoNumberThatIsNamed: a correction whose certificate was lost is
// not of the next one that is entered.
func TestACertificateTakesNoNumberThatIsNamed(t *testing.T) {
	var first int64
	dir := damagedRecord(t, "DELETE FROM certificates", func(s *Store) {
		s.Correction(0, v1Correction())
		s.Append(0, samples(1, 10))
		flushed(t, s)
		first = everything(t, s.Reader, "fryer")[0].CorrectionID
	})
	s := open(t, dir, Options{})
	other := v1Correction()
	other.Certificate = certificate()
	other.Certificate.Number = "LH-18"
	next := post("fryer")
	next.Probe.Certificate = other.Certificate
	register(t, s, next)
	s.Correction(0, other)
	flushed(t, s)
	if c, err := s.CorrectionOf(t.Context(), first); err == nil && c.Certificate != nil && c.Certificate.Number == "LH-18" {
		t.Error("what was corrected before is of the new certificate")
	}
}
