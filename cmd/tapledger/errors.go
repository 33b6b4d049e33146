package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"tapledger/audit"
	"tapledger/audit/edition"
	"tapledger/audit/store"
	"tapledger/protocol"
	"tapledger/runner"
	"tapledger/runner/bench"
)

// Exit codes of the built program.
const (
	codeDone        = 0
	codeUsage       = 1
	codeRefused     = 2
	codeNotPublish  = 3
	codeDamaged     = 4
	codeNoReplay    = 5
	codeBusy        = 6
	codeMachine     = 7
	codeInternal    = 70
	codeInterrupted = 130
)

// Usage is a call that makes no sense: exit code 1.
type Usage struct{ Says, Hint string }

// Error says what is wrong with the call.
func (u *Usage) Error() string { return u.Says }

// Exit ends a call that has printed what it found with a code other than 0.
type Exit struct {
	Code int
	Says string
}

// Error says why.
func (e *Exit) Error() string { return e.Says }

// said is an error as it is printed.
type said struct {
	Code   int              `json:"exit"`
	Says   string           `json:"says"`
	Hint   string           `json:"hint,omitempty"`
	Step   string           `json:"step,omitempty"`
	File   string           `json:"file,omitempty"`
	Line   int              `json:"line,omitempty"`
	Faults []protocol.Fault `json:"faults,omitempty"`
	Why    []edition.Reason `json:"reasons,omitempty"`
	body   string
}

// end prints an error, if there is one, and gives the exit code.
func (c *call) end(err error) int {
	if err == nil {
		return codeDone
	}
	s := c.say(err)
	c.log.Error().Int("exit", s.Code).Err(err).Msg("end")
	if c.json {
		b, jerr := json.MarshalIndent(map[string]said{"error": s}, "", "  ")
		if jerr == nil {
			fmt.Fprintf(c.err, "%s\n", b)
			return s.Code
		}
	}
	fmt.Fprintf(c.err, "tapledger: %s\n%s", s.Says, s.body)
	if s.Hint != "" {
		fmt.Fprintf(c.err, "hint: %s\n", s.Hint)
	}
	return s.Code
}

// say works out what is printed about an error, and the code.
func (c *call) say(err error) said {
	s := said{Says: err.Error()}
	var (
		usage *Usage
		exit  *Exit
		ref   *runner.Refusal
		docs  *bench.DocumentFaults
		sheet *bench.SheetFault
		file  *bench.FileFaults
		since *bench.SinceBroken
		notp  *edition.Refused
	)
	switch {
	case errors.As(err, &usage):
		s.Code, s.Hint = codeUsage, usage.Hint
	case errors.Is(err, bench.ErrNoBench):
		s.Code, s.Hint = codeUsage, "name the bench's folder with -C, or make a bench: tapledger new DIR --id ID --person ID"
	case errors.As(err, &exit):
		s.Code = exit.Code
	case errors.As(err, &docs):
		s.Code, s.Faults = codeRefused, docs.Faults
		s.Says, s.body = faultsText(docs.Faults)
	case errors.As(err, &file):
		s.Code, s.File = codeRefused, file.Faults[0].File
		s.Line, s.Hint = file.Faults[0].Line, file.Faults[0].Hint
		for _, f := range file.Faults[1:] {
			s.body += f.String() + "\n"
		}
	case errors.As(err, &sheet):
		s.Code, s.Hint, s.File, s.Line = codeRefused, sheet.Hint, sheet.File, sheet.Line
	case errors.As(err, &notp):
		s.Code, s.Why = codeNotPublish, notp.Reasons
		s.Hint = firstHint(notp.Reasons)
	case errors.As(err, &ref):
		s.Code, s.Hint, s.Step, s.Line = codeRefused, ref.Hint, ref.Step, ref.Line
		if s.Step != "" && !strings.HasPrefix(s.Says, s.Step) {
			s.Says = s.Step + ": " + s.Says
		}
	case errors.As(err, &since):
		s.Code, s.Hint = codeDamaged, "keep this ledger and the checkpoint as they are; tapledger verify --since FILE lists what differs"
	default:
		s.Code, s.Hint = machineOrDamage(err)
	}
	return s
}

func firstHint(list []edition.Reason) string {
	for _, r := range list {
		if r.Hint != "" {
			return r.Hint
		}
	}
	return ""
}

// machineOrDamage tells the errors of the ledger from those of the machine;
// what is neither is a defect of this program.
func machineOrDamage(err error) (code int, hint string) {
	var (
		damage  *runner.Damage
		newer   *runner.Newer
		machine *store.MachineError
		path    *fs.PathError
		link    *os.LinkError
		sys     *os.SyscallError
	)
	switch {
	case errors.Is(err, store.ErrBusy):
		return codeBusy, "another tapledger is writing to this bench; try again when it has ended"
	case errors.As(err, &damage), errors.Is(err, store.ErrDamaged), errors.Is(err, store.ErrNotFound), audit.CodeOf(err) != "":
		return codeDamaged, "tapledger verify lists everything that is damaged, and what to do"
	case errors.As(err, &newer), errors.Is(err, audit.ErrNewerFormat):
		return codeRefused, "this ledger was written by a newer version: use that one"
	case errors.As(err, &machine):
		return codeMachine, "nothing was recorded; set the machine right and do it again"
	case errors.As(err, &path), errors.As(err, &link), errors.As(err, &sys):
		if errors.Is(err, fs.ErrNotExist) {
			return codeUsage, "look at the name of the file"
		}
		return codeMachine, "look at the disk and at the rights of the folder"
	}
	return codeDamaged, "if the ledger is meant: tapledger verify lists everything that is damaged"
}

// notThere makes an error about something that was asked for, and is not
// there, a refusal; what is damaged stays damage.
func notThere(err error) error {
	if code, _ := machineOrDamage(err); code != codeDamaged || audit.CodeOf(err) != "" || errors.Is(err, store.ErrDamaged) || errors.Is(err, store.ErrNotFound) {
		return err
	}
	return &runner.Refusal{Says: err.Error()}
}

// faultsText lists every fault with its excerpt and caret.
func faultsText(list []protocol.Fault) (first, body string) {
	var s strings.Builder
	for i, f := range list {
		if i > 0 {
			s.WriteString(f.String() + "\n")
		}
		if f.Excerpt != "" {
			s.WriteString("  " + f.Excerpt + "\n")
			if f.CaretAt > 0 {
				s.WriteString("  " + strings.Repeat(" ", f.CaretAt-1) + "^\n")
			}
		}
		if f.Hint != "" {
			s.WriteString("  hint: " + f.Hint + "\n")
		}
		if f.Reference != "" {
			s.WriteString("  see: " + f.Reference + "\n")
		}
	}
	if n := len(list); n > 1 {
		fmt.Fprintf(&s, "%d faults\n", n)
	}
	return list[0].String(), s.String()
}
