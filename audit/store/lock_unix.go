//go:build !windows

package store

import (
	"errors"
	"os"
	"syscall"
)

// tryLock takes the exclusive lock of an open file, or says that another has
// it. The system gives it back when the process ends, however it ends.
func tryLock(f *os.File) (bool, error) {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
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
