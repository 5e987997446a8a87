package store

import (
	"testing"
	"time"

	"ovenward/acquire"
)

// TestIdentity: the newest one that was accepted comes back, byte for byte, until
// another probe is put there.
func TestIdentity(t *testing.T) {
	dir := t.TempDir()
	now := noon()
	known := func(probe, says string) string {
		t.Helper()
		s := open(t, dir, Options{})
		defer shut(t, s)
		p := post("door")
		p.Probe.ID = probe
		now = now.Add(time.Hour)
		if err := s.Register([]acquire.Post{p}, now); err != nil {
			t.Fatal(err)
		}
		said, err := s.Identity(0)
		if err != nil {
			t.Fatal(err)
		}
		if says != "" {
			s.Record(acquire.Event{At: now, Post: "door", Kind: acquire.KindIdentity, Text: "it is", Raw: []byte(says)})
			s.Record(acquire.Event{At: now, Post: "door", Kind: acquire.KindLink, Text: "another", Raw: []byte("X,Y,Z")})
			s.Record(acquire.Event{At: now, Post: "other", Kind: acquire.KindIdentity, Text: "it is", Raw: []byte("X,Y,Z")})
		}
		return string(said)
	}
	for _, c := range []struct{ probe, says, want string }{
		{"one", "M,3,17,1.0", ""}, {"one", "M,3,17,1.1", "M,3,17,1.0"}, {"one", "", "M,3,17,1.1"}, {"one", "", "M,3,17,1.1"},
		{"two", "", ""}, {"one", "", ""},
	} {
		if got := known(c.probe, c.says); got != c.want {
			t.Errorf("probe %s: the record knows %q, want %q", c.probe, got, c.want)
		}
	}
	s := open(t, dir, Options{})
	defer shut(t, s)
	if _, err := s.Identity(7); err == nil {
		t.Error("a post that is not registered has an identity")
	}
}
