package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// started is when the start is long over: the record is read, all tables are made.
const started = time.Minute

// giveBack lets go, once, of the pages of the program's own file, of which the start
// needed many that are not needed again: about 3 MB stay away. The kernel keeps them
// in its page cache, from which whoever needs one has it back. They are the file's
// code and constants alone; nothing that can be written is touched.
func giveBack(ctx context.Context) error {
	t := time.NewTimer(started)
	defer t.Stop()
	select {
	case <-t.C:
		for _, m := range codeAndConstants() {
			_, _, _ = unix.Syscall(unix.SYS_MADVISE, m.from, m.to-m.from, unix.MADV_DONTNEED) // what is refused stays, and nothing is lost
		}
	case <-ctx.Done():
	}
	return nil
}

// mapping is a piece of the address space.
type mapping struct{ from, to uintptr }

// codeAndConstants finds where the program's own file is mapped and cannot be written
// to; none when the kernel does not say.
func codeAndConstants() (found []mapping) {
	program, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return nil
	}
	maps, err := os.ReadFile("/proc/self/maps")
	if err != nil {
		return nil
	}
	for line := range strings.Lines(string(maps)) {
		var m mapping
		var may string
		_, err := fmt.Sscanf(line, "%x-%x %s", &m.from, &m.to, &may)
		if err == nil && (may == "r-xp" || may == "r--p") && strings.HasSuffix(line, " "+program+"\n") {
			found = append(found, m)
		}
	}
	return found
}
