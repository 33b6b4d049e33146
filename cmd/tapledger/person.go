package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/audit"
)

var verbPerson = verb{
	name: "person", args: "[add ID | end ID]", says: "list people and keys, add one, end a key",
	text: `A person is an id and a key. add makes a key here, or takes the public key of
somebody who keeps theirs: a second person should. end ends a key from now on; what
it signed stays.`,
	example: `tapledger person
tapledger person add rv --key "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAA..."
tapledger person end rv`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		key := fs.String("key", "", "add: the public key as a `line`, two words of a .pub file")
		return func(c *call) error { return person(c, *key) }
	},
}

func person(c *call, key string) error {
	b, err := c.bench()
	if err != nil {
		return err
	}
	if len(c.args) == 0 {
		return listPeople(c)
	}
	if err := c.want(2, 2); err != nil {
		return err
	}
	id := c.args[1]
	switch c.args[0] {
	case "add":
		fp, err := b.AddPerson(id, key)
		if err != nil {
			return err
		}
		return c.show(map[string]string{"person": id, "fingerprint": fp}, "person %s, key %s\n", id, fp)
	case "end":
		if err := b.EndKey(id); err != nil {
			return err
		}
		return c.show(map[string]string{"person": id, "ended": "yes"}, "the key of %s has ended; what it signed stays\n", id)
	}
	return &Usage{Says: fmt.Sprintf("person %s?", c.args[0]), Hint: "person, person add ID, or person end ID"}
}

func listPeople(c *call) error {
	m, err := c.opened.Main()
	if err != nil {
		return err
	}
	type line struct {
		Person      string `json:"person"`
		Fingerprint string `json:"fingerprint"`
		Ended       string `json:"ended,omitempty"`
	}
	var list []line
	var s strings.Builder
	for _, k := range m.Allowed.Lines {
		l := line{Person: k.Principal, Fingerprint: audit.Fingerprint(k.Key)}
		fmt.Fprintf(&s, "%-12s %s", l.Person, l.Fingerprint)
		if !k.Ended.IsZero() {
			l.Ended = audit.Time(k.Ended)
			s.WriteString("  ended " + l.Ended)
		}
		s.WriteString("\n")
		list = append(list, l)
	}
	return c.show(list, "%s", s.String())
}
