package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

const (
	// started is when the start is long over: the record is read, all tables are made.
	started = time.Minute
	// nowAndThen is how often what a report or a survey needed is let go of.
	nowAndThen = 5 * time.Minute
)

// giveBack lets go now and then of the pages of the program's own file, of which the
// start needed many that are not needed again, and so does a report: about 3 MB stay
// away. The kernel keeps them in its page cache, from which whoever needs one has it
// back. They are the file's code and constants alone; nothing that was written is
// touched.
func giveBack(ctx context.Context) error {
	t := time.NewTimer(started)
	defer t.Stop()
	var own []mapping // which stay where they are; to look for them takes 2 MB of code
	for {
		select {
		case <-t.C:
			if own == nil {
				own = codeAndConstants()
			}
			for _, m := range own {
				_, _, _ = unix.Syscall(unix.SYS_MADVISE, m.from, m.to-m.from, unix.MADV_DONTNEED) // what is refused stays, and nothing is lost
			}
			t.Reset(nowAndThen)
		case <-ctx.Done():
			return nil
		}
	}
}

// mapping is a piece of the address space.
type mapping struct{ from, to uintptr }

// codeAndConstants finds where the program's own file is mapped, cannot be written to
// and is as the file has it; none when the kernel does not say. Not all that cannot be
// written to is: in a program that may lie anywhere (-buildmode=pie) tables were written
// at its start and closed then.
func codeAndConstants() (found []mapping) {
	program, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return nil
	}
	maps, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		return nil
	}
	own := false
	for line := range strings.Lines(string(maps)) {
		var m mapping
		var may string
		if _, err := fmt.Sscanf(line, "%x-%x %s", &m.from, &m.to, &may); err == nil {
			if own = (may == "r-xp" || may == "r--p") && strings.HasSuffix(line, " "+program+"\n"); own {
				found = append(found, m)
			}
			continue
		}
		name, size, _ := strings.Cut(line, ":")
		if own && (name == "Anonymous" || name == "Swap") && strings.TrimSpace(size) != "0 kB" {
			found, own = found[:len(found)-1], false // some of it is no longer the file's
		}
	}
	return found
}
