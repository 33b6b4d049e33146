package audit

import (
	"bytes"
	"fmt"
	"strconv"
	"unicode/utf16"
	"unicode/utf8"
)

// Limits of the strict reader. They are far above what a record needs, and
// keep a hostile file from costing memory or stack.
const (
	maxDepth    = 32
	maxText     = 16 << 20 // bytes of one JSON text
	maxRecord   = 4 << 20  // bytes of one record
	maxKeyBytes = 64       // bytes of a key in a record
)

// reader is a strict JSON reader: RFC 8259 without booleans, null, fractions,
// exponents, negative numbers, duplicate keys, lone surrogates and control
// characters.
type reader struct {
	b []byte
	i int
}

// parseJSON reads one JSON text: map[string]any, []any, string, int64.
func parseJSON(b []byte) (any, error) {
	if len(b) > maxText {
		return nil, fmt.Errorf("JSON text of %d bytes is larger than the limit of %d", len(b), maxText)
	}
	r := &reader{b: b}
	v, err := r.value(1)
	if err != nil {
		return nil, err
	}
	r.space()
	if r.i != len(b) {
		return nil, r.errorf("more text after the JSON value")
	}
	return v, nil
}

func (r *reader) errorf(format string, args ...any) error {
	line := 1 + bytes.Count(r.b[:r.i], []byte("\n"))
	col := r.i - bytes.LastIndexByte(r.b[:r.i], '\n')
	return fmt.Errorf("JSON line %d, byte %d: %s", line, col, fmt.Sprintf(format, args...))
}

func (r *reader) space() {
	for r.i < len(r.b) && (r.b[r.i] == ' ' || r.b[r.i] == '\t' || r.b[r.i] == '\n' || r.b[r.i] == '\r') {
		r.i++
	}
}

func (r *reader) peek() byte {
	if r.i < len(r.b) {
		return r.b[r.i]
	}
	return 0
}

func (r *reader) value(depth int) (any, error) {
	if depth > maxDepth {
		return nil, r.errorf("nested deeper than %d", maxDepth)
	}
	r.space()
	switch c := r.peek(); {
	case c == '{':
		return r.object(depth)
	case c == '[':
		return r.array(depth)
	case c == '"':
		return r.text()
	case c >= '0' && c <= '9':
		return r.whole()
	case c == '-':
		return nil, r.errorf("negative numbers are not allowed; write it as a string")
	case c == 't' || c == 'f':
		return nil, r.errorf("booleans are not allowed; write \"yes\" or \"no\"")
	case c == 'n':
		return nil, r.errorf("null is not allowed; leave the key out")
	case r.i >= len(r.b):
		return nil, r.errorf("the text ends where a value should stand")
	default:
		return nil, r.errorf("unexpected %q", c)
	}
}

func (r *reader) object(depth int) (any, error) {
	r.i++
	m := map[string]any{}
	r.space()
	if r.peek() == '}' {
		r.i++
		return m, nil
	}
	for {
		r.space()
		if r.peek() != '"' {
			return nil, r.errorf("a key in quotes is missing")
		}
		k, err := r.text()
		if err != nil {
			return nil, err
		}
		if _, twice := m[k]; twice {
			return nil, r.errorf("key %q stands twice", clip(k))
		}
		r.space()
		if r.peek() != ':' {
			return nil, r.errorf("a colon is missing after key %q", clip(k))
		}
		r.i++
		if m[k], err = r.value(depth + 1); err != nil {
			return nil, err
		}
		r.space()
		switch r.peek() {
		case ',':
			r.i++
		case '}':
			r.i++
			return m, nil
		default:
			return nil, r.errorf("a comma or closing brace is missing")
		}
	}
}

func (r *reader) array(depth int) (any, error) {
	r.i++
	a := []any{}
	r.space()
	if r.peek() == ']' {
		r.i++
		return a, nil
	}
	for {
		v, err := r.value(depth + 1)
		if err != nil {
			return nil, err
		}
		a = append(a, v)
		r.space()
		switch r.peek() {
		case ',':
			r.i++
		case ']':
			r.i++
			return a, nil
		default:
			return nil, r.errorf("a comma or closing bracket is missing")
		}
	}
}

func (r *reader) whole() (any, error) {
	j := r.i
	for j < len(r.b) && r.b[j] >= '0' && r.b[j] <= '9' {
		j++
	}
	if j < len(r.b) && (r.b[j] == '.' || r.b[j] == 'e' || r.b[j] == 'E') {
		return nil, r.errorf("fractions and exponents are not allowed; write the number as a string")
	}
	s := string(r.b[r.i:j])
	if len(s) > 1 && s[0] == '0' {
		return nil, r.errorf("a number may not begin with a zero")
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n > MaxWhole {
		return nil, r.errorf("%s is larger than %d; write it as a string", clip(s), int64(MaxWhole))
	}
	r.i = j
	return n, nil
}

func (r *reader) text() (string, error) {
	start := r.i
	r.i++
	var out []byte
	for {
		if r.i >= len(r.b) {
			r.i = start
			return "", r.errorf("a string is not closed")
		}
		c := r.b[r.i]
		switch {
		case c == '"':
			r.i++
			if err := checkText(string(out)); err != nil {
				r.i = start
				return "", r.errorf("%v", err)
			}
			return string(out), nil
		case c == '\\':
			p, err := r.escape()
			if err != nil {
				return "", err
			}
			out = utf8.AppendRune(out, p)
		case c < 0x20:
			return "", r.errorf("control character U+%04X inside a string", c)
		default:
			out = append(out, c)
			r.i++
		}
	}
}

func (r *reader) escape() (rune, error) {
	if r.i+1 >= len(r.b) {
		return 0, r.errorf("an escape is cut off")
	}
	c := r.b[r.i+1]
	switch c {
	case '"', '\\', '/':
		r.i += 2
		return rune(c), nil
	case 'b', 'f', 'n', 'r', 't':
		r.i += 2
		return map[byte]rune{'b': '\b', 'f': '\f', 'n': '\n', 'r': '\r', 't': '\t'}[c], nil
	case 'u':
	default:
		return 0, r.errorf("unknown escape \\%c", c)
	}
	p, err := r.hex4()
	if err != nil {
		return 0, err
	}
	if !utf16.IsSurrogate(p) {
		return p, nil
	}
	if r.i+1 < len(r.b) && r.b[r.i] == '\\' && r.b[r.i+1] == 'u' {
		q, err := r.hex4()
		if err != nil {
			return 0, err
		}
		if both := utf16.DecodeRune(p, q); both != utf8.RuneError {
			return both, nil
		}
	}
	return 0, r.errorf("a lone surrogate is no character")
}

// hex4 reads \uXXXX.
func (r *reader) hex4() (rune, error) {
	if r.i+6 > len(r.b) {
		return 0, r.errorf("an escape is cut off")
	}
	n, err := strconv.ParseUint(string(r.b[r.i+2:r.i+6]), 16, 16)
	if err != nil {
		return 0, r.errorf("an escape needs four hexadecimal digits")
	}
	r.i += 6
	return rune(n), nil
}
