package bench

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sort"
	"strings"

	"tapledger/audit"
	"tapledger/audit/store"
	"tapledger/protocol"
	"tapledger/runner"
)

// Edition is what an edition is made from. Make gives its whole tree,
// manifest.json included; it reads nothing but what stands here.
type Edition struct {
	Objects     audit.Objects
	ID          string
	Main        string
	Heads       map[string]string // registered run -> its newest commit
	Campaign    string            // id
	Version     string            // "" is the newest
	Made        string
	Supersedes  string
	Attachments map[string][]byte // public ones, by path in the tree
}

// PublishSpec names an edition and its campaign.
type PublishSpec struct {
	ID         string
	Campaign   string // id, or id@version
	Supersedes string // edition id; "" is the newest one of the same campaign
	Make       func(Edition) (map[string][]byte, error)
}

// Input gives what a campaign's scores are made from as the ledger is now.
func (b *Bench) Input(campaign string) (Edition, error) {
	m, err := b.Main()
	if err != nil {
		return Edition{}, err
	}
	if _, err := m.document(protocol.KindCampaign, campaign); err != nil {
		return Edition{}, err
	}
	id, version, _ := strings.Cut(campaign, "@")
	e := Edition{Objects: b.store, Main: m.Commit, Campaign: id, Version: version, Heads: map[string]string{}}
	refs, err := b.store.Refs()
	if err != nil {
		return e, err
	}
	for _, run := range m.Register.Sorted() {
		if head := refs[audit.RefRuns+run]; head != "" {
			e.Heads[run] = head
		}
	}
	return e, nil
}

// Publish makes an edition: a commit of its own, then main names it, then its
// files are laid into editions/<id>/. It returns the files.
func (b *Bench) Publish(spec PublishSpec) (files map[string][]byte, commit string, err error) {
	err = b.write(func(m *Main) error {
		e, err := b.edition(m, spec)
		if err != nil {
			return err
		}
		s, err := b.actor(m)
		if err != nil {
			return err
		}
		if files, err = spec.Make(e); err != nil {
			return err
		}
		subject := fmt.Sprintf("Edition %s of campaign %s", spec.ID, e.Campaign)
		if m.Simulated() {
			subject += ": simulated, invented"
		}
		hash, objects, err := audit.NewEditionCommit(audit.EditionSpec{ID: spec.ID, Main: e.Main, Heads: e.Heads, Files: files, Bench: m.Bench.ID,
			Author: s.Principal(), Date: b.mainTime(m), Subject: subject}, s)
		if err != nil {
			return err
		}
		if err := b.store.Put(objects...); err != nil {
			return err
		}
		if err := b.store.SetRef(audit.RefEditions+spec.ID, "", hash); err != nil {
			if errors.Is(err, store.ErrExists) {
				return &runner.Refusal{Says: "there is an edition " + spec.ID + " already", Hint: "an edition is superseded, never edited: choose another id"}
			}
			return err
		}
		commit = hash
		if _, err := b.commitMain(m, change{subject: "Name edition " + spec.ID}); err != nil {
			return err
		}
		return b.layEdition(spec.ID, files)
	})
	return files, commit, err
}

func (b *Bench) edition(m *Main, spec PublishSpec) (Edition, error) {
	if err := audit.CheckID(spec.ID); err != nil {
		return Edition{}, &runner.Refusal{Says: "edition " + err.Error()}
	}
	refs, err := b.store.Refs()
	if err != nil {
		return Edition{}, err
	}
	if refs[audit.RefEditions+spec.ID] != "" {
		return Edition{}, &runner.Refusal{Says: "there is an edition " + spec.ID + " already", Hint: "an edition is superseded, never edited: choose another id"}
	}
	e, err := b.Input(spec.Campaign)
	if err != nil {
		return e, err
	}
	e.ID, e.Made = spec.ID, audit.Time(b.mainTime(m))
	if e.Supersedes, err = b.supersedes(refs, e.Campaign, spec.Supersedes); err != nil {
		return e, err
	}
	runs := make([]string, 0, len(e.Heads))
	for run := range e.Heads {
		runs = append(runs, run)
	}
	sort.Strings(runs)
	e.Attachments, err = b.publicAttachments(runs)
	return e, err
}

// supersedes finds the edition of the same campaign that nothing supersedes
// yet, or checks the one that was named.
func (b *Bench) supersedes(refs map[string]string, campaign, named string) (string, error) {
	if named != "" {
		if refs[audit.RefEditions+named] == "" {
			return "", &runner.Refusal{Says: fmt.Sprintf("there is no edition %q to supersede", named)}
		}
		return named, nil
	}
	newest, made := "", ""
	for ref, commit := range refs {
		id, ok := strings.CutPrefix(ref, audit.RefEditions)
		if !ok {
			continue
		}
		data, found, err := audit.ReadFile(b.store, commit, audit.ManifestFile)
		if err != nil || !found {
			continue // verify says what is wrong with it
		}
		man, err := audit.ParseManifest(data)
		if err != nil {
			continue
		}
		if of, _, _ := strings.Cut(man.Campaign, "@"); of == campaign && man.Made > made {
			newest, made = id, man.Made
		}
	}
	return newest, nil
}

// layEdition writes an edition's files into editions/<id>/, where people look
// at them. The ledger's copy counts.
func (b *Bench) layEdition(id string, files map[string][]byte) error {
	root := filepath.Join(b.Dir, "editions", id)
	if err := os.RemoveAll(root); err != nil {
		return err
	}
	for path, data := range files {
		name := filepath.Join(root, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(name, data, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// Editions lists the ids of the editions in the ledger, sorted.
func (b *Bench) Editions() ([]string, error) {
	refs, err := b.store.Refs()
	if err != nil {
		return nil, err
	}
	var out []string
	for ref := range refs {
		if id, ok := strings.CutPrefix(ref, audit.RefEditions); ok {
			out = append(out, id)
		}
	}
	sort.Strings(out)
	return out, nil
}
