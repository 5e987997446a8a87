package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"syscall"

	"modernc.org/sqlite"
)

// Result codes of SQLite that we tell apart; the low byte of a code is its
// class. Source: sqlite.org/rescode.html.
const (
	codeBusy       = 5
	codeCorrupt    = 11
	codeFull       = 13
	codeTooBig     = 18
	codeConstraint = 19
	codeMismatch   = 20
	codeNotADB     = 26
	codeWrite      = 10 | 3<<8
	codeShmSize    = 10 | 19<<8
)

// dsn is path as a URI that SQLite reads, whatever characters it holds.
func dsn(path string, query url.Values) string {
	p := filepath.ToSlash(path)
	if !strings.HasPrefix(p, "/") {
		p = "/" + p // a drive letter
	}
	return (&url.URL{Scheme: "file", Path: p, RawQuery: query.Encode()}).String()
}

// openDB makes a pool on path without the global driver table.
func openDB(path string, query url.Values) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("find %s: %w", path, err)
	}
	c, err := sqlite.NewConnector(dsn(abs, query))
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	return sql.OpenDB(c), nil
}

// openWriter makes the pool of the one connection that writes. It waits a short
// while for a lock that a person's tool may hold; the writer tries again. From
// then on the process syncs by fdatasync where there is that: all that is needed
// to read what was written, its size too, and not its file's times, which cost a
// commit as much again.
func openWriter(path, vfs string) (*sql.DB, error) {
	if _, err := sqlite.Fdatasync(true); err != nil && !errors.Is(err, sqlite.ErrFdatasyncUnavailable) {
		return nil, fmt.Errorf("sync %s by fdatasync: %w", path, err)
	}
	db, err := openDB(path, through(vfs, url.Values{"_pragma": {"busy_timeout(250)"}}))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	return db, nil
}

// through adds the name of the layer between SQLite and the files.
func through(vfs string, query url.Values) url.Values {
	if vfs != "" {
		query.Set("vfs", vfs)
	}
	return query
}

// openReaders makes the pool that everybody else reads through.
func openReaders(path string) (*sql.DB, error) { return openReadersOn(path, "") }

// openReadersOn does so through a layer between SQLite and the files.
func openReadersOn(path, vfs string) (*sql.DB, error) {
	db, err := openDB(path, through(vfs, url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(1000)", "query_only(1)"}}))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(4)
	return db, nil
}

// prepare sets what makes a commit durable, on a file known to be ours. The log
// is folded into the file by the writer: when it is long, by a timer, and at
// Close; its file is cut back to 8 MiB once all of it is. SQLite folds by itself
// only where one work commits often, at twice that length: it does so within a
// commit, and an alarm must not wait for it. The writer adds, and hardly
// comes back to a page: 32 at hand save memory and the time to touch it first. An open
// transaction keeps out of the log as long as by SQLite's default, 2 000 KiB.
func prepare(ctx context.Context, c *sql.Conn, more ...string) error {
	var mode string
	if err := c.QueryRowContext(ctx, "PRAGMA journal_mode = WAL").Scan(&mode); err != nil {
		return fmt.Errorf("set WAL mode: %w", err)
	}
	if mode != "wal" {
		return fmt.Errorf("the file system gives no WAL mode (it gives %q): keep the record on a local disk", mode)
	}
	for _, p := range append([]string{
		"PRAGMA synchronous = FULL",
		fmt.Sprintf("PRAGMA wal_autocheckpoint = %d", 2*longLog),
		"PRAGMA cache_size = 32",
		"PRAGMA cache_spill = 125",
		"PRAGMA journal_size_limit = 8388608",
	}, more...) {
		if _, err := c.ExecContext(ctx, p); err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
	}
	return nil
}

func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code()
	}
	return 0
}

// wantsSpace says whether err may come from a full disk or quota. SQLite hides
// the system's error; a quota shows as a plain write error.
func wantsSpace(err error) bool {
	if errors.Is(err, syscall.ENOSPC) || overQuota(err) {
		return true
	}
	c := code(err)
	return c&0xff == codeFull || c == codeWrite || c == codeShmSize
}

// rowRefused says whether the fault lies in the row itself, so that trying again
// would never help.
func rowRefused(err error) bool {
	switch code(err) & 0xff {
	case codeConstraint, codeMismatch, codeTooBig:
		return true
	}
	return false
}

// errDisorder is a row that cannot stand where it was read.
var errDisorder = errors.New("rows of the record are out of order")

// corrupt says whether err is damage that SQLite found, or that shows in what it
// read: NULL stands in none of the columns that are read as numbers.
func corrupt(err error) bool {
	switch code(err) & 0xff {
	case codeCorrupt, codeNotADB:
		return true
	}
	return errors.Is(err, errDisorder) || err != nil && strings.Contains(err.Error(), "converting NULL to")
}

// advice says what a person can do about err.
func advice(err error, dir string) string {
	switch {
	case errors.Is(err, errGone):
		return "put that file back into " + dir + ", or restart Ovenward to go on with what stands there: a file that was removed is lost with that (until then Linux has it under /proc/PID/fd)"
	case wantsSpace(err):
		return "free space on the disk that holds " + dir
	case code(err)&0xff == codeBusy:
		return "close the other program that writes to the record in " + dir
	}
	return "look at the disk that holds " + dir
}
