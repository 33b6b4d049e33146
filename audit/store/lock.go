package store

import (
	"fmt"
	"os"
	"strings"
	"time"
)

const lockFile = "tapledger.lock"

// patience is how long a writer waits for another before it gives up: tries
// times pause.
type patience struct {
	tries int
	pause time.Duration
}

var usual = patience{tries: 250, pause: 20 * time.Millisecond}

// Lock takes the writer's lock of the ledger, waiting a few seconds for
// another holder; then it is ErrBusy. The lock is one for the machine and one
// for the handle: two goroutines do not hold it together. It ends with unlock,
// or with the process. Put, SetRef, Recover and Pack take it by themselves
// when the handle does not hold it.
func (s *Store) Lock() (unlock func(), err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(s.d.full(lockFile), os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		<-s.turn
		return nil, machine("open", lockFile, err)
	}
	for i := 0; ; i++ {
		got, err := tryLock(f)
		if err == nil && got {
			break
		}
		if err == nil && i < s.wait.tries {
			time.Sleep(s.wait.pause)
			continue
		}
		if err == nil {
			err = fmt.Errorf("%w: %s is writing; wait for it to end", ErrBusy, holder(f))
		}
		f.Close()
		<-s.turn
		return nil, machine("lock", lockFile, err)
	}
	if holder(f) != "another process" {
		s.unclean.Store(true)
	}
	mark(f, fmt.Sprintf("process %d\n", os.Getpid()))
	s.held.Store(true)
	once := false
	return func() {
		if once {
			return
		}
		once = true
		s.held.Store(false)
		if s.unclean.Load() {
			mark(f, "a writer that died\n")
		} else {
			mark(f, "")
		}
		f.Close() // gives the lock back
		<-s.turn
	}, nil
}

// enter waits for this handle's turn.
func (s *Store) enter() error {
	for i := 0; ; i++ {
		select {
		case s.turn <- struct{}{}:
			return nil
		default:
		}
		if i >= s.wait.tries {
			return fmt.Errorf("%w: this program is writing already", ErrBusy)
		}
		time.Sleep(s.wait.pause)
	}
}

// Unclean is true when the last holder of the writer's lock died with it and
// Recover has not run since. It is known from the first Lock on.
func (s *Store) Unclean() bool { return s.unclean.Load() }

// holder reads who wrote into the lock file. Nothing there means that the
// last holder gave the lock back in order.
func holder(f *os.File) string {
	b := make([]byte, 64)
	n, _ := f.ReadAt(b, 0)
	if who := strings.TrimSpace(string(b[:n])); who != "" {
		return who
	}
	return "another process"
}

// mark says in the lock file who holds it. It is a hint, so a failure is none.
func mark(f *os.File, who string) {
	if f.Truncate(0) == nil {
		f.WriteAt([]byte(who), 0)
	}
}

// hold takes the lock for one call unless the handle has it.
func (s *Store) hold() (release func(), err error) {
	if s.held.Load() {
		return func() {}, nil
	}
	return s.Lock()
}
