package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"path"
	"slices"
	"strings"
	"testing"
)

// listed is one package as `go list -json` tells it.
type listed struct {
	ImportPath   string
	Name         string
	Doc          string
	Imports      []string
	TestImports  []string
	XTestImports []string
}

func house(t *testing.T) []listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Name,Doc,Imports,TestImports,XTestImports", "ovenward/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

// side is the top folder of a package of ours, or "".
func side(importPath string) string {
	rest, ours := strings.CutPrefix(importPath, "ovenward/")
	if !ours {
		return ""
	}
	first, _, _ := strings.Cut(rest, "/")
	return first
}

// TestArrows holds the arrows between the sides of the house: nothing points
// back, so the trusted path cannot lean on what shows it.
func TestArrows(t *testing.T) {
	may := map[string][]string{
		"cmd":     {"cmd", "config", "metrics", "acquire", "drivers"},
		"config":  {"config", "acquire", "drivers"},
		"metrics": {"metrics", "acquire", "drivers"},
		"acquire": {"acquire", "drivers"},
		"drivers": {"drivers"},
	}
	for _, p := range house(t) {
		allowed, known := may[side(p.ImportPath)]
		if !known {
			t.Errorf("%s stands on no side of the house", p.ImportPath)
		}
		for _, i := range p.Imports {
			if s := side(i); s != "" && !slices.Contains(allowed, s) {
				t.Errorf("%s imports %s: %s may import only %v", p.ImportPath, i, side(p.ImportPath), allowed)
			}
			if strings.HasPrefix(i, "ovenward/config") && p.ImportPath != "ovenward/cmd/ovenward" {
				t.Errorf("%s imports config: cmd/ovenward alone may, so that no part knows the file's format", p.ImportPath)
			}
		}
	}
}

// TestOwners holds that a library has one owner, and that the way from probe to
// alarm to disk cannot wait for a network.
func TestOwners(t *testing.T) {
	owners := map[string]string{
		"go.bug.st/serial": "ovenward/drivers/serialport",
		"github.com/prometheus/client_golang/prometheus": "ovenward/metrics",
		"github.com/BurntSushi/toml":                     "ovenward/config",
		"modernc.org/sqlite":                             "ovenward/acquire/store",
		"github.com/golang/snappy":                       "ovenward/metrics/remotewrite",
		"codeberg.org/go-pdf/fpdf":                       "ovenward/cmd/internal/report",
	}
	const forTests = "ovenward/drivers/driverstest" // it starts the peers that tests talk to
	found := map[string]bool{}
	for _, p := range house(t) {
		for _, i := range p.Imports {
			if owner, owned := owners[i]; owned {
				found[i] = true
				if p.ImportPath != owner {
					t.Errorf("%s imports %s, whose owner is %s", p.ImportPath, i, owner)
				}
			}
			if strings.HasPrefix(i, "go.bug.st/serial/") {
				t.Errorf("%s imports %s: listing ports opens them and sets them to 9600 baud", p.ImportPath, i)
			}
			if i == forTests {
				t.Errorf("%s imports %s, which is for tests", p.ImportPath, i)
			}
			trusted := (side(p.ImportPath) == "acquire" || side(p.ImportPath) == "drivers") && p.ImportPath != forTests
			waits := i == "net" || strings.HasPrefix(i, "net/") && i != "net/url" && i != "net/netip" || i == "os/exec" ||
				strings.HasPrefix(i, "github.com/prometheus/")
			if p.ImportPath == "ovenward/drivers/tcplink" && i == "net" {
				continue // a probe behind a serial server is reached no other way; each wait has a deadline
			}
			if trusted && waits {
				t.Errorf("%s imports %s: nothing between probe, alarm and disk may wait for a network or another program", p.ImportPath, i)
			}
		}
	}
	for i := range owners {
		if !found[i] {
			t.Errorf("nothing imports %s: this test guards a name that is gone", i)
		}
	}
}

// TestPackagesSayWhatTheyAre holds names and package comments.
func TestPackagesSayWhatTheyAre(t *testing.T) {
	for _, p := range house(t) {
		if slices.Contains([]string{"util", "utils", "common", "helpers", "types", "misc", "models"}, path.Base(p.ImportPath)) {
			t.Errorf("%s: a package is named for what it does", p.ImportPath)
		}
		if len(p.Doc) < 30 {
			t.Errorf("%s: its package comment does not say its duty: %q", p.ImportPath, p.Doc)
		}
	}
}
