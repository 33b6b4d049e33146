package audit

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"sort"
	"strconv"
	"unicode/utf16"
	"unicode/utf8"
)

// MaxWhole is the largest whole number that canonical bytes may hold: beyond
// it a reader that keeps numbers as binary64 could no longer tell neighbours
// apart (RFC 8785 section 3.2.2.3, RFC 7493 section 2.2).
const MaxWhole = 1<<53 - 1

// Canonical gives the canonical bytes of v without a final line feed: RFC 8785
// cut down to objects, arrays, strings and whole numbers from 0 to MaxWhole.
// v is built of map[string]any, []any, string, int, int64 and whole
// json.Number. Strings and keys must be valid UTF-8 without control characters
// other than LF; booleans, null and fractions are refused.
func Canonical(v any) ([]byte, error) {
	return appendValue(nil, v, 1)
}

// CanonicalJSON reads src as one JSON text, strictly (no duplicate keys, no
// booleans, null, fractions or negative numbers, no control characters), and
// gives its canonical bytes and one line feed.
func CanonicalJSON(src []byte) ([]byte, error) {
	v, err := parseJSON(src)
	if err != nil {
		return nil, err
	}
	b, err := Canonical(v)
	if err != nil {
		return nil, err
	}
	return append(b, '\n'), nil
}

// Marshal gives the canonical bytes and one line feed of a Go value that
// encoding/json can write. Unlike encoding/json it refuses bad UTF-8 instead
// of replacing it.
func Marshal(v any) ([]byte, error) {
	if err := checkStrings(reflect.ValueOf(v), 1); err != nil {
		return nil, err
	}
	b, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("canonical bytes: %w", err)
	}
	return CanonicalJSON(b)
}

func appendValue(dst []byte, v any, depth int) ([]byte, error) {
	if depth > maxDepth {
		return nil, fmt.Errorf("canonical bytes: nested deeper than %d; flatten the value", maxDepth)
	}
	switch x := v.(type) {
	case map[string]any:
		return appendObject(dst, x, depth)
	case []any:
		return appendArray(dst, x, depth)
	case string:
		if err := checkText(x); err != nil {
			return nil, err
		}
		return appendString(dst, x), nil
	case int:
		return appendWhole(dst, int64(x))
	case int64:
		return appendWhole(dst, x)
	case json.Number:
		n, err := strconv.ParseInt(string(x), 10, 64)
		if err != nil || strconv.FormatInt(n, 10) != string(x) {
			return nil, fmt.Errorf("canonical bytes: %q is not a whole number; write it as a string", string(x))
		}
		return appendWhole(dst, n)
	default:
		return nil, fmt.Errorf("canonical bytes: %T is not allowed; use an object, array, string or whole number", v)
	}
}

func appendObject(dst []byte, m map[string]any, depth int) ([]byte, error) {
	keys := make([]string, 0, len(m))
	for k := range m {
		if err := checkText(k); err != nil {
			return nil, fmt.Errorf("key: %w", err)
		}
		keys = append(keys, k)
	}
	sort.Slice(keys, func(i, j int) bool { return lessUTF16(keys[i], keys[j]) })
	dst = append(dst, '{')
	for i, k := range keys {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = appendString(dst, k)
		dst = append(dst, ':')
		var err error
		if dst, err = appendValue(dst, m[k], depth+1); err != nil {
			return nil, fmt.Errorf("%s: %w", k, err)
		}
	}
	return append(dst, '}'), nil
}

func appendArray(dst []byte, a []any, depth int) ([]byte, error) {
	dst = append(dst, '[')
	for i, v := range a {
		if i > 0 {
			dst = append(dst, ',')
		}
		var err error
		if dst, err = appendValue(dst, v, depth+1); err != nil {
			return nil, fmt.Errorf("[%d]: %w", i, err)
		}
	}
	return append(dst, ']'), nil
}

func appendWhole(dst []byte, n int64) ([]byte, error) {
	if n < 0 || n > MaxWhole {
		return nil, fmt.Errorf("canonical bytes: %d is outside 0..%d; write it as a string", n, int64(MaxWhole))
	}
	return strconv.AppendInt(dst, n, 10), nil
}

