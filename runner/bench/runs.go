package bench

import (
	"fmt"
	"strings"

	"tapledger/runner"
)

// RunInfo is one line of the list of runs.
type RunInfo struct {
	Run      string `json:"run"`
	Unit     string `json:"unit"`
	Protocol string `json:"protocol"`
	Opened   string `json:"opened"`
	By       string `json:"by"`
	Phase    string `json:"phase"` // open, stopped, closed, abandoned, never_started
	Records  int64  `json:"records"`
	Label    string `json:"label,omitempty"`
}

// Runs lists every run that was ever opened, from the register, sorted by id.
func (b *Bench) Runs() ([]RunInfo, error) {
	m, err := b.Main()
	if err != nil {
		return nil, err
	}
	var out []RunInfo
	for _, run := range m.Register.Sorted() {
		e := m.Register.Runs[run]
		info := RunInfo{Run: run, Unit: e.Opened.Unit, Protocol: e.Opened.Protocol, Opened: e.Opened.Made, By: e.Opened.By, Phase: "never_started"}
		st, err := b.stateIfAny(run)
		if err != nil {
			return nil, err
		}
		if st != nil {
			info.Phase, info.Records, info.Label = st.Phase, st.Seq, st.Pinned.Opened.Label
		}
		out = append(out, info)
	}
	return out, nil
}

// Run finds a run by its id, its last four letters, its label, or the id of
// its unit when that has one run that has not ended.
func (b *Bench) Run(name string) (string, error) {
	runs, err := b.Runs()
	if err != nil {
		return "", err
	}
	var found, going []string
	for _, r := range runs {
		if r.Run == name {
			return name, nil
		}
		if strings.HasSuffix(r.Run, "-"+name) || r.Label != "" && r.Label == name || r.Unit == name {
			found = append(found, r.Run)
			if r.Phase == runner.PhaseOpen || r.Phase == runner.PhaseStopped {
				going = append(going, r.Run)
			}
		}
	}
	if len(going) == 1 {
		return going[0], nil
	}
	if len(found) == 1 {
		return found[0], nil
	}
	if len(found) > 1 {
		return "", &runner.Refusal{Says: fmt.Sprintf("%q could be %s", name, strings.Join(found, ", ")), Hint: "give the run's id, or its last four letters"}
	}
	hint := "no run was opened yet: tapledger open UNIT PROTOCOL"
	if len(runs) > 0 {
		var ids []string
		for _, r := range runs {
			ids = append(ids, r.Run)
		}
		hint = "there are: " + strings.Join(ids, ", ")
	}
	return "", &runner.Refusal{Says: fmt.Sprintf("no run %q in the register", name), Hint: hint}
}
