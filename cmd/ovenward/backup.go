package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"

	"ovenward/acquire/store"
)

const backupHelp = `usage: ovenward backup --storage.path=FOLDER -o FILE [--replace]

Copies the record to FILE as it is at one instant, beside a running daemon. FILE
appears whole and synced to disk, or not at all. Put as ovenward.db into a folder
of its own, the copy is a record: ovenward verify --storage.path=FOLDER checks it.

  -o FILE    the copy; one that is there is not overwritten, unless told to
  --replace  put the copy in the place of FILE
`

// backupCommand copies a record and returns the exit code.
func backupCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("ovenward backup", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	path := flags.String("storage.path", "", "")
	file := flags.String("o", "", "")
	replace := flags.Bool("replace", false, "")
	if err := parse(flags, args); err != nil {
		return ended("backup", backupHelp, err, stdout, stderr)
	}
	if *path == "" || *file == "" {
		return fail(stderr, "--storage.path and -o are needed: name the folder of the record, and the file of the copy")
	}
	r, err := store.OpenReadOnly(*path)
	if err != nil {
		return fail(stderr, "%v", err)
	}
	defer r.Close()
	size, err := r.Backup(ctx, *file, *replace)
	if errors.Is(err, store.ErrExists) {
		return fail(stderr, "%v: choose another file, or say --replace", err)
	} else if err != nil {
		return fail(stderr, "%v", err)
	}
	fmt.Fprintf(stdout, "The record is copied to %s, %d bytes.\n", *file, size)
	return 0
}
