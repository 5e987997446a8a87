package config

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// TestPipeIsRefused: opening a pipe waits for a writer that may never come.
func TestPipeIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe.toml")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{path, "/dev/zero", t.TempDir()} {
		if _, err := Load(p); err == nil || !strings.Contains(err.Error(), "no plain file") {
			t.Errorf("%s: %v, want a refusal", p, err)
		}
	}
}
