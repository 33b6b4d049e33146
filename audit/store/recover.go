package store

// Recovery says what Recover did and what it could not mend.
type Recovery struct {
	Acts   []Act           // what was done, sorted by reference, then text
	Damage []*DamagedError // what is still not whole, sorted by its text
}

// Act is one thing that Recover did. Ref is the reference that it was about,
// or empty.
type Act struct {
	Ref string
	Did string
}

// Recover does what a start after a crash needs.
func (s *Store) Recover(refs ...string) (Recovery, error) { return Recovery{}, nil }
