package protocol

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	goccy "github.com/goccy/go-yaml"
	yaml "go.yaml.in/yaml/v3"
)

// Limits of a document. They are the same everywhere, so that a document that
// one bench reads is read by all.
const (
	mostBytes = 512 << 10
	mostDepth = 24
	mostNodes = 40000
	mostFlow  = 64 // brackets open at once in the text, looked at before parsing
)

// place is where a value stands: its node, and the node of its key.
type place struct{ value, key *yaml.Node }

// tree is one document as written: its values, and where each stands.
type tree struct {
	file   string
	lines  []string
	places map[string]place // by JSON Pointer
	value  any              // maps, lists, texts, json.Number and bools
	nodes  int
	faults []Fault
}

// readTree reads the YAML of one document. What a document may not hold
// (aliases, tags, tabs, several documents...) is a fault.
func readTree(f File) *tree {
	t := &tree{file: f.Name, places: map[string]place{}}
	if len(f.Bytes) > mostBytes {
		t.add(1, 1, fmt.Sprintf("the file has %d bytes; a document has at most %d", len(f.Bytes), mostBytes), "")
		return t
	}
	text := strings.TrimPrefix(string(f.Bytes), "\ufeff")
	t.lines = strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n")
	if t.checkText(text); len(t.faults) > 0 {
		return t
	}
	dec := yaml.NewDecoder(strings.NewReader(text))
	var root yaml.Node
	if err := dec.Decode(&root); errors.Is(err, io.EOF) {
		t.add(1, 1, "the file is empty", "a document begins with kind, id and version")
		return t
	} else if err != nil {
		t.syntaxFault(err)
		return t
	}
	var next yaml.Node
	if err := dec.Decode(&next); err == nil {
		t.add(next.Line, next.Column, "a second document begins here; a file holds one", "")
	} else if !errors.Is(err, io.EOF) {
		t.syntaxFault(err)
	}
	if len(t.faults) > 0 || len(root.Content) == 0 {
		return t
	}
	if root.Content[0].Kind != yaml.MappingNode && root.Content[0].Kind != yaml.AliasNode {
		t.at(root.Content[0], "a document is a list of keys and values, such as kind: protocol", "")
		return t
	}
	t.value = t.walk(root.Content[0], nil, "", 0)
	return t
}

func (t *tree) add(line, col int, says, hint string) {
	f := Fault{File: t.file, Line: line, Col: col, Says: says, Hint: hint}
	if line >= 1 && line <= len(t.lines) {
		f.Excerpt, f.CaretAt = excerpt(t.lines[line-1], col)
	}
	t.faults = append(t.faults, f)
}

// excerpt cuts a very long line down to what stands around the column.
func excerpt(line string, col int) (string, int) {
	const most, before = 200, 120
	r := []rune(line)
	if len(r) <= most {
		return line, col
	}
	from := min(max(col-before, 0), len(r)-most)
	return string(r[from : from+most]), col - from
}

func (t *tree) at(n *yaml.Node, says, hint string) { t.add(n.Line, n.Column, says, hint) }

// checkText refuses what no document may hold anywhere in its text.
func (t *tree) checkText(text string) {
	if !utf8.ValidString(text) {
		for i, l := range t.lines {
			if !utf8.ValidString(l) {
				t.add(i+1, firstBad(l), "this is not UTF-8", "save the file as UTF-8")
				t.faults[len(t.faults)-1].Excerpt, t.faults[len(t.faults)-1].CaretAt = "", 0
				return
			}
		}
	}
	open := 0
	for i, l := range t.lines {
		col := 0
		for _, r := range l {
			col++
			switch {
			case r == '\t':
				t.add(i+1, col, "a tab stands here", "use spaces")
				return
			case r < 0x20 || r >= 0x7f && r <= 0x9f:
				t.add(i+1, col, fmt.Sprintf("a control character (U+%04X) stands here", r), "take it out")
				return
			case r == '[' || r == '{':
				open++
			case (r == ']' || r == '}') && open > 0:
				open--
			}
			if open > mostFlow {
				t.add(i+1, col, fmt.Sprintf("more than %d brackets are open here", mostFlow), "")
				return
			}
		}
	}
}

func firstBad(l string) int {
	col := 1
	for i, r := range l {
		if r == utf8.RuneError {
			if _, n := utf8.DecodeRuneInString(l[i:]); n == 1 {
				return col
			}
		}
		col++
	}
	return col
}

var (
	yamlLine  = regexp.MustCompile(`line (\d+): `)
	goccyLine = regexp.MustCompile(`\[(\d+):(\d+)\] ([^\n]*)`)
)

