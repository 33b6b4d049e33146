package main

import (
	"flag"
	"fmt"
	"html/template"
	"os"
	"strings"

	"tapledger/runner/bench"
)

var verbLabel = verb{
	name: "label", args: "RUN [DRAW]", says: "labels for the bottles of a draw, before it is drawn: code, point, preservative",
	text: `Each label has a code that is the same each time it is printed. A bottle that holds
acid says so in words; the laboratory's own hazard label stays uncovered. Sample ids
are made later, by hand-over.`,
	example: `tapledger label alder-1 first_draw
tapledger label alder-1 --html labels.html`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		html := fs.String("html", "", "write the labels for printing into `file`")
		return func(c *call) error {
			if err := c.want(1, 2); err != nil {
				return err
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			step := ""
			if len(c.args) == 2 {
				step = c.args[1]
			}
			labels, err := b.Labels(run, step)
			if err != nil {
				return err
			}
			if *html != "" {
				var s strings.Builder
				if err := labelPage.Execute(&s, labels); err != nil {
					return err
				}
				if err := os.WriteFile(*html, []byte(s.String()), 0o644); err != nil {
					return err
				}
			}
			return c.show(labels, "%s", labelText(labels))
		}
	},
}

func labelText(labels []bench.Label) string {
	var s strings.Builder
	for _, l := range labels {
		fmt.Fprintf(&s, "%s  %s of %s, try %d\n        run %s, unit %s\n", strings.ToUpper(l.Code), l.Bottle, l.Step, l.Try, l.Run, l.Unit)
		if l.Point != "" {
			fmt.Fprintf(&s, "        point %s\n", l.Point)
		}
		fmt.Fprintf(&s, "        %s, %s; hold %s\n        drawn ____-__-__ __:__ by ____\n", l.Volume, l.Preservative, l.Hold)
		for _, w := range l.Words {
			fmt.Fprintf(&s, "        %s\n", w)
		}
		s.WriteString("\n")
	}
	if len(labels) == 0 {
		s.WriteString("every draw of this run is drawn\n")
	}
	return s.String()
}

var labelPage = template.Must(template.New("labels").Funcs(template.FuncMap{"upper": strings.ToUpper}).Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Bottle labels</title>
<style>
@page { margin: 8mm }
body { font: 10pt/1.25 sans-serif; margin: 0 }
.label { border: 0.3mm solid #000; width: 85mm; min-height: 42mm; padding: 3mm; margin: 2mm; display: inline-block; vertical-align: top; break-inside: avoid }
.code { font: bold 20pt monospace; letter-spacing: 1mm }
.care { border-top: 0.3mm solid #000; margin-top: 1.5mm; padding-top: 1mm; font-weight: bold }
</style></head><body>
{{range .}}<div class="label"><div class="code">{{upper .Code}}</div>
<div>{{.Bottle}} of {{.Step}}, try {{.Try}}{{if .Point}}, point {{.Point}}{{end}}</div>
<div>run {{.Run}}</div><div>unit {{.Unit}}</div>
<div>{{.Volume}}, {{.Preservative}}; hold {{.Hold}}</div>
<div>drawn ______________ by ______ lot ________</div>
{{range .Words}}<div class="care">{{.}}</div>{{end}}</div>
{{end}}<p>Leave the laboratory's hazard label uncovered.</p></body></html>
`))
