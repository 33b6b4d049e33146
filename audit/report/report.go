// Package report makes an edition's pages and tables from its core, and from
// nothing else: no file, no clock, nothing from elsewhere. The page is one
// self-contained HTML file without script.
package report

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"strings"

	"tapledger/audit"
	"tapledger/audit/edition"
)

//go:embed page.html.tmpl style.css
var files embed.FS

var page = template.Must(template.ParseFS(files, "page.html.tmpl"))

// IndexPage is the path of the page in an edition's tree.
const IndexPage = "pages/index.html"

// Pages renders an edition: path in the edition's tree ("pages/index.html") ->
// bytes. core holds the files under "core/"; of m, ID, Made and Supersedes are
// shown.
func Pages(core map[string][]byte, m audit.Manifest) (map[string][]byte, error) {
	c, err := edition.ReadCore(core)
	if err != nil {
		return nil, err
	}
	style, err := files.ReadFile("style.css")
	if err != nil {
		return nil, err
	}
	v := newView(c, m)
	v.Style = template.CSS(style)
	var b bytes.Buffer
	if err := page.Execute(&b, v); err != nil {
		return nil, fmt.Errorf("page of edition %s: %w", m.ID, err)
	}
	return map[string][]byte{IndexPage: squeeze(b.Bytes())}, nil
}

// squeeze takes out the lines that a template leaves empty.
func squeeze(b []byte) []byte {
	var out bytes.Buffer
	for line := range strings.Lines(string(b)) {
		if strings.TrimSpace(line) != "" {
			out.WriteString(line)
		}
	}
	return out.Bytes()
}