// appendString escapes as RFC 8785 section 3.2.2.2 says, for every character,
// also those that checkText refuses, so that it can be held against the RFC's
// own example.
func appendString(dst []byte, s string) []byte {
	const hexDigits = "0123456789abcdef"
	dst = append(dst, '"')
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		case c == '\b':
			dst = append(dst, '\\', 'b')
		case c == '\t':
			dst = append(dst, '\\', 't')
		case c == '\n':
			dst = append(dst, '\\', 'n')
		case c == '\f':
			dst = append(dst, '\\', 'f')
		case c == '\r':
			dst = append(dst, '\\', 'r')
		case c < 0x20:
			dst = append(dst, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&15])
		default:
			dst = append(dst, c)
		}
	}
	return append(dst, '"')
}

// lessUTF16 orders keys by UTF-16 code units (RFC 8785 section 3.2.3). It
// differs from the order of bytes only between U+E000..U+FFFF and the
// characters beyond U+FFFF.
func lessUTF16(a, b string) bool {
	x, y := utf16.Encode([]rune(a)), utf16.Encode([]rune(b))
	for i := 0; i < len(x) && i < len(y); i++ {
		if x[i] != y[i] {
			return x[i] < y[i]
		}
	}
	return len(x) < len(y)
}

// checkText refuses what a string of a record may not hold: bad UTF-8 and
// control characters other than LF, U+007F to U+009F included.
func checkText(s string) error {
	for i, r := range s {
		if r == utf8.RuneError {
			if _, n := utf8.DecodeRuneInString(s[i:]); n == 1 {
				return fmt.Errorf("bad UTF-8 at byte %d of %q; save the text as UTF-8", i, clip(s))
			}
		}
		if (r < 0x20 && r != '\n') || (r >= 0x7f && r <= 0x9f) {
			return fmt.Errorf("control character U+%04X at byte %d of %q; only line feeds may stand in text", r, i, clip(s))
		}
	}
	return nil
}

// clip shortens text for a message.
func clip(s string) string {
	if len(s) <= 60 {
		return s
	}
	return s[:60] + "..."
}

// checkStrings looks for bad UTF-8 before encoding/json would replace it.
func checkStrings(v reflect.Value, depth int) error {
	if depth > 2*maxDepth {
		return fmt.Errorf("canonical bytes: nested deeper than %d; flatten the value", maxDepth)
	}
	switch v.Kind() {
	case reflect.String:
		if !utf8.ValidString(v.String()) {
			return fmt.Errorf("bad UTF-8 in %q; save the text as UTF-8", clip(v.String()))
		}
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			return checkStrings(v.Elem(), depth+1)
		}
	case reflect.Struct:
		for i := 0; i < v.NumField(); i++ {
			if err := checkStrings(v.Field(i), depth+1); err != nil {
				return err
			}
		}
	case reflect.Slice, reflect.Array:
		if v.Type().Elem().Kind() == reflect.Uint8 {
			return nil // base64 or a raw JSON text, which the strict reader sees
		}
		for i := 0; i < v.Len(); i++ {
			if err := checkStrings(v.Index(i), depth+1); err != nil {
				return err
			}
		}
	case reflect.Map:
		for it := v.MapRange(); it.Next(); {
			if err := checkStrings(it.Key(), depth+1); err != nil {
				return err
			}
			if err := checkStrings(it.Value(), depth+1); err != nil {
				return err
			}
		}
	case reflect.Float32, reflect.Float64:
		return fmt.Errorf("canonical bytes: floating point is not allowed; write the number as decimal text")
	}
	return nil
}

// canonicalLine reports whether b is canonical bytes and one line feed.
func canonicalLine(b []byte, v any) error {
	c, err := Canonical(v)
	if err != nil {
		return err
	}
	if !bytes.Equal(append(c, '\n'), b) {
		return fmt.Errorf("bytes are not canonical: keys must be sorted, no spaces, shortest escapes, one final line feed")
	}
	return nil
}
