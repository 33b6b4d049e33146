package bench

import (
	"crypto/ed25519"
	"fmt"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
)

// AddPerson lists a person, or a further key of one, on main. publicKey is
// their line "ssh-ed25519 AAAA..."; "" makes a key here and keeps it in the
// folder of keys.
func (b *Bench) AddPerson(id, publicKey string) (fingerprint string, err error) {
	err = b.write(func(m *Main) error {
		if id == audit.BenchPrincipal || audit.CheckID(id) != nil {
			return &runner.Refusal{Says: fmt.Sprintf("%q is no id for a person", id), Hint: "a-z, 0-9 and hyphens, such as mk; names stay outside the ledger"}
		}
		if m.Allowed.Has(id) {
			return &runner.Refusal{Says: id + " has a key that has not ended", Hint: "end it first: tapledger person end " + id}
		}
		if _, err := b.actor(m); err != nil {
			return err
		}
		var key ed25519.PublicKey
		if publicKey != "" {
			if key, err = audit.ParsePublicKeyLine(publicKey); err != nil {
				return &runner.Refusal{Says: err.Error(), Hint: "give the first two words of an ed25519 public key, as in a .pub file"}
			}
		} else if key, err = b.newKey(m, id); err != nil {
			return err
		}
		allowed, err := m.Allowed.Add(id, key)
		if err != nil {
			return &runner.Refusal{Says: err.Error()}
		}
		version := fmt.Sprintf("%d.0.0", versions(m.Library, id)+1)
		docs, faults := protocol.ReadAll([]protocol.File{{Name: "person.yaml", Bytes: personDocument(id, version, key)}}, m.Library)
		if len(faults) > 0 {
			return &DocumentFaults{Faults: faults}
		}
		d := docs[0]
		fingerprint = audit.Fingerprint(key)
		_, err = b.commitMain(m, change{subject: "Add person " + id, put: map[string][]byte{
			audit.AllowedFile: allowed.Format(), d.Path() + ".yaml": d.Source, d.Path() + ".json": d.Resolved}})
		return err
	})
	return fingerprint, err
}

func versions(lib *protocol.Library, person string) int {
	n := 0
	for _, d := range lib.All(protocol.KindPerson) {
		if d.ID == person {
			n++
		}
	}
	return n
}

// EndKey ends the key of a person, or of the bench. What it signed stays; the
// commit names the head of every run, so that a record put below it later is
// seen. The last person's key cannot be ended.
func (b *Bench) EndKey(id string) error {
	return b.write(func(m *Main) error {
		var key ed25519.PublicKey
		others := 0
		for _, k := range m.Allowed.Lines {
			if k.Ended.IsZero() && k.Principal == id {
				key = k.Key
			} else if k.Ended.IsZero() && k.Principal != audit.BenchPrincipal {
				others++
			}
		}
		if key == nil {
			return &runner.Refusal{Says: id + " has no key here that has not ended", Hint: "look at: tapledger person"}
		}
		if others == 0 {
			return &runner.Refusal{Says: "this is the last person's key: nobody could write to this ledger any more", Hint: "add another person first: tapledger person add ID"}
		}
		at, err := b.after(m)
		if err != nil {
			return err
		}
		allowed, err := m.Allowed.End(audit.Fingerprint(key), at)
		if err != nil {
			return &runner.Refusal{Says: err.Error()}
		}
		_, err = b.commitMain(m, change{subject: "End the key of " + id, put: map[string][]byte{audit.AllowedFile: allowed.Format()}})
		return err
	})
}

// after is the first whole second that lies after everything on record.
func (b *Bench) after(m *Main) (time.Time, error) {
	at := b.mainTime(m)
	for _, run := range m.Register.Sorted() {
		st, err := b.stateIfAny(run)
		if err != nil {
			return at, err
		}
		if st == nil {
			continue
		}
		if made, err := audit.ParseTime(st.Made); err == nil && made.After(at) {
			at = made
		}
	}
	return at.Truncate(time.Second).Add(time.Second), nil
}
