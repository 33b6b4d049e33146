package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
)

// Op is one operation on the ledger's files, as a Hook sees it before it is
// done. Paths are relative to the ledger's folder, with forward slashes.
type Op struct {
	Kind string // create, write, sync, rename, remove, mkdir, syncdir
	Path string
	To   string // rename: the new name
	Data []byte // write: what will be written
}

// Hook sees every operation that changes the ledger's files or flushes them,
// and can let it fail: a write then leaves its first n bytes, anything else
// is not done. ErrLeftOut as the error leaves the operation out and reports
// it as done. For tests only: crashes, full disks and lost flushes.
type Hook func(op Op) (n int, err error)

// ErrLeftOut is what a Hook returns to leave an operation out in silence.
var ErrLeftOut = errors.New("left out")

// disk is the one way on which this package changes files.
type disk struct {
	root string
	hook Hook
}

// ask calls the hook. done is true when the operation must not be done.
func (d *disk) ask(op Op) (n int, done bool, err error) {
	if d.hook == nil {
		return 0, false, nil
	}
	n, err = d.hook(op)
	if errors.Is(err, ErrLeftOut) {
		return 0, true, nil
	}
	return n, err != nil, machine(op.Kind, op.Path, err)
}

func (d *disk) full(name string) string {
	return filepath.Join(d.root, filepath.FromSlash(name))
}

// file is a file that is being written. It has no name of value until it was
// flushed, closed and renamed.
type file struct {
	d    *disk
	name string
	f    *os.File
}

// create makes a new file; one that exists is fs.ErrExist.
func (d *disk) create(name string, perm fs.FileMode) (*file, error) {
	if _, done, err := d.ask(Op{Kind: "create", Path: name}); done {
		if err == nil {
			err = machine("create", name, errors.New("cannot be left out"))
		}
		return nil, err
	}
	f, err := os.OpenFile(d.full(name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, perm)
	if err != nil {
		return nil, machine("create", name, err)
	}
	return &file{d: d, name: name, f: f}, nil
}

// Write writes all of p or fails.
func (f *file) Write(p []byte) (int, error) {
	n, done, err := f.d.ask(Op{Kind: "write", Path: f.name, Data: p})
	if done {
		if err == nil {
			n = len(p) // left out, and reported as written
		} else if n > 0 {
			f.f.Write(p[:n])
		}
		return n, err
	}
	n, err = f.f.Write(p)
	return n, machine("write", f.name, err)
}

func (f *file) sync() error {
	if _, done, err := f.d.ask(Op{Kind: "sync", Path: f.name}); done {
		return err
	}
	return machine("flush", f.name, f.f.Sync())
}

func (f *file) close() error { return machine("close", f.name, f.f.Close()) }

// drop closes and removes what could not be finished.
func (f *file) drop() {
	f.f.Close()
	f.d.remove(f.name)
}

// sync flushes a file that is there already.
func (d *disk) sync(name string) error {
	if _, done, err := d.ask(Op{Kind: "sync", Path: name}); done {
		return err
	}
	return machine("flush", name, syncFile(d.full(name)))
}

func (d *disk) rename(from, to string) error {
	if _, done, err := d.ask(Op{Kind: "rename", Path: from, To: to}); done {
		return err
	}
	return machine("rename", from, os.Rename(d.full(from), d.full(to)))
}

func (d *disk) remove(name string) error {
	if _, done, err := d.ask(Op{Kind: "remove", Path: name}); done {
		return err
	}
	return machine("remove", name, os.Remove(d.full(name)))
}

func (d *disk) syncDir(name string) error {
	if _, done, err := d.ask(Op{Kind: "syncdir", Path: name}); done {
		return err
	}
	return machine("flush", name, syncDir(d.full(name)))
}

// mkdirs makes a folder and those above it, and flushes the parent of each
// new one: a reference in a folder that a power cut takes away is lost.
func (d *disk) mkdirs(name string) error {
	if name == "." || name == "" {
		return nil
	}
	if fi, err := os.Stat(d.full(name)); err == nil && fi.IsDir() {
		return nil
	}
	if err := d.mkdirs(path.Dir(name)); err != nil {
		return err
	}
	if _, done, err := d.ask(Op{Kind: "mkdir", Path: name}); done {
		return err
	}
	if err := os.Mkdir(d.full(name), 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return machine("make folder", name, err)
	}
	return d.syncDir(path.Dir(name))
}

// writeNew writes a whole new file through a temporary name, durable on
// return. It replaces what is under its name.
func (d *disk) writeNew(name string, data []byte, perm fs.FileMode) error {
	f, err := d.temp(path.Dir(name), "tmp_file_", perm)
	if err != nil {
		return err
	}
	if _, err = f.Write(data); err == nil {
		err = f.sync()
	}
	if err != nil {
		f.drop()
		return err
	}
	if err = f.close(); err == nil {
		err = d.rename(f.name, name)
	}
	if err != nil {
		d.remove(f.name)
		return err
	}
	return d.syncDir(path.Dir(name))
}

// ours marks temporary files that only a holder of the writer's lock makes, so
// that the next holder knows that nobody writes them any more.
const ours = "tapledger_"

// temp makes a temporary file. Its name needs no randomness: only the holder
// of the writer's lock writes, and a file left by the dead is passed over.
func (d *disk) temp(folder, prefix string, perm fs.FileMode) (*file, error) {
	for i := 0; i < 100000; i++ {
		name := path.Join(folder, fmt.Sprintf("%s%s%d_%d", prefix, ours, os.Getpid(), i))
		if _, err := os.Lstat(d.full(name)); err == nil {
			continue
		}
		f, err := d.create(name, perm)
		if !errors.Is(err, fs.ErrExist) {
			return f, err
		}
	}
	return nil, machine("create", folder, errors.New("no free temporary name"))
}

// read gives a whole file; fs.ErrNotExist is kept.
func (d *disk) read(name string) ([]byte, error) {
	b, err := os.ReadFile(d.full(name))
	return b, machine("read", name, err)
}

func (d *disk) exists(name string) bool {
	_, err := os.Lstat(d.full(name))
	return err == nil
}

// list gives the names in a folder, sorted; a folder that is not there is
// empty.
func (d *disk) list(name string) ([]fs.DirEntry, error) {
	list, err := os.ReadDir(d.full(name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return list, machine("read folder", name, err)
}

// park moves a file into quarantine/ under a name that is free there, and
// gives that name. What is broken is kept: it may be evidence.
func (d *disk) park(name, as string) (string, error) {
	if err := d.mkdirs("quarantine"); err != nil {
		return "", err
	}
	as = strings.ReplaceAll(as, "/", "!")
	for i := 1; ; i++ {
		to := fmt.Sprintf("quarantine/%s-%d", as, i)
		if d.exists(to) {
			continue
		}
		if err := d.rename(name, to); err != nil {
			return "", err
		}
		if err := d.syncDir("quarantine"); err != nil {
			return "", err
		}
		return to, d.syncDir(path.Dir(name))
	}
}
