// Package schemas holds the JSON Schemas (draft 2020-12) of every kind of
// document, embedded.
//
// Beyond the draft they use extension keywords, which a checker that does not
// know them ignores: x-quantity (a number with a unit), x-dimension (and which
// dimension), x-unit (a unit code), x-decimal (a plain decimal, kept as
// written), x-expression (checked with the protocol's own environment) and
// x-says (what to say when the text does not have the form).
package schemas

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"strings"
)

//go:embed *.schema.json
var files embed.FS

// Base is the address under which the schemas name each other. Nothing is ever
// fetched from it.
const Base = "https://tapledger.invalid/schemas/"

const ending = ".schema.json"

// Common is the name of the schema that only holds shared parts.
const Common = "common"

// Names returns every embedded schema's name (kinds and the common parts),
// sorted.
func Names() []string {
	entries, err := files.ReadDir(".")
	if err != nil {
		panic(err) // the embedded folder is part of the program
	}
	var out []string
	for _, e := range entries { // ReadDir sorts
		out = append(out, strings.TrimSuffix(e.Name(), ending))
	}
	return out
}

// Kinds returns the kinds of documents that have a schema, sorted.
func Kinds() []string {
	var out []string
	for _, n := range Names() {
		if n != Common {
			out = append(out, n)
		}
	}
	return out
}

// Bytes returns the schema of that name as it is embedded.
func Bytes(name string) ([]byte, error) {
	b, err := files.ReadFile(name + ending)
	if err != nil {
		return nil, fmt.Errorf("no schema %q; the kinds are %s", name, strings.Join(Kinds(), ", "))
	}
	return b, nil
}

// FileName is the name under which a schema lies in main's schemas folder.
func FileName(name string) string { return name + ending }

// Hash pins all schemas at once: "sha256:<hex>" over the bytes of the files,
// one after the other, sorted by name.
func Hash() string {
	h := sha256.New()
	for _, n := range Names() {
		b, err := Bytes(n)
		if err != nil {
			panic(err)
		}
		h.Write(b)
	}
	return "sha256:" + hex.EncodeToString(h.Sum(nil))
}
