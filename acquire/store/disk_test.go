package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// disk lies between SQLite and the files of a record. It can fail any write,
// truncation, sync, opening or deletion, and it knows what of each file was
// synced, and so what a power cut would leave.
type disk struct {
	name    string
	vfs     *sqlite3.Tsqlite3_vfs
	beneath uintptr // the layer of the system
	methods uintptr

	mu    sync.Mutex
	n     int                   // operations so far
	at    func(o op) (rc int32) // asked before each one: other than 0 it fails so
	files map[string]*image     // by their names, without the folder
}

// op is what SQLite is about to do to a file.
type op struct {
	n    int
	what string // open, write, truncate, sync, delete
	file string
	off  int64
	data []byte // of a write
	size int64  // of a truncation
}

// image is a file as it was synced, and what was done to it since.
type image struct {
	synced []byte
	since  []op
}

// shortWrite is an answer of disk.at: half is written, then the write fails.
const shortWrite = -1

// header is what stands before the system's own part of an open file.
type header struct {
	methods uintptr
	disk    uintptr
	name    uintptr // of C, without the folder
	_       uintptr
}

const headerSize = unsafe.Sizeof(header{})

// in returns what is at an address that SQLite gave.
func in[T any](p uintptr) *T { return *(**T)(unsafe.Pointer(&p)) }

// funcOf returns the address of a function as SQLite calls it.
func funcOf[T any](f T) uintptr { return *(*uintptr)(unsafe.Pointer(&struct{ f T }{f})) }

// calls returns the function at an address.
func calls[T any](p uintptr) T { return *(*T)(unsafe.Pointer(&struct{ uintptr }{p})) }

// newDisk makes a disk, which SQLite knows by its name until the test ends.
func newDisk(t testing.TB) *disk {
	t.Helper()
	tls := libc.NewTLS()
	t.Cleanup(tls.Close)
	d := &disk{at: func(op) int32 { return 0 }, files: map[string]*image{}}
	d.name = fmt.Sprintf("disk-%p", d)
	d.beneath = sqlite3.Xsqlite3_vfs_find(tls, 0)
	p := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_vfs{})))
	name, err := libc.CString(d.name)
	if err != nil || p == 0 || d.beneath == 0 {
		t.Fatal("no memory for a disk", err)
	}
	d.vfs = in[sqlite3.Tsqlite3_vfs](p)
	*d.vfs = *in[sqlite3.Tsqlite3_vfs](d.beneath)
	d.vfs.FszOsFile += int32(headerSize)
	d.vfs.FpNext, d.vfs.FzName, d.vfs.FpAppData = 0, name, uintptr(unsafe.Pointer(d))
	d.vfs.FxOpen, d.vfs.FxDelete = funcOf(diskOpen), funcOf(diskDelete)
	d.methods = libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
	*in[sqlite3.Tsqlite3_io_methods](d.methods) = sqlite3.Tsqlite3_io_methods{FiVersion: 2,
		FxClose: funcOf(diskClose), FxRead: funcOf(diskRead), FxWrite: funcOf(diskWrite), FxTruncate: funcOf(diskTruncate),
		FxSync: funcOf(diskSync), FxFileSize: funcOf(diskFileSize), FxLock: funcOf(diskLock), FxUnlock: funcOf(diskUnlock),
		FxCheckReservedLock: funcOf(diskCheck), FxFileControl: funcOf(diskControl), FxSectorSize: funcOf(diskSector),
		FxDeviceCharacteristics: funcOf(diskDevice), FxShmMap: funcOf(diskShmMap), FxShmLock: funcOf(diskShmLock),
		FxShmBarrier: funcOf(diskShmBarrier), FxShmUnmap: funcOf(diskShmUnmap)}
	if rc := sqlite3.Xsqlite3_vfs_register(tls, p, 0); rc != 0 {
		t.Fatal("SQLite takes no disk:", rc)
	}
	t.Cleanup(func() {
		sqlite3.Xsqlite3_vfs_unregister(tls, p)
		runtime.KeepAlive(d) // which SQLite knows by a number alone
	})
	return d
}

