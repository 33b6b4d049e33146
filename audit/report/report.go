// Package report makes an edition's pages and tables from its core, and from
// nothing else.
package report

import (
	"errors"

	"tapledger/audit"
)

// Pages renders an edition: path in the edition's tree ("pages/index.html") ->
// bytes. core holds the files under "core/"; of m, ID, Made and Supersedes are
// shown.
func Pages(core map[string][]byte, m audit.Manifest) (map[string][]byte, error) {
	return nil, errors.New("report: not built yet")
}

// Text is the table of scores for a terminal.
func Text(core map[string][]byte) (string, error) { return "", errors.New("report: not built yet") }
