package report

import (
	"encoding/xml"
	"io"
	"regexp"
	"strings"
	"testing"

	"tapledger/audit"
	"tapledger/audit/edition"
	"tapledger/runner/assess"
)

func render(t *testing.T, c edition.Core) string {
	t.Helper()
	files, err := Pages(encode(t, c), audit.Manifest{ID: "spring-2", Made: "2026-04-10T09:00:01.000Z", Supersedes: "spring"})
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != 1 || files[IndexPage] == nil {
		t.Fatalf("files %v", len(files))
	}
	return string(files[IndexPage])
}

func TestPageShowsWhatTheCoreHolds(t *testing.T) {
	page := render(t, sample())
	for _, part := range []string{
		"<strong>Simulated: invented data.</strong>", "<title>Simulated: ", "Edition spring-2, made 2026-04-10T09:00:01.000Z, supersedes spring",
		`<span class="big">72</span> of 100<span class="range">from 62 to 80</span>`, `aria-label="72 of 100, from 62 to 80"`,
		`<rect class="span" x="62%" y="7" width="18%"`, `<line class="at" x1="72%"`, "9.50 points more on either side",
		"Band: 60 and above. 55.0 L treated at the draw; 1.4 % of the rated life of part membrane.", "Bands: below 60, or 60 and above.", "Held to at most 80. More nickel after than before.",
		"Possible: rank 1 to 2", "Possible: rank 3", "at least 72 %", "100.00 % of the weights, measured", "0 % gives 0, 100 % gives 100",
		"Nickel, reduction: Nickel does not count in this campaign (the feed held too little, in alder-1).", "20 ± 2.1 ug/L", "Reduced by at least 96.6 %, the treated sample being below 0.6 ug/L.",
		"Higher in the treated sample, cause not determined; not confirmed, because there is no second draw on another day (6.0 ug/L against 3.0 ug/L).",
		"What product and drain carry fits the feed within its uncertainty for: lead.", "Flow at the faucet: 1.9 L/min.",
		"alder-1, run r, record 7, by mk 2026-03-02T09:14:07.482Z: tray. Reason: a tub was used", "What was never entered cannot be seen.",
		"tapledger trace spring-2 UNIT.score", "Do not rely on this water for drinking", "not a certification",
	} {
		if !strings.Contains(page, part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	if strings.Contains(page, "<b>") || !strings.Contains(page, "Three invented units &lt;b&gt;&amp;amp; more") {
		t.Error("text of a document is not escaped")
	}
}

// What lies above a health-based value comes before everything else, lead and
// nitrate first; a sentence comes before its marks.
func TestOrder(t *testing.T) {
	page := render(t, sample())
	order := []string{"Simulated: invented data", "Above a health-based value</h2>", "cedar-1: Lead: above", "alder-1: Nickel: above", "Do not rely on this water", "<h2>Scores</h2>",
		"alder-1</p>", "birch-1</p>", "cedar-1</p>", "<h2>What was measured</h2>", "<h2>What this rests on</h2>", "<h2>Cautions</h2>"}
	at := 0
	for _, part := range order {
		i := strings.Index(page[at:], part)
		if i < 0 {
			t.Fatalf("%q does not come after what stands before it in %q", part, order)
		}
		at += i
	}
	said := strings.Index(page, "Reduced by at least 96.6 %")
	mark := strings.Index(page, "Assumed by the bench: the laboratory&#39;s uncertainty")
	need := strings.Index(page, "To say more: a lower limit for the treated sample")
	if said < 0 || mark < said || need < mark {
		t.Errorf("sentence at %d, marks at %d, needs at %d", said, mark, need)
	}
	if n := strings.Count(page, `<li class="rank">`); n != 2 {
		t.Errorf("%d rows of ranks; units that share a rank are one row", n)
	}
}

var forbidden = regexp.MustCompile(`(?i)\b(safe|unsafe|pure|purity|healthy|detox|certified|compliant|approved|recommended|toxic|leaching|badge|medal|stars?|grade [A-F]|best for|pros and cons|thumbs?)\b|times the`)

func TestPageIsPlain(t *testing.T) {
	page := render(t, sample())
	for _, part := range []string{"<script", "http:", "https:", "src=", "@import", "url(", "<img", "<link", "<iframe", "onclick", "<form"} {
		if strings.Contains(page, part) {
			t.Errorf("the page holds %q: it is one file without script or outside asset", part)
		}
	}
	if w := forbidden.FindString(page); w != "" {
		t.Errorf("the page says %q", w)
	}
	for _, part := range []string{"prefers-color-scheme: dark", "@media print", "max-width: 44rem", `lang="en"`, `name="viewport"`} {
		if !strings.Contains(page, part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	for _, line := range strings.Split(strings.TrimSuffix(page, "\n"), "\n") {
		if strings.TrimSpace(line) == "" {
			t.Error("an empty line")
		}
	}
}

// Elements are closed in the order in which they were opened.
func TestPageIsWellFormed(t *testing.T) {
	d := xml.NewDecoder(strings.NewReader(render(t, sample())))
	d.Strict, d.AutoClose, d.Entity = false, []string{"meta", "!DOCTYPE"}, xml.HTMLEntity
	var open []string
	for {
		tok, err := d.RawToken()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			if x.Name.Local != "meta" {
				open = append(open, x.Name.Local)
			}
		case xml.EndElement:
			if n := len(open); n == 0 || open[n-1] != x.Name.Local {
				t.Fatalf("</%s> closes %v", x.Name.Local, open)
			}
			open = open[:len(open)-1]
		}
	}
	if len(open) > 0 {
		t.Errorf("left open: %v", open)
	}
}

func TestOnlySimulatedSaysSo(t *testing.T) {
	c := sample()
	c.Basis.Simulated, c.Scores.Simulated, c.Findings.Simulated, c.Statements.Simulated = "no", "no", "no", "no"
	c.Statements.Statements = c.Statements.Statements[1:]
	if page := render(t, c); strings.Contains(page, "Simulated") {
		t.Error("a real edition says that it is simulated")
	}
	text, err := Text(encode(t, c))
	if err != nil || strings.Contains(text, "Simulated") {
		t.Errorf("%v\n%s", err, text)
	}
}

const wantText = `Simulated: invented data.

Three invented units <b>&amp; more
An invented bench. 3 units, each one item, by the protocol small 1.0.0; scoring plain 1.0.0.

! cedar-1: LEAD
! alder-1: NICKEL
  Do not rely on this water for drinking until your supplier has advised.

possible     unit     score                         0         25        50        75       100
rank 1 to 2  alder-1  72 of 100, from 62 to 80      .........................====|===........  Band: 60 and above
             birch-1  60 of 100, from 50 to 70      ....................====|====............  Bands: below 60, or 60 and above
rank 3       cedar-1  20 of 100, from 10 to 30      ....====|====............................  Band: below 60

  Possible ranks: the best is one more than the number of units whose range lies wholly above;
  the worst is the number of all units less those whose range lies wholly below. Ranges that
  touch leave either order open. Units with the same possible ranks stand in one group.
  alder-1: Held to at most 80. More nickel after than before.

Left out for all units
  Nickel, reduction: Nickel does not count in this campaign (the feed held too little, in alder-1).

  One unit, one place; not a certification, compliance or medical statement.
`

func TestTextForTheTerminal(t *testing.T) {
	got, err := Text(encode(t, sample()))
	if err != nil {
		t.Fatal(err)
	}
	want := wantText // sentences are the assessment's own
	for _, f := range append(sample().Findings.Runs[0].Findings, sample().Findings.Runs[2].Findings...) {
		if f.Code == "margin_above" {
			want = strings.Replace(want, strings.ToUpper(f.Subject), assess.Sentence(f), 1)
		}
	}
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestSameCoreSamePage(t *testing.T) {
	first := render(t, sample())
	if second := render(t, sample()); first != second {
		t.Error("two pages of one core differ")
	}
}

func TestMissingCore(t *testing.T) {
	files := encode(t, sample())
	delete(files, edition.FindingsFile)
	if _, err := Pages(files, audit.Manifest{}); err == nil || !strings.Contains(err.Error(), edition.FindingsFile) {
		t.Errorf("%v", err)
	}
	files = encode(t, sample())
	files[edition.BasisFile] = []byte(`{"format":"edition/9"}`)
	if _, err := Text(files); err == nil || !strings.Contains(err.Error(), "edition/9") {
		t.Errorf("%v", err)
	}
}
