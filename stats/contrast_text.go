package stats

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// ContrastFault says what is wrong with the text of a contrast.
type ContrastFault string

// The faults of the text of a contrast.
const (
	ContrastEmpty            ContrastFault = "empty"
	ContrastUnknownTreatment ContrastFault = "unknown treatment"
	ContrastNumber           ContrastFault = "not a number"
	ContrastSum              ContrastFault = "does not sum to zero"
	ContrastNothing          ContrastFault = "nothing compared"
)

// ContrastError is a contrast that cannot be read. Exists lists the treatments
// there are; Sum is the sum of the coefficients, and Instead a contrast with
// the same sides that sums to zero, where that is what is wrong.
type ContrastError struct {
	Text    string
	Fault   ContrastFault
	Part    string // the part of the text at fault
	Exists  []string
	Sum     float64
	Instead string
}

func (e *ContrastError) Error() string {
	switch e.Fault {
	case ContrastEmpty:
		return fmt.Sprintf("contrast %q is empty: write treatments with + and -, for example %s", e.Text, example(e.Exists))
	case ContrastUnknownTreatment:
		return fmt.Sprintf("contrast %q: there is no treatment %q; the treatments are %s", e.Text, e.Part, listed(e.Exists))
	case ContrastNumber:
		return fmt.Sprintf("contrast %q: %q is not a number to multiply a treatment by; the treatments are %s", e.Text, e.Part, listed(e.Exists))
	case ContrastNothing:
		return fmt.Sprintf("contrast %q: every treatment in it cancels out, so nothing is compared", e.Text)
	}
	if e.Instead == "" {
		return fmt.Sprintf("contrast %q has treatments on one side only: write what they are compared with after a minus", e.Text)
	}
	return fmt.Sprintf("contrast %q: what is added and what is taken away must be as many, but the sum is %g; write for example %q", e.Text, e.Sum, e.Instead)
}

// example is a contrast of the first treatments, for an error text.
func example(treatments []string) string {
	switch len(treatments) {
	case 0, 1:
		return "A + B - 2 C"
	case 2:
		return quoted(treatments[0]) + " - " + quoted(treatments[1])
	}
	return fmt.Sprintf("%s + %s - 2 %s", quoted(treatments[0]), quoted(treatments[1]), quoted(treatments[2]))
}

// ParseContrast reads a contrast as a person writes it: a name and a colon,
// which may be left out, then treatments with + and - between them, each with
// a number before it where it takes part more than once.
//
//	mulches: RYE + RYEVETCH - BARE - BARE
//	RYE + RYEVETCH - 2 BARE
//	legume: 1/2 RYEVETCH + 1/2 "OAT + PEA" - RYE
//
// Treatments are found whatever their case and spacing; one with a sign in its
// name is found too, or stands in quotes. The coefficients must sum to zero.
// The error is a *ContrastError, and its text names what exists.
func ParseContrast(text string, treatments []string) (Question, error) {
	head, rest, named := strings.Cut(text, ":")
	if !named {
		return readContrast(text, "", text, treatments)
	}
	// The colon may belong to the name of a treatment.
	if q, err := readContrast(text, "", text, treatments); err == nil {
		return q, nil
	}
	return readContrast(text, cleanLabel(head), rest, treatments)
}

// readContrast reads the part of the text after the name.
func readContrast(text, name, rest string, treatments []string) (Question, error) {
	q := Question{Name: name, Weights: map[string]float64{}}
	fail := func(fault ContrastFault, part string) (Question, error) {
		return Question{}, &ContrastError{Text: text, Fault: fault, Part: part, Exists: slices.Clone(treatments)}
	}
	p := contrastReader{names: treatments, rest: strings.TrimSpace(rest)}
	if p.rest == "" {
		return fail(ContrastEmpty, "")
	}
	if q.Name == "" {
		q.Name = cleanLabel(p.rest)
	}
	for first := true; p.rest != ""; first = false {
		sign, ok := p.sign()
		if !ok && !first {
			return fail(ContrastUnknownTreatment, p.word())
		}
		weight := 1.0
		name, ok := p.treatment()
		if !ok {
			var part string
			if weight, part, ok = p.number(); !ok {
				return fail(ContrastNumber, part)
			}
			if name, ok = p.treatment(); !ok {
				return fail(ContrastUnknownTreatment, p.word())
			}
		}
		q.Weights[name] += sign * weight
	}
	var sum, added, taken, size float64
	for _, w := range q.Weights {
		sum += w
		size = max(size, math.Abs(w))
		if w > 0 {
			added += w
		} else {
			taken -= w
		}
	}
	if size == 0 {
		return fail(ContrastNothing, "")
	}
	if math.Abs(sum) > 1e-9*size {
		e := &ContrastError{Text: text, Fault: ContrastSum, Sum: sum, Exists: slices.Clone(treatments)}
		if added > 0 && taken > 0 {
			e.Instead = balancedText(q.Weights, treatments, added, taken)
		}
		return Question{}, e
	}
	for name, w := range q.Weights {
		if w == 0 {
			delete(q.Weights, name)
		}
	}
	return q, nil
}

