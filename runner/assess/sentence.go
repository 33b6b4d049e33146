package assess

import (
	"strings"
)

// Sentence makes a finding's sentence from its code and arguments. It is the
// one place where codes become words: at most one sentence, in trade words.
// For a code that is not in the table it says so.
func Sentence(f Finding) string {
	c, ok := byCode[f.Code]
	if !ok {
		return "Nothing is known about the code " + f.Code + "."
	}
	args := map[string]string{}
	for _, a := range f.Args {
		args[a.Name] = a.Text
	}
	for name, text := range map[string]string{"value": f.Value, "low": f.Low, "high": f.High, "unit": f.Unit} {
		if _, given := args[name]; !given {
			args[name] = text
		}
	}
	speak(args)
	args["span"] = Span(args["low"], args["high"])
	if lacks := args["lacks"]; lacks != "" {
		var words []string
		for _, l := range strings.Fields(lacks) {
			words = append(words, lackWords[l])
		}
		args["lacks"] = strings.Join(words, " and ")
	}
	if w := args["warning"]; w != "" {
		args["warning"] = warned(w, args)
	}
	return fill(c.Says, args)
}

// speak puts arguments that are words of ours into words; documents' own
// texts and figures stay as they are.
func speak(args map[string]string) {
	for _, name := range []string{"what", "when", "blank", "role", "status", "name", "moved", "draw"} {
		if words, ok := argWords[args[name]]; ok {
			args[name] = words
		}
	}
}

// argWords are the words of arguments that are codes.
var argWords = map[string]string{
	"flow": "Flow at the faucet", "usable_volume": "Usable volume of a full tank", "refill_time": "Refill time",
	"shut_off_drain": "Drain in 30 min after the tank is full", "product_conductivity": "Conductivity at the faucet",
	"product_free_chlorine": "Free chlorine at the faucet", "production": "Production, tank bypassed", "recovery": "Recovery",
	"efficiency": "Efficiency", "conductivity_reduction": "Reduction of conductivity at the faucet",
	"conductivity_reduction_before_filter": "Reduction of conductivity before the last filter",
	"free_chlorine_on_the_bench":           "Free chlorine on the bench", "free_chlorine": "free chlorine",
	"first_draw": "first draw after standing", "flushed_draw": "flushed draw",
	"treated_draw": "the treated draw", "second_draw": "the draw on another day",
	"field_blank": "field blank", "lot_blank": "blank of the bottle lot", "untreated_after": "untreated (after)", "second_day": "second day's",
	"verified-secondary": "as quoted elsewhere", "memory": "from memory, unverified",
}

// Span is what is known of a range, in words: "" for an end is open.
func Span(low, high string) string {
	switch {
	case low == high:
		return low
	case low == "":
		return "up to " + high
	case high == "":
		return low + " or more"
	}
	return low + " to " + high
}

// fill puts arguments into a template; a part in [ ] goes when an argument in
// it is empty.
func fill(says string, args map[string]string) string {
	var b strings.Builder
	for says != "" {
		i := strings.IndexAny(says, "[{")
		if i < 0 {
			b.WriteString(says)
			break
		}
		b.WriteString(says[:i])
		if says[i] == '{' {
			name, rest, _ := strings.Cut(says[i+1:], "}")
			b.WriteString(args[name])
			says = rest
			continue
		}
		part, rest, _ := strings.Cut(says[i+1:], "]")
		if whole(part, args) {
			b.WriteString(fill(part, args))
		}
		says = rest
	}
	return b.String()
}

func whole(part string, args map[string]string) bool {
	for _, name := range placeholders(part) {
		if args[name] == "" {
			return false
		}
	}
	return true
}

// placeholders lists the arguments that a template names.
func placeholders(says string) []string {
	var out []string
	for {
		_, rest, ok := strings.Cut(says, "{")
		if !ok {
			return out
		}
		var name string
		name, says, _ = strings.Cut(rest, "}")
		out = append(out, name)
	}
}

// MarkWords says what a mark of a finding means.
func MarkWords(mark string) string {
	word, about, _ := strings.Cut(mark, ":")
	if words := statusWords[mark]; words != "" {
		return words
	}
	said := markWords[word]
	if said == "" {
		said = word
	}
	if word == "assumed" && assumptions[about] != "" {
		about = assumptions[about]
	}
	if about == "" {
		return said
	}
	return said + ": " + about
}

// Fill puts arguments into words: {name} stands for an argument, and what
// stands in [ ] is left out when an argument in it is empty.
func Fill(says string, list []Arg) string {
	args := map[string]string{}
	for _, a := range list {
		args[a.Name] = a.Text
	}
	return fill(says, args)
}