// syntaxFault says where the YAML cannot be read. The reader that gives a
// position for every value knows only about the line of a syntax error, so the
// place comes from a second reader when it finds the same text wanting.
func (t *tree) syntaxFault(err error) {
	says := strings.TrimPrefix(err.Error(), "yaml: ")
	line := 1
	if g := yamlLine.FindStringSubmatch(says); g != nil {
		line, _ = strconv.Atoi(g[1])
		says = strings.Replace(says, g[0], "", 1)
	}
	if strings.HasPrefix(says, "did not find expected") {
		line++ // its parser counts lines from 0 where its scanner counts from 1
	}
	line = min(max(line, 1), len(t.lines))
	col := 1 + len(t.lines[line-1]) - len(strings.TrimLeft(t.lines[line-1], " "))
	if l, c, s, ok := secondOpinion(strings.Join(t.lines, "\n")); ok {
		line, col, says = l, c, s
	}
	t.add(min(max(line, 1), len(t.lines)), col, "this is no YAML: "+says, "texts with : # ? , or brackets in them are put in quotes")
}

// mostSecond is how many bytes the second reader is shown: what it takes for a
// text grows faster than the text.
const mostSecond = 64 << 10

func secondOpinion(text string) (line, col int, says string, ok bool) {
	if len(text) > mostSecond {
		return 0, 0, "", false
	}
	defer func() {
		if recover() != nil { // it has been seen to give up on odd texts
			ok = false
		}
	}()
	var v any
	err := goccy.NewDecoder(bytes.NewReader([]byte(text))).Decode(&v)
	if err == nil {
		return 0, 0, "", false
	}
	g := goccyLine.FindStringSubmatch(err.Error())
	if g == nil {
		return 0, 0, "", false
	}
	line, _ = strconv.Atoi(g[1])
	col, _ = strconv.Atoi(g[2])
	return line, max(col, 1), g[3], line >= 1
}

// pointer adds one name to a JSON Pointer.
func pointer(base, name string) string {
	return base + "/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(name)
}

// walk turns a node into plain values and notes where each of them stands.
func (t *tree) walk(n, key *yaml.Node, ptr string, depth int) any {
	t.nodes++
	t.places[ptr] = place{n, key}
	switch {
	case depth > mostDepth:
		t.at(n, fmt.Sprintf("lists and maps lie in one another more than %d deep", mostDepth), "")
		return nil
	case t.nodes > mostNodes:
		if t.nodes == mostNodes+1 {
			t.at(n, fmt.Sprintf("the document holds more than %d values", mostNodes), "")
		}
		return nil
	case n.Kind == yaml.AliasNode:
		t.at(n, "an alias (*name) stands here", "write the text out; sections are shared with borrows")
		return nil
	case n.Anchor != "":
		t.at(n, "an anchor (&name) stands here", "write the text out; sections are shared with borrows")
		return nil
	case n.Style&yaml.TaggedStyle != 0:
		t.at(n, "a tag (!"+strings.TrimLeft(n.Tag, "!")+") stands here", "take it out; texts may be quoted")
		return nil
	}
	switch n.Kind {
	case yaml.MappingNode:
		return t.walkMap(n, ptr, depth)
	case yaml.SequenceNode:
		out := make([]any, 0, len(n.Content))
		for i, c := range n.Content {
			out = append(out, t.walk(c, nil, ptr+"/"+strconv.Itoa(i), depth+1))
		}
		return out
	}
	return t.scalar(n)
}

func (t *tree) walkMap(n *yaml.Node, ptr string, depth int) any {
	out := map[string]any{}
	first := map[string]*yaml.Node{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		switch {
		case k.Kind != yaml.ScalarNode:
			t.at(k, "a key must be a plain text", "")
			continue
		case k.Anchor != "" || k.Style&yaml.TaggedStyle != 0:
			t.at(k, "a key with an anchor or a tag", "write the plain text")
			continue
		case k.Tag != "!!str" && k.Tag != "!!merge":
			t.at(k, fmt.Sprintf("the key %s is no text", k.Value), "")
			continue
		}
		if f, twice := first[k.Value]; twice {
			t.at(k, fmt.Sprintf("the key %q stands here a second time", k.Value), fmt.Sprintf("the first is on line %d", f.Line))
			continue
		}
		first[k.Value] = k
		out[k.Value] = t.walk(v, k, pointer(ptr, k.Value), depth+1)
	}
	return out
}

var plainNumber = regexp.MustCompile(`^-?(0|[1-9][0-9]{0,17})(\.[0-9]{1,18})?$`)

func (t *tree) scalar(n *yaml.Node) any {
	switch n.Tag {
	case "!!null":
		t.at(n, "nothing stands here", "write a value, or leave the key out")
		return nil
	case "!!bool":
		return n.Value == "true" || n.Value == "True" || n.Value == "TRUE"
	case "!!int", "!!float":
		if !plainNumber.MatchString(n.Value) {
			t.at(n, fmt.Sprintf("%s is read differently by different programs", n.Value), "write the number plainly, as in 250 or 0.05, or quote it")
			return nil
		}
		return json.Number(n.Value)
	}
	for _, r := range n.Value {
		if r < 0x20 && r != '\n' || r >= 0x7f && r <= 0x9f {
			t.at(n, fmt.Sprintf("a control character (U+%04X) is written here", r), "take it out")
			return ""
		}
	}
	return n.Value
}
