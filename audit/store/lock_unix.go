//go:build !windows

package store

import (
	"errors"
	"os"
	"syscall"
)

// tryLock takes the exclusive lock of an open file, or says that another has
// it; with wait it waits. The system gives it back when the process ends,
// however it ends.
func tryLock(f *os.File, wait bool) (bool, error) {
	how := syscall.LOCK_EX | syscall.LOCK_NB
	if wait {
		how = syscall.LOCK_EX
	}
	fd := int(f.Fd())
	for {
		err := syscall.Flock(fd, how)
		switch {
		case err == nil:
			return true, nil
		case errors.Is(err, syscall.EWOULDBLOCK):
			return false, nil
		case !errors.Is(err, syscall.EINTR):
			return false, err
		}
	}
}
