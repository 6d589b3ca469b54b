package wording

import (
	"strings"

	"github.com/rivo/uniseg"
)

// Width is how many columns of a terminal a text takes.
func Width(s string) int { return uniseg.StringWidth(s) }

// Indented is a text in lines of at most width columns, 0 for 80: the first
// behind a mark, the others under it, each with its line end.
func Indented(mark, text string, width int) string {
	if width <= 0 {
		width = 80
	}
	indent := strings.Repeat(" ", min(Width(mark), 8))
	var b strings.Builder
	for i, l := range Wrap(text, max(40, width)-max(Width(mark), Width(indent))) {
		if i == 0 {
			l = mark + l
		} else {
			l = indent + l
		}
		b.WriteString(strings.TrimRight(l, " ") + "\n")
	}
	return b.String()
}

// Wrap breaks a text at spaces, not at no-break ones, into lines of at most
// width columns; a longer word is cut.
func Wrap(s string, width int) []string {
	width = max(width, 1)
	var out []string
	for para := range strings.SplitSeq(s, "\n") {
		line := ""
		for w := range strings.SplitSeq(glue.Replace(para), " ") {
			if w == "" {
				continue
			}
			w = strings.ReplaceAll(w, glued, " ")
			for Width(w) > width {
				if line != "" {
					out, line = append(out, line), ""
				}
				head, rest := Cut(w, width)
				out, w = append(out, head), rest
			}
			switch {
			case line == "":
				line = w
			case Width(line)+1+Width(w) > width:
				out, line = append(out, line), w
			default:
				line += " " + w
			}
		}
		out = append(out, line)
	}
	return out
}

// glued stands for a space that no line ends at: a number stays with its sign of
// comparison and with its percent.
const glued = "\x00"

var glue = strings.NewReplacer(" = ", glued+"="+glued, " < ", glued+"<"+glued, " > ", glued+">"+glued, " %", glued+"%")

// Cut splits a text after at most width columns, between what a reader takes for
// characters.
func Cut(s string, width int) (head, rest string) {
	used := 0
	state := -1
	for rest = s; rest != ""; {
		cluster, tail, w, next := uniseg.FirstGraphemeClusterInString(rest, state)
		if used+w > width && head != "" {
			return head, rest
		}
		head, rest, state = head+cluster, tail, next
		used += w
	}
	return head, ""
}
