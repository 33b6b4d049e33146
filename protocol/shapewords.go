package protocol

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"tapledger/rules/quantity"
)

// unknownKeys lists the keys of the map at ptr that its schema does not know.
func (t *tree) unknownKeys(ptr string, sch map[string]any) []string {
	m, _ := t.look(ptr).(map[string]any)
	props, _ := sch["properties"].(map[string]any)
	patterns, _ := sch["patternProperties"].(map[string]any)
	var out []string
	for _, k := range slices.Sorted(maps.Keys(m)) {
		if _, ok := props[k]; ok {
			continue
		}
		known := false
		for p := range patterns {
			known = known || regexp.MustCompile(p).MatchString(k)
		}
		if !known {
			out = append(out, k)
		}
	}
	return out
}

func (t *tree) unknownKey(ptr, key string, sch map[string]any) {
	if _, named := sch["patternProperties"]; named {
		t.faultKey(ptr, fmt.Sprintf("%q is no id", key), "an id is a small letter, then small letters, digits and underscores, at most 40")
		return
	}
	props, _ := sch["properties"].(map[string]any)
	known := slices.Sorted(maps.Keys(props))
	hint := "the keys here are " + strings.Join(known, ", ")
	if near := quantity.Nearest(key, known); near != "" {
		hint = fmt.Sprintf("did you mean %q?", near)
	}
	t.faultKey(ptr, fmt.Sprintf("unknown key %q%s", key, t.inWhat(ptr[:strings.LastIndexByte(ptr, '/')])), hint)
}

// inWhat names what a map is, where its id or kind says so.
func (t *tree) inWhat(ptr string) string {
	m, _ := t.look(ptr).(map[string]any)
	id, _ := m["id"].(string)
	kind, _ := m["kind"].(string)
	switch {
	case ptr == "":
		return ""
	case strings.Contains(ptr, "/steps/") && kind != "" && id != "" && !strings.Contains(ptr, "/sheet"):
		return fmt.Sprintf(" in the %s %q", strings.ReplaceAll(kind, "_", "-"), id)
	case id != "":
		return fmt.Sprintf(" in %q", id)
	}
	return " in " + ptr[strings.LastIndexByte(ptr, '/')+1:]
}

// missingHint says what a key that is missing is for.
func missingHint(key string) string {
	switch key {
	case "undecided":
		return "say what follows when the evidence cannot tell: stop, repeat, void or qualify"
	case "otherwise":
		return "say what follows when it is unmet: stop, repeat, void or qualify"
	case "because":
		return "say in a sentence why this is asked for"
	case "source":
		return `name the source, or write "common practice, no source"`
	case "hold":
		return "say how long the sample may be held, as in 48 h"
	case "bottles":
		return "name the bottles that are filled, from the protocol's bottles"
	case "from":
		return "name the step after which standing begins"
	case "version":
		return "a version is three numbers, as in 1.0.0"
	}
	return ""
}

// shapeWords says in plain words what one keyword of a schema found wrong.
func shapeWords(keyword string, sch map[string]any, message string, v any) (says, hint string) {
	own, _ := sch["x-says"].(string)
	switch keyword {
	case "type":
		return typeWords(sch, v)
	case "enum", "const":
		return choiceWords(sch, v)
	case "not":
		return fmt.Sprintf("%v is the name of a device on Windows and cannot be a file's name there", show(v)), ""
	case "pattern", "format":
		return fmt.Sprintf("%v does not have the form that is wanted here", show(v)), own
	case "minLength":
		return "an empty text stands here", "write something, or leave the key out"
	case "maxLength":
		return "the text is too long: " + message, ""
	case "minItems", "minProperties":
		return fmt.Sprintf("at least %v must be listed here", sch[keyword]), ""
	case "maxItems", "maxProperties":
		return fmt.Sprintf("at most %v can be listed here", sch[keyword]), ""
	case "uniqueItems":
		return "the same entry stands here twice", ""
	case "minimum":
		return fmt.Sprintf("%v is too small; at least %v is wanted here", v, sch[keyword]), ""
	case "maximum":
		return fmt.Sprintf("%v is too large; at most %v is wanted here", v, sch[keyword]), ""
	}
	return message, ""
}

func show(v any) string {
	if s, ok := v.(string); ok {
		r := []rune(s)
		if len(r) > 60 {
			s = string(r[:60]) + "..."
		}
		return fmt.Sprintf("%q", s)
	}
	return what(v)
}

// what names the sort of a value.
func what(v any) string {
	switch v := v.(type) {
	case string:
		return "a text"
	case json.Number:
		return "the bare number " + v.String()
	case bool:
		if v {
			return "the word true"
		}
		return "the word false"
	case map[string]any:
		return "a map of keys and values"
	case []any:
		return "a list"
	}
	return "nothing"
}

func typeWords(sch map[string]any, v any) (says, hint string) {
	_, isNumber := v.(json.Number)
	_, isBool := v.(bool)
	hint, _ = sch["x-says"].(string)
	switch {
	case isNumber && sch["x-quantity"] != nil:
		return fmt.Sprintf("%s stands here; a quantity has a unit", what(v)), `write the unit after it, as in "250 mL"`
	case isBool:
		return fmt.Sprintf("%s stands here", what(v)), "write yes or no"
	}
	wanted := fmt.Sprint(sch["type"])
	switch wanted {
	case "string":
		wanted = "a text"
		if isNumber && hint == "" {
			hint = "put it in quotes"
		}
	case "integer":
		wanted = "a whole number"
	case "object":
		wanted = "a map of keys and values"
	case "array":
		wanted, hint = "a list", "write [a, b] or a line with a dash for each"
	case "[string number]":
		wanted = "a decimal number"
	}
	return fmt.Sprintf("%s stands here; %s is wanted", what(v), wanted), hint
}

func choiceWords(sch map[string]any, v any) (says, hint string) {
	choices := texts(sch["enum"])
	if c, ok := sch["const"].(string); ok {
		choices = []string{c}
	}
	own, _ := sch["x-says"].(string)
	s, isText := v.(string)
	if isText {
		if near := quantity.Nearest(s, choices); near != "" {
			return fmt.Sprintf("%s is none of the words that can stand here", show(v)), fmt.Sprintf("did you mean %q?", near)
		}
	}
	if b, ok := v.(bool); ok {
		return fmt.Sprintf("%s stands here", what(b)), "write yes or no"
	}
	if own != "" {
		return fmt.Sprintf("%s is none of the words that can stand here", show(v)), own
	}
	return fmt.Sprintf("%s is none of the words that can stand here", show(v)), "one of " + strings.Join(choices, ", ")
}
