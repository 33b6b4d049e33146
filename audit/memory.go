package audit

import (
	"fmt"
	"maps"
	"slices"
)

// Memory is Objects held in memory. It is not safe for several goroutines.
type Memory struct {
	refs    map[string]string
	objects map[string]RawObject
}

// NewMemory gives an empty repository.
func NewMemory() *Memory {
	return &Memory{refs: map[string]string{}, objects: map[string]RawObject{}}
}

// Refs gives a copy of the refs.
func (m *Memory) Refs() (map[string]string, error) { return maps.Clone(m.refs), nil }

// Object gives an object as it was put. Its name is not computed again.
func (m *Memory) Object(hash string) (string, []byte, error) {
	o, ok := m.objects[hash]
	if !ok {
		return "", nil, fmt.Errorf("object %s is missing", hash)
	}
	return o.Type, o.Data, nil
}

// Put stores objects under the names they carry.
func (m *Memory) Put(objects ...RawObject) error {
	for _, o := range objects {
		m.objects[o.Hash] = o
	}
	return nil
}

// SetRef moves a ref from old to new; old "" means that it must not exist, new
// "" takes it away.
func (m *Memory) SetRef(name, old, new string) error {
	if m.refs[name] != old {
		return fmt.Errorf("ref %s is at %q, not at %q", name, m.refs[name], old)
	}
	if new == "" {
		delete(m.refs, name)
		return nil
	}
	m.refs[name] = new
	return nil
}

// Hashes gives the names of all objects, sorted.
func (m *Memory) Hashes() []string { return slices.Sorted(maps.Keys(m.objects)) }
