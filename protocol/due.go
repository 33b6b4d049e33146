package protocol

// DueCautions returns the ids of the cautions that are due at a step (or, with
// a nil step, anywhere in the section; with a nil section too, anywhere in the
// protocol), sorted.
func DueCautions(p *Protocol, s *Section, st *Step, all []*Caution) []string {
	return nil
}
