package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/runner"
)

// clockFile holds a simulated bench's time, as text.
const clockFile = "clock"

// Clock words of a record.
const (
	clockWall      = "wall"
	clockBehind    = "behind"
	clockSimulated = "simulated"
)

// Now is the bench's time: the machine's, or on a simulated bench the text in
// DIR/clock.
func (b *Bench) Now() (time.Time, error) {
	m, err := b.Main()
	if err != nil {
		return time.Time{}, err
	}
	if !m.Simulated() {
		return b.wall().UTC(), nil
	}
	return b.readClock()
}

func (b *Bench) readClock() (time.Time, error) {
	name := filepath.Join(b.Dir, clockFile)
	text, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return time.Time{}, &runner.Refusal{Says: name + " is missing: a simulated bench has no other time",
			Hint: "write the newest record's time into it, such as 2026-03-02T09:14:07.482Z"}
	}
	if err != nil {
		return time.Time{}, err
	}
	t, err := audit.ParseTime(strings.TrimSuffix(strings.TrimSuffix(string(text), "\n"), "\r"))
	if err != nil {
		return time.Time{}, &runner.Refusal{Says: name + ": " + err.Error(), Hint: "one line with one time"}
	}
	return t, nil
}

// tick sets the time of a writing call: a simulated clock stands one second
// later.
func (b *Bench) tick() error {
	now, err := b.Now()
	if err != nil {
		return err
	}
	if b.main.Simulated() {
		now = now.Add(time.Second)
	}
	b.now = now
	return nil
}

// keepTime writes a simulated clock back after a writing call.
func (b *Bench) keepTime() error {
	if !b.main.Simulated() {
		return nil
	}
	return writeFile(filepath.Join(b.Dir, clockFile), []byte(audit.Time(b.now)+"\n"), 0o644)
}

// SetClock moves a simulated bench's clock forward: by a duration such as
// "+8h" or "+1h30m", or to a time. It returns the new time.
func (b *Bench) SetClock(text string) (time.Time, error) {
	m, err := b.Main()
	if err != nil {
		return time.Time{}, err
	}
	if !m.Simulated() {
		return time.Time{}, &runner.Refusal{Says: "this bench keeps real time, nothing sets its clock",
			Hint: "only a bench made by demo or new --simulated has a clock that can be moved"}
	}
	now, err := b.readClock()
	if err != nil {
		return now, err
	}
	to, err := moved(now, text)
	if err != nil {
		return now, err
	}
	if to.Before(now) {
		return now, &runner.Refusal{Says: fmt.Sprintf("%s lies before %s; time only goes forward", audit.Time(to), audit.Time(now))}
	}
	unlock, err := b.store.Lock()
	if err != nil {
		return now, err
	}
	defer unlock()
	b.now = to
	return to, b.keepTime()
}

func moved(now time.Time, text string) (time.Time, error) {
	if d, ok := strings.CutPrefix(text, "+"); ok {
		by, err := time.ParseDuration(strings.ReplaceAll(strings.ReplaceAll(d, " ", ""), "min", "m"))
		if err != nil {
			return now, &runner.Refusal{Says: fmt.Sprintf("%q is no duration", text), Hint: "such as +8h, +45m or +1h30m"}
		}
		return now.Add(by), nil
	}
	return ParseMoment(text)
}

// ParseMoment reads a time as people type it: with or without seconds and
// their decimals, always in UTC and with the Z.
func ParseMoment(text string) (time.Time, error) {
	for _, form := range []string{"2006-01-02T15:04:05.000Z", "2006-01-02T15:04:05Z", "2006-01-02T15:04Z"} {
		if t, err := time.Parse(form, text); err == nil {
			return t, nil
		}
	}
	return time.Time{}, &runner.Refusal{Says: fmt.Sprintf("%q is no time", text), Hint: "UTC with a Z, such as 2026-03-02T09:14Z or 2026-03-02T09:14:07.482Z"}
}

// clockWord says what a record's clock is: simulated, wall, or behind when the
// machine's time lies before what is on record already.
func (b *Bench) clockWord(m *Main, st *runner.State) string {
	if m.Simulated() {
		return clockSimulated
	}
	if b.now.Before(m.Date) {
		return clockBehind
	}
	if st != nil {
		if made, err := audit.ParseTime(st.Made); err == nil && b.now.Before(made) {
			return clockBehind
		}
	}
	return clockWall
}

// mainTime is the date of the next commit on main: now, but never before the
// commit it follows.
func (b *Bench) mainTime(m *Main) time.Time {
	if b.now.Before(m.Date) {
		return m.Date
	}
	return b.now
}