// ask counts an operation and asks whether it fails; one that does not is noted.
func (d *disk) ask(o op) int32 {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.n++
	o.n = d.n
	if rc := d.at(o); rc != 0 {
		return rc
	}
	d.note(o)
	return 0
}

// note keeps what was done.
func (d *disk) note(o op) {
	f := d.files[o.file]
	if f == nil {
		f = &image{}
		d.files[o.file] = f
	}
	switch o.what {
	case "open":
	case "sync":
		f.synced, f.since = f.apply(func(op) int { return leftWhole }), nil
	case "delete":
		delete(d.files, o.file)
	default:
		o.data = append([]byte(nil), o.data...)
		f.since = append(f.since, o)
	}
}

// How much of a write a power cut leaves.
const (
	leftNothing = iota
	leftTorn    // its first half, cut at a sector
	leftWhole
)

// apply returns the file as synced, and on it of what was done since as much as
// keep says.
func (f *image) apply(keep func(op) int) []byte {
	b := append([]byte(nil), f.synced...)
	for _, o := range f.since {
		data := o.data
		switch keep(o) {
		case leftNothing:
			continue
		case leftTorn:
			data = data[:len(data)/2&^511]
		}
		if o.what == "truncate" {
			b = append(b, make([]byte, max(0, int(o.size)-len(b)))...)[:o.size]
			continue
		}
		if end := int(o.off) + len(data); end > len(b) && len(data) > 0 {
			b = append(b, make([]byte, end-len(b))...)
		}
		copy(b[min(int(o.off), len(b)):], data)
	}
	return b
}

// left returns the files as a power cut now would leave them. Only disk.at may
// call it.
func (d *disk) left(keep func(op) int) map[string][]byte {
	all := map[string][]byte{}
	for name, f := range d.files {
		if name != "" { // a temporary one
			all[name] = f.apply(keep)
		}
	}
	return all
}

// put writes files into a folder.
func put(t testing.TB, dir string, files map[string][]byte) {
	t.Helper()
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o640); err != nil {
			t.Fatal(err)
		}
	}
}

func diskOpen(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32 {
	d := *in[*disk](uintptr(unsafe.Pointer(&in[sqlite3.Tsqlite3_vfs](vfs).FpAppData)))
	h := in[header](file)
	*h = header{}
	base := ""
	if name != 0 {
		base = filepath.Base(libc.GoString(name))
	}
	d.mu.Lock()
	if d.files[base] == nil {
		b, err := os.ReadFile(libc.GoString(name))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			b = nil
		}
		d.files[base] = &image{synced: b}
	}
	d.mu.Unlock()
	if rc := d.ask(op{what: "open", file: base}); rc != 0 {
		return max(rc, sqlite3.SQLITE_IOERR)
	}
	beneath := in[sqlite3.Tsqlite3_vfs](d.beneath)
	rc := calls[func(*libc.TLS, uintptr, uintptr, uintptr, int32, uintptr) int32](beneath.FxOpen)(tls, d.beneath, name, file+headerSize, flags, out)
	if *in[uintptr](file + headerSize) != 0 {
		c, err := libc.CString(base)
		if err != nil {
			return sqlite3.SQLITE_NOMEM
		}
		*h = header{methods: d.methods, disk: uintptr(unsafe.Pointer(d)), name: c}
	}
	return rc
}

func diskDelete(tls *libc.TLS, vfs, name uintptr, sync int32) int32 {
	d := *in[*disk](uintptr(unsafe.Pointer(&in[sqlite3.Tsqlite3_vfs](vfs).FpAppData)))
	if rc := d.ask(op{what: "delete", file: filepath.Base(libc.GoString(name))}); rc != 0 {
		return max(rc, sqlite3.SQLITE_IOERR)
	}
	return calls[func(*libc.TLS, uintptr, uintptr, int32) int32](in[sqlite3.Tsqlite3_vfs](d.beneath).FxDelete)(tls, d.beneath, name, sync)
}

