package store

import (
	"context"
	"reflect"
	"testing"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// What is at hand is what stands in the record, from wherever one goes on, and is
// answered though no disk answers.
func TestNewestEventsAreAtHandAsRecorded(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	commit := func(e acquire.Event) {
		s.Record(e)
		if err := s.Flush(context.Background()); err != nil {
			t.Fatal(err)
		}
		same(t, s)
	}
	commit(acquire.Event{At: noon(), Post: "fryer", Kind: acquire.KindLink, Text: "not UTF-8: \xff, and a NUL: \x00 in it", Raw: []byte{}})
	commit(raise("fryer", alarm.Exceeds, noon()))
	commit(acquire.Event{At: noon(), Kind: acquire.KindStation, Text: "something", Who: "M. Ito", Raw: []byte("raw")})
	if err := imported(t, s, 50, nil); err != nil {
		t.Fatal(err)
	}
	same(t, s)
	for i := range 2*maxRecent + 10 {
		if s.Record(note("more")); i%30 == 0 {
			commit(note("and more"))
		}
	}
	commit(note("the last"))
	newest, err := s.Events(context.Background(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Reader.Close(); err != nil {
		t.Fatal(err)
	}
	last := newest[len(newest)-1].ID
	if got, err := s.Events(context.Background(), last-3, 2); err != nil || !reflect.DeepEqual(got, newest[len(newest)-3:len(newest)-1]) {
		t.Errorf("with the disk away: %+v, %v; want %+v", got, err, newest[len(newest)-3:len(newest)-1])
	}
	if _, err := s.Events(context.Background(), 0, 1); err == nil {
		t.Error("old events were read from a record that is closed for reading")
	}
}

// same holds Events against the record's, from each number.
func same(t *testing.T, s *Store) {
	t.Helper()
	ctx := context.Background()
	all, err := s.Reader.Events(ctx, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for after := int64(0); after <= all[len(all)-1].ID+1; after++ {
		want, err := s.Reader.Events(ctx, after, 5)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := s.Events(ctx, after, 5); err != nil || !reflect.DeepEqual(got, want) {
			t.Fatalf("after %d: %+v, %v; the record has %+v", after, got, err, want)
		}
	}
}
