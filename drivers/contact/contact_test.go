package contact

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
)

func TestFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "value")
	r := File(path)
	defer r.Close()
	if _, err := r.Read(t.Context()); !errors.Is(err, os.ErrNotExist) {
		t.Fatalf("%v", err)
	}
	for text, want := range map[string]bool{"0\n": false, "1\n": true, "1": true} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if on, err := r.Read(t.Context()); err != nil || on != want {
			t.Errorf("%q: %v, %v", text, on, err)
		}
	}
	for _, text := range []string{"", "in\n", "11", strings.Repeat("1", 99)} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if on, err := r.Read(t.Context()); err == nil {
			t.Errorf("%q is %v", text, on)
		}
	}
}

// broken is a link that gives out after some questions.
type broken struct {
	left   int
	closed int
}

func (b *broken) Send([]byte, time.Time) (time.Time, int, error) {
	if b.left--; b.left < 0 {
		return time.Time{}, 0, drivers.ErrGone
	}
	return time.Time{}, 0, nil
}

func (b *broken) Receive(_ func([]byte) (int, []byte), _ time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	return append(dst, drivers.Frame{Bytes: []byte{1}}), nil
}

func (b *broken) Close() error { b.closed++; return nil }

type bare struct{}

func (bare) Request() []byte              { return []byte("?") }
func (bare) Split(b []byte) (int, []byte) { return len(b), b }
func (bare) On(b []byte) (bool, error)    { return b[0] == 1, nil }

// A link that is lost is closed, and opened anew by the next question.
func TestAskBeginsAnew(t *testing.T) {
	var made []*broken
	r := Ask(func(context.Context) (drivers.Link, error) {
		made = append(made, &broken{left: 2})
		return made[len(made)-1], nil
	}, bare{}, time.Second, time.Now)
	for i := range 6 {
		on, err := r.Read(t.Context())
		if want := i%3 != 2; on != want || (err == nil) != want || !want && !errors.Is(err, drivers.ErrGone) {
			t.Errorf("question %d: %v, %v", i, on, err)
		}
	}
	if len(made) != 2 || made[0].closed != 1 || made[1].closed != 1 {
		t.Errorf("%d links", len(made))
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
}
