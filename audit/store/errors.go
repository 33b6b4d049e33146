package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

var (
	// ErrBusy says that another process holds the writer's lock, or that stock
	// git holds a reference's lock file, for longer than a writer waits.
	ErrBusy = errors.New("the ledger is busy")
	// ErrMoved says that a reference is not where the caller saw it: someone
	// else was faster. Read again, judge again, try again.
	ErrMoved = errors.New("the reference has moved")
	// ErrExists says that something which must be new is there already. For a
	// reference it comes together with ErrMoved.
	ErrExists = errors.New("exists already")
	// ErrNotFound says that no object of that name is in the ledger.
	ErrNotFound = errors.New("not in the ledger")
	// ErrDamaged matches every DamagedError.
	ErrDamaged = errors.New("damaged")
)

// DamagedError says which object, reference or file is not what it must be.
type DamagedError struct {
	Hash string // the object's name, or empty
	Ref  string // the reference's full name, or empty
	Path string // inside the ledger's folder, with forward slashes; may be empty
	How  string // "is empty", "holds another object (<hash>)"...
}

// Error names the thing, how it is damaged, and where.
func (e *DamagedError) Error() string {
	what := e.Path
	switch {
	case e.Ref != "":
		what = "reference " + e.Ref
	case e.Hash != "":
		what = "object " + e.Hash
	}
	if e.Path != "" && e.Path != what && e.Path != e.Ref {
		return fmt.Sprintf("%s %s (%s)", what, e.How, e.Path)
	}
	return what + " " + e.How
}

// Is makes errors.Is(err, ErrDamaged) hold.
func (e *DamagedError) Is(target error) bool { return target == ErrDamaged }

// MovedError says what a compare-and-set found. Found is empty when the
// reference does not exist, Want is empty when it had to be new.
type MovedError struct{ Ref, Want, Found string }

// Error says both commits.
func (e *MovedError) Error() string {
	switch {
	case e.Want == "":
		return fmt.Sprintf("reference %s exists already, at %s", e.Ref, e.Found)
	case e.Found == "":
		return fmt.Sprintf("reference %s was at %s and is gone", e.Ref, e.Want)
	}
	return fmt.Sprintf("reference %s has moved from %s to %s", e.Ref, e.Want, e.Found)
}

// Is makes errors.Is hold for ErrMoved, and for ErrExists where the reference
// had to be new.
func (e *MovedError) Is(target error) bool {
	return target == ErrMoved || target == ErrExists && e.Want == ""
}

// MachineError is what the machine refused: disk full, permission, a failed
// flush. The command ends with exit code 7.
type MachineError struct {
	Do   string // create, write, flush, rename...
	Path string
	Err  error
}

// Error says what was refused and, where that is known, what to do.
func (e *MachineError) Error() string {
	say := fmt.Sprintf("%s %s: %v", e.Do, e.Path, e.Err)
	switch {
	case errors.Is(e.Err, syscall.ENOSPC):
		return say + "; free some space, then do it again: nothing was recorded"
	case errors.Is(e.Err, fs.ErrPermission):
		return say + "; look at the owner and the rights of the ledger's folder"
	}
	return say
}

// Unwrap gives the system's error.
func (e *MachineError) Unwrap() error { return e.Err }

// machine wraps an error of the system; nil stays nil, a typed one as it is.
func machine(do, path string, err error) error {
	var known *MachineError
	if err == nil || errors.As(err, &known) || errors.Is(err, ErrDamaged) || errors.Is(err, ErrBusy) {
		return err
	}
	var pe *fs.PathError
	var le *os.LinkError
	switch { // the path stands in our own message
	case errors.As(err, &pe):
		err = pe.Err
	case errors.As(err, &le):
		err = le.Err
	}
	return &MachineError{Do: do, Path: path, Err: err}
}
