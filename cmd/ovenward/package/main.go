// Command package builds what Ovenward is installed from: deb and rpm packages for
// each machine, and the folder that Containerfile takes. Run it in the top folder
// of the source:
//
//	go run ./cmd/ovenward/package --version=1.0.0 --out=dist
//
// The packager itself is no dependency of Ovenward: it is fetched by its version,
// whose sum the module proxy's log vouches for.
package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"time"
)

// packager makes deb and rpm. Later ones were seen to fail.
const packager = "github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2"

// machine is what a package is made for.
type machine struct {
	name   string // as Debian calls it
	nfpm   string
	goarch string
	goarm  string
}

// machines lists them. armhf is built for ARMv6, so that it runs on the smallest
// boards that are called so.
func machines() []machine {
	return []machine{{"amd64", "amd64", "amd64", ""}, {"arm64", "arm64", "arm64", ""}, {"armhf", "arm7", "arm", "6"}}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := build(ctx, os.Args[1:]); err != nil {
		fmt.Fprintf(os.Stderr, "package: %v\n", err)
		os.Exit(1)
	}
}

// job is one run of this program.
type job struct {
	version, out, tools string
	date                time.Time
}

func build(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("package", flag.ContinueOnError)
	j := job{}
	flags.StringVar(&j.version, "version", "", "`X.Y.Z` of the packages")
	flags.StringVar(&j.out, "out", "dist", "`FOLDER` to put them in")
	only := flags.String("only", "", "one `MACHINE`: amd64, arm64 or armhf; all when left out")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if !regexp.MustCompile(`^[0-9]+\.[0-9]+\.[0-9]+([-+~][0-9A-Za-z.]+)?$`).MatchString(j.version) {
		return fmt.Errorf("--version=%q is no version: write it as in 1.0.0", j.version)
	}
	if _, err := os.Stat("cmd/ovenward/package/nfpm.yaml"); err != nil {
		return fmt.Errorf("this is not the top folder of the source: %w", err)
	}
	j.date = sourceDate(ctx)
	var err error
	if j.tools, err = os.MkdirTemp("", "ovenward-package-"); err != nil {
		return fmt.Errorf("making a folder for the packager: %w", err)
	}
	defer os.RemoveAll(j.tools)
	if err := j.run(ctx, []string{"GOBIN=" + j.tools}, "go", "install", packager); err != nil {
		return err
	}
	all := machines()
	if *only != "" {
		all = slices.DeleteFunc(all, func(m machine) bool { return m.name != *only })
	}
	if len(all) == 0 {
		return fmt.Errorf("--only=%s is none of amd64, arm64, armhf", *only)
	}
	for _, m := range all {
		if err := j.pack(ctx, m); err != nil {
			return fmt.Errorf("for %s: %w", m.name, err)
		}
	}
	return j.container(ctx)
}

// sourceDate is when the source was last changed, so that the same source makes the
// same packages: what SOURCE_DATE_EPOCH says, or the newest commit.
func sourceDate(ctx context.Context) time.Time {
	text := os.Getenv("SOURCE_DATE_EPOCH")
	if text == "" {
		out, err := exec.CommandContext(ctx, "git", "log", "-1", "--format=%ct").Output()
		if err != nil {
			return time.Unix(0, 0).UTC() // no repository: no date
		}
		text = strings.TrimSpace(string(out))
	}
	var seconds int64
	if _, err := fmt.Sscan(text, &seconds); err != nil {
		return time.Unix(0, 0).UTC()
	}
	return time.Unix(seconds, 0).UTC()
}

// run runs a program, which may say what it likes.
func (j job) run(ctx context.Context, env []string, name string, args ...string) error {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = append(os.Environ(), env...)
	cmd.Stdout, cmd.Stderr = os.Stderr, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("%s %s: %w", name, strings.Join(args, " "), err)
	}
	return nil
}

// program builds ovenward for a machine, static and without what only a debugger needs.
func (j job) program(ctx context.Context, m machine, to string) error {
	return j.run(ctx, []string{"CGO_ENABLED=0", "GOOS=linux", "GOARCH=" + m.goarch, "GOARM=" + m.goarm},
		"go", "build", "-trimpath", "-ldflags=-s -w -X main.released="+j.version, "-o", to, "./cmd/ovenward")
}

// pack makes the packages for a machine.
func (j job) pack(ctx context.Context, m machine) error {
	tree := filepath.Join(j.out, "tree", m.name)
	if err := os.MkdirAll(tree, 0o755); err != nil {
		return err
	}
	if err := j.program(ctx, m, filepath.Join(tree, "ovenward")); err != nil {
		return err
	}
	if err := j.told(ctx, tree); err != nil {
		return err
	}
	env := []string{"OVENWARD_ARCH=" + m.nfpm, "OVENWARD_VERSION=" + j.version, "OVENWARD_TREE=" + tree, fmt.Sprintf("SOURCE_DATE_EPOCH=%d", j.date.Unix())}
	for _, kind := range []string{"deb", "rpm"} {
		to := filepath.Join(j.out, fmt.Sprintf("ovenward_%s_%s.%s", j.version, m.name, kind))
		if err := j.run(ctx, env, filepath.Join(j.tools, "nfpm"), "package", "--config=cmd/ovenward/package/nfpm.yaml", "--packager="+kind, "--target="+to); err != nil {
			return err
		}
	}
	return nil
}

// told writes down what the program says of itself: the manual page and what the
// shells complete. It asks a program of this machine.
func (j job) told(ctx context.Context, tree string) error {
	native := filepath.Join(j.tools, "ovenward")
	if _, err := os.Stat(native); err != nil {
		if err := j.program(ctx, machine{goarch: runtime.GOARCH, goarm: "6"}, native); err != nil {
			return err
		}
	}
	files := map[string]string{"ovenward.1.gz": "--manual", "ovenward.bash": "--completion=bash", "ovenward.zsh": "--completion=zsh", "ovenward.fish": "--completion=fish"}
	for name, flag := range files {
		text, err := exec.CommandContext(ctx, native, "help", flag).Output()
		if err == nil && len(text) == 0 {
			err = errors.New("it said nothing")
		}
		if err != nil {
			return fmt.Errorf("ovenward help %s: %w", flag, err)
		}
		if strings.HasSuffix(name, ".gz") {
			var packed bytes.Buffer
			z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
			if err != nil {
				return err
			}
			if _, err = z.Write(text); err == nil {
				err = z.Close()
			}
			if err != nil {
				return fmt.Errorf("pack %s: %w", name, err)
			}
			text = packed.Bytes()
		}
		if err := os.WriteFile(filepath.Join(tree, name), text, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// container makes the folder that an image is built from, for this machine.
func (j job) container(ctx context.Context) error {
	dir := filepath.Join(j.out, "container")
	if err := os.MkdirAll(filepath.Join(dir, "record"), 0o755); err != nil {
		return err
	}
	if err := j.program(ctx, machine{goarch: runtime.GOARCH, goarm: "6"}, filepath.Join(dir, "ovenward")); err != nil {
		return err
	}
	for from, name := range map[string]string{"cmd/ovenward/package/Containerfile": "Containerfile", "/etc/ssl/certs/ca-certificates.crt": "ca-certificates.crt"} {
		text, err := os.ReadFile(from)
		if err != nil {
			return fmt.Errorf("for the container: %w", err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o644); err != nil {
			return err
		}
	}
	return nil
}
