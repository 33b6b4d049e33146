package quantity

import (
	"fmt"
	"strings"
)

// microAsU00B5 writes the Greek letter mu as the micro sign.
func microAsU00B5(s string) string { return strings.ReplaceAll(s, "\u03bc", "\u00b5") }

// clip keeps what was typed short enough for a message.
func clip(s string) string {
	r := []rune(s)
	if len(r) <= 24 {
		return s
	}
	return string(r[:24]) + "..."
}

func suggestUnit(bad string) string {
	if len(bad) > 20 {
		return ""
	}
	name := Nearest(bad, table.names)
	if name == "" {
		return ""
	}
	code := table.byCode[name].Code
	return fmt.Sprintf("; did you mean %q?", code)
}

// Nearest gives the candidate that differs least from a misspelt word, or ""
// when none is near: at most one change in short words and two in longer ones,
// two letters swapped counting as one, upper and lower case as the same. Among
// equals the candidate that also agrees in case, then the first in the list,
// is taken, so the list must be in a fixed order.
func Nearest(bad string, candidates []string) string {
	best, bestAt := "", 1<<30
	low := strings.ToLower(bad)
	most := 1
	if n := len([]rune(bad)); n > 4 {
		most = 2
	}
	for _, c := range candidates {
		if diff := len(c) - len(bad); diff > 8 || diff < -8 {
			continue
		}
		d := Distance(low, strings.ToLower(c))
		if d > most || d >= len([]rune(bad)) {
			continue
		}
		if at := 100*d + min(Distance(bad, c), 99); at < bestAt {
			best, bestAt = c, at
		}
	}
	return best
}

// Distance counts the changes between two words: a letter more, less, other,
// or two neighbours swapped (optimal string alignment). It takes time and
// memory as the product of their lengths; a caller with text of any length
// bounds it first.
func Distance(a, b string) int {
	ra, rb := []rune(a), []rune(b)
	rows := make([][]int, len(ra)+1)
	for i := range rows {
		rows[i] = make([]int, len(rb)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(ra); i++ {
		for j := 1; j <= len(rb); j++ {
			change := 1
			if ra[i-1] == rb[j-1] {
				change = 0
			}
			rows[i][j] = min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+change)
			if i > 1 && j > 1 && ra[i-1] == rb[j-2] && ra[i-2] == rb[j-1] {
				rows[i][j] = min(rows[i][j], rows[i-2][j-2]+1)
			}
		}
	}
	return rows[len(ra)][len(rb)]
}