// opened returns the disk of an open file, its name, and the system's part of it.
func opened(file uintptr) (d *disk, name string, below uintptr, m *sqlite3.Tsqlite3_io_methods) {
	h := in[header](file)
	below = file + headerSize
	return *in[*disk](uintptr(unsafe.Pointer(&h.disk))), libc.GoString(h.name), below, in[sqlite3.Tsqlite3_io_methods](*in[uintptr](below))
}

func diskWrite(tls *libc.TLS, file, buf uintptr, n int32, off int64) int32 {
	d, name, below, m := opened(file)
	write := calls[func(*libc.TLS, uintptr, uintptr, int32, int64) int32](m.FxWrite)
	rc := d.ask(op{what: "write", file: name, off: off, data: unsafe.Slice(in[byte](buf), n)})
	if rc == shortWrite {
		write(tls, below, buf, n/2, off)
		return sqlite3.SQLITE_IOERR_WRITE
	}
	if rc != 0 {
		return rc
	}
	return write(tls, below, buf, n, off)
}

func diskTruncate(tls *libc.TLS, file uintptr, size int64) int32 {
	d, name, below, m := opened(file)
	if rc := d.ask(op{what: "truncate", file: name, size: size}); rc != 0 {
		return max(rc, sqlite3.SQLITE_IOERR)
	}
	return calls[func(*libc.TLS, uintptr, int64) int32](m.FxTruncate)(tls, below, size)
}

func diskSync(tls *libc.TLS, file uintptr, flags int32) int32 {
	d, name, below, m := opened(file)
	if rc := d.ask(op{what: "sync", file: name}); rc != 0 {
		return max(rc, sqlite3.SQLITE_IOERR)
	}
	return calls[func(*libc.TLS, uintptr, int32) int32](m.FxSync)(tls, below, flags)
}

func diskClose(tls *libc.TLS, file uintptr) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr) int32](m.FxClose)(tls, below)
}

func diskRead(tls *libc.TLS, file, buf uintptr, n int32, off int64) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, uintptr, int32, int64) int32](m.FxRead)(tls, below, buf, n, off)
}

func diskFileSize(tls *libc.TLS, file, size uintptr) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, uintptr) int32](m.FxFileSize)(tls, below, size)
}

func diskLock(tls *libc.TLS, file uintptr, lock int32) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, int32) int32](m.FxLock)(tls, below, lock)
}

func diskUnlock(tls *libc.TLS, file uintptr, lock int32) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, int32) int32](m.FxUnlock)(tls, below, lock)
}

func diskCheck(tls *libc.TLS, file, out uintptr) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, uintptr) int32](m.FxCheckReservedLock)(tls, below, out)
}

func diskControl(tls *libc.TLS, file uintptr, what int32, arg uintptr) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, int32, uintptr) int32](m.FxFileControl)(tls, below, what, arg)
}

func diskSector(tls *libc.TLS, file uintptr) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr) int32](m.FxSectorSize)(tls, below)
}

func diskDevice(tls *libc.TLS, file uintptr) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr) int32](m.FxDeviceCharacteristics)(tls, below)
}

func diskShmMap(tls *libc.TLS, file uintptr, page, size, extend int32, out uintptr) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, int32, int32, int32, uintptr) int32](m.FxShmMap)(tls, below, page, size, extend, out)
}

func diskShmLock(tls *libc.TLS, file uintptr, off, n, flags int32) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, int32, int32, int32) int32](m.FxShmLock)(tls, below, off, n, flags)
}

func diskShmBarrier(tls *libc.TLS, file uintptr) {
	_, _, below, m := opened(file)
	calls[func(*libc.TLS, uintptr)](m.FxShmBarrier)(tls, below)
}

func diskShmUnmap(tls *libc.TLS, file uintptr, remove int32) int32 {
	_, _, below, m := opened(file)
	return calls[func(*libc.TLS, uintptr, int32) int32](m.FxShmUnmap)(tls, below, remove)
}