// balancedText writes the contrast with either side multiplied so that both
// weigh the same.
func balancedText(weights map[string]float64, treatments []string, added, taken float64) string {
	whole := make(map[string]float64, len(weights))
	least := math.Inf(1)
	for t, w := range weights {
		if w > 0 {
			whole[t] = w * taken
		} else {
			whole[t] = w * added
		}
		if w != 0 {
			least = min(least, math.Abs(whole[t]))
		}
	}
	// Whole coefficients are divided by what they share.
	for d := math.Floor(least); d > 1 && d <= 1000; d-- {
		shared := true
		for _, w := range whole {
			shared = shared && math.Mod(w, d) == 0
		}
		if shared {
			for t := range whole {
				whole[t] /= d
			}
			break
		}
	}
	var b strings.Builder
	for _, t := range treatments {
		w := whole[t]
		if w == 0 {
			continue
		}
		switch {
		case b.Len() == 0 && w < 0:
			b.WriteString("-")
		case w < 0:
			b.WriteString(" - ")
		case b.Len() > 0:
			b.WriteString(" + ")
		}
		if math.Abs(w) != 1 {
			fmt.Fprintf(&b, "%g ", math.Abs(w))
		}
		b.WriteString(quoted(t))
	}
	return b.String()
}

// quoted puts a name in quotes where it would be read as more than a name.
func quoted(name string) string {
	if strings.ContainsAny(name, `+-−–:"*`) || name != "" && unicode.IsDigit(rune(name[0])) {
		return `"` + name + `"`
	}
	return name
}

// contrastReader reads a contrast from the left.
type contrastReader struct {
	rest  string
	names []string
}

// sign takes a sign, plus where there is none.
func (p *contrastReader) sign() (float64, bool) {
	p.rest = strings.TrimSpace(p.rest)
	r, size := utf8.DecodeRuneInString(p.rest)
	switch r {
	case '+':
		p.rest = strings.TrimSpace(p.rest[size:])
		return 1, true
	case '-', '−', '–':
		p.rest = strings.TrimSpace(p.rest[size:])
		return -1, true
	}
	return 1, false
}

// treatment takes the longest treatment's name that the text begins with and
// that a sign or the end follows.
func (p *contrastReader) treatment() (string, bool) {
	p.rest = strings.TrimSpace(p.rest)
	if strings.HasPrefix(p.rest, `"`) {
		if end := strings.Index(p.rest[1:], `"`); end >= 0 {
			want := cleanLabel(p.rest[1 : 1+end])
			for _, n := range p.names {
				if strings.EqualFold(cleanLabel(n), want) {
					p.rest = strings.TrimSpace(p.rest[end+2:])
					return n, true
				}
			}
		}
		return "", false
	}
	best, longest := "", -1
	for _, n := range p.names {
		if l, ok := prefixLength(p.rest, cleanLabel(n)); ok && l > longest {
			after := strings.TrimSpace(p.rest[l:])
			r, _ := utf8.DecodeRuneInString(after)
			if after == "" || strings.ContainsRune("+-−–", r) {
				best, longest = n, l
			}
		}
	}
	if longest < 0 {
		return "", false
	}
	p.rest = strings.TrimSpace(p.rest[longest:])
	return best, true
}

// prefixLength is the length of text taken up by name at its start, whatever
// the case, with any run of spaces for one.
func prefixLength(text, name string) (int, bool) {
	at := 0
	for _, want := range name {
		if unicode.IsSpace(want) {
			trimmed := strings.TrimLeftFunc(text[at:], unicode.IsSpace)
			if len(trimmed) == len(text[at:]) {
				return 0, false
			}
			at = len(text) - len(trimmed)
			continue
		}
		r, size := utf8.DecodeRuneInString(text[at:])
		if size == 0 || !strings.EqualFold(string(r), string(want)) {
			return 0, false
		}
		at += size
	}
	return at, at > 0
}

// number takes a number or a fraction, and a * after it.
func (p *contrastReader) number() (value float64, part string, ok bool) {
	end := strings.IndexFunc(p.rest, func(r rune) bool { return !(unicode.IsDigit(r) || r == '.' || r == '/') })
	if end == 0 || p.rest == "" {
		// No number at all: the treatment is what cannot be found.
		return 1, "", true
	}
	if end < 0 {
		end = len(p.rest)
	}
	part = p.rest[:end]
	top, bottom, isFraction := strings.Cut(part, "/")
	v, err := strconv.ParseFloat(top, 64)
	if err == nil && isFraction {
		var d float64
		d, err = strconv.ParseFloat(bottom, 64)
		v /= d
	}
	if err != nil || !finite(v) {
		return 0, part, false
	}
	p.rest = strings.TrimSpace(p.rest[end:])
	p.rest = strings.TrimSpace(strings.TrimPrefix(p.rest, "*"))
	return v, part, true
}

// word is the next word, for an error text.
func (p *contrastReader) word() string {
	rest := strings.TrimSpace(p.rest)
	if i := strings.IndexAny(rest, "+-−–"); i > 0 {
		rest = rest[:i]
	}
	return strings.TrimSpace(rest)
}
