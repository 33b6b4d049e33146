package store

import (
	"fmt"
	"os"
	"strings"
	"time"
)

const lockFile = "tapledger.lock"

// usualWait is how long a writer waits for another before it gives up.
const usualWait = 5 * time.Second

// pause is the time between two looks at a reference's lock file, which stock
// git holds for milliseconds.
const pause = 2 * time.Millisecond

// Lock takes the writer's lock of the ledger, waiting a few seconds for
// another holder; then it is ErrBusy. The lock is one for the machine and one
// for the handle: two goroutines do not hold it together. It ends with unlock,
// or with the process. Put, SetRef, Recover and Pack take it by themselves
// when the handle does not hold it.
func (s *Store) Lock() (unlock func(), err error) {
	limit := time.NewTimer(s.wait)
	defer limit.Stop()
	select {
	case s.turn <- struct{}{}:
	case <-limit.C:
		return nil, fmt.Errorf("%w: this program is writing already", ErrBusy)
	}
	f, err := os.OpenFile(s.d.full(lockFile), os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		<-s.turn
		return nil, machine("open", lockFile, err)
	}
	if err := waitLock(f, limit.C); err != nil {
		<-s.turn
		return nil, machine("lock", lockFile, err)
	}
	if holder(f) != "" {
		s.unclean.Store(true)
	}
	mark(f, fmt.Sprintf("process %d", os.Getpid()))
	s.lock = f
	s.held.Store(true)
	once := false
	return func() {
		if once {
			return
		}
		once = true
		s.held.Store(false)
		if s.unclean.Load() {
			mark(f, "a writer that died")
		} else {
			mark(f, "")
		}
		f.Close() // gives the lock back
		<-s.turn
	}, nil
}

// waitLock takes the file's lock. Waiting is left to the system, which serves
// waiters in turn: one that only looks now and then can starve beside a busy
// writer. When time is up first, the file is closed as soon as the system
// lets go of it.
func waitLock(f *os.File, limit <-chan time.Time) error {
	if got, err := tryLock(f, false); err != nil || got {
		if err != nil {
			f.Close()
		}
		return err
	}
	got := make(chan error, 1)
	go func() {
		_, err := tryLock(f, true)
		got <- err
	}()
	select {
	case err := <-got:
		if err != nil {
			f.Close()
		}
		return err
	case <-limit:
		who := holder(f)
		go func() {
			<-got
			f.Close()
		}()
		if who == "" {
			who = "another program"
		}
		return fmt.Errorf("%w: %s is writing; wait for it to end", ErrBusy, who)
	}
}

// Unclean is true when Recover has something to look at: the last holder of
// the writer's lock died with it (known from the first Lock on), a loose object
// was found broken, or a lock file stood in the way for too long. A writer that
// knows and does not recover leaves the mark to the next.
func (s *Store) Unclean() bool { return s.unclean.Load() }

// holder reads who wrote into the lock file. Nothing there means that the
// last holder gave the lock back in order.
func holder(f *os.File) string {
	b := make([]byte, 64)
	n, _ := f.ReadAt(b, 0)
	return strings.TrimSpace(string(b[:n]))
}

// mark says in the lock file who holds it, always with the same length:
// cutting the file would make some file systems flush it at once. It is a
// hint, so a failure is none.
func mark(f *os.File, who string) { f.WriteAt([]byte(fmt.Sprintf("%-31s\n", who)), 0) }

// hold takes the lock for one call unless the handle has it.
func (s *Store) hold() (release func(), err error) {
	if s.held.Load() {
		return func() {}, nil
	}
	return s.Lock()
}
