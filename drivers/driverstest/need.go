package driverstest

import (
	"os"
	"os/exec"
	"testing"
)

// missing skips the test for want of a peer, by name, unless
// OVENWARD_PEERS=require says that it must be there.
func missing(t testing.TB, what string, err error) {
	t.Helper()
	if os.Getenv("OVENWARD_PEERS") == "require" {
		t.Fatalf("the peer %s is missing, and OVENWARD_PEERS=require: %v", what, err)
	}
	t.Skipf("the peer %s is missing; install it to run this test", what)
}

// Program finds a program that a test talks to.
func Program(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, name, err)
	}
	return path
}

// File returns what the file holds that an environment variable names. Without it
// the test is skipped, or fails where peers are required.
func File(t testing.TB, variable string) []byte {
	t.Helper()
	body, err := os.ReadFile(os.Getenv(variable))
	if err != nil {
		missing(t, "the file that "+variable+" names (see .ci/run)", err)
	}
	return body
}
