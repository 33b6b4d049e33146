//go:build windows

package store

import (
	"errors"

	"golang.org/x/sys/windows"
)

// syncFile does nothing on Windows: a flush there needs a handle that may
// write, and a finished object is marked read-only. It was flushed by whoever
// wrote it, before it got its name.
func syncFile(name string) error { return nil }

// syncDir does nothing on Windows: folders cannot be flushed there, the file
// system's own journal keeps their entries.
func syncDir(name string) error { return nil }

// passing is true for errors that go away when another program closes the
// file.
func passing(err error) bool {
	return errors.Is(err, windows.ERROR_SHARING_VIOLATION) || errors.Is(err, windows.ERROR_ACCESS_DENIED)
}
