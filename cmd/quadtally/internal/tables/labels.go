package tables

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/trial"
)

// Labels matches what a sheet says to the labels a trial knows.
type Labels struct {
	What  string // "plot", "treatment", "block": for messages
	Known []string

	unified map[string]string
}

// Notes says which spellings were taken for which label, sorted.
func (l *Labels) Notes() []string {
	var out []string
	for from, to := range l.unified {
		out = append(out, fmt.Sprintf("%s %q was taken as %q", l.What, from, to))
	}
	slices.Sort(out)
	return out
}

// Match finds the label a cell means. Case, spaces, hyphens and the ways to
// write an accented letter are tidied (and noted); nothing else is ever repaired
// silently: a label that is not known is refused, with the likely original where
// a spreadsheet has changed it or letters of another alphabet look like it.
func (l *Labels) Match(c Cell) (string, error) {
	text := c.Text
	if !c.Date.IsZero() {
		return "", fmt.Errorf("%s cell holds the date %s: %s", l.What, c.Date, l.likely(candidatesOfDate(int(c.Date.Month), c.Date.Day)))
	}
	if slices.Contains(l.Known, text) {
		return text, nil
	}
	var same []string
	for _, k := range l.Known {
		if trial.NameKey(k) == trial.NameKey(text) {
			same = append(same, k)
		}
	}
	if len(same) > 1 {
		same = slices.DeleteFunc(same, func(k string) bool { return !strings.EqualFold(Tidy(k), Tidy(text)) })
	}
	if len(same) == 1 {
		if l.unified == nil {
			l.unified = map[string]string{}
		}
		l.unified[text] = same[0]
		return same[0], nil
	}
	for _, k := range l.Known {
		if trial.Skeleton(k) == trial.Skeleton(text) && trial.NameKey(k) != trial.NameKey(text) {
			return "", fmt.Errorf("%s %q reads like %q but holds letters of another alphabet: type it again", l.What, text, k)
		}
	}
	return "", fmt.Errorf("%s %q is not in the layout: %s", l.What, text, l.likely(l.candidates(text)))
}

func (l *Labels) likely(cands []string) string {
	var have []string
	for _, c := range cands {
		if slices.Contains(l.Known, c) && !slices.Contains(have, c) {
			have = append(have, c)
		}
	}
	if len(have) == 0 {
		return "check the spelling, or `quadtally map` for the layout"
	}
	return fmt.Sprintf("it looks like %s changed by a spreadsheet; type it again as text", strings.Join(have, " or "))
}

var dayMonth = regexp.MustCompile(`(?i)^(?:(\d{1,2})[- ]([a-z]{3})|([a-z]{3})[- ](\d{1,2}))(?:[- ]\d{2,4})?$`)

// candidates are the labels a spreadsheet may have turned into text.
func (l *Labels) candidates(text string) []string {
	if m := dayMonth.FindStringSubmatch(text); m != nil {
		word, day := m[2], m[1]
		if word == "" {
			word, day = m[3], m[4]
		}
		if mo := month(word); mo > 0 {
			d, _ := strconv.Atoi(day)
			return candidatesOfDate(mo, d)
		}
	}
	if n, err := strconv.ParseFloat(text, 64); err == nil && n == float64(int(n)) {
		var out []string
		for _, k := range l.Known {
			if v, err := strconv.Atoi(k); err == nil && v == int(n) {
				out = append(out, k)
			}
		}
		return out
	}
	return nil
}

func candidatesOfDate(m, d int) []string {
	var out []string
	for _, sep := range []string{"-", "/", "."} {
		out = append(out, fmt.Sprintf("%d%s%d", m, sep, d), fmt.Sprintf("%d%s%d", d, sep, m),
			fmt.Sprintf("%02d%s%02d", m, sep, d), fmt.Sprintf("%02d%s%02d", d, sep, m))
	}
	return out
}
