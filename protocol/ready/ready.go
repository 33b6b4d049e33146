// Package ready holds the documents that come with the tool: a protocol, the
// catalogue of cautions, health-based and recommended values, and a scoring.
// They are documents like any other: a bench adds them to its ledger, and may
// write its own.
package ready

import (
	"embed"
	"io/fs"
	"strings"

	"tapledger/protocol"
)

//go:embed cautions/*.yaml documents/*.yaml
var files embed.FS

// Files returns every ready document with its path inside the package, sorted:
// the cautions first, which the protocols refer to.
func Files() []protocol.File {
	var out []protocol.File
	err := fs.WalkDir(files, ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(p, ".yaml") {
			return err
		}
		b, err := files.ReadFile(p)
		if err != nil {
			return err
		}
		out = append(out, protocol.File{Name: p, Bytes: b})
		return nil
	})
	if err != nil {
		panic(err) // the embedded folder is part of the program
	}
	return out
}
