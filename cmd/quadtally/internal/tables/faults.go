package tables

import (
	"fmt"
	"slices"
	"strings"
)

// FaultGroup is one fault with all the rows that have it.
type FaultGroup struct {
	Lines []int  `json:"lines,omitempty"` // ascending; nil: the file as a whole
	Text  string `json:"text"`
}

// GroupFaults brings faults with one text together, in the order of their first
// rows.
func GroupFaults(list []Fault) []FaultGroup {
	at := map[string]int{}
	var out []FaultGroup
	for _, f := range list {
		i, ok := at[f.Text]
		if !ok {
			i = len(out)
			at[f.Text] = i
			out = append(out, FaultGroup{Text: f.Text})
		}
		if f.Line > 0 && !slices.Contains(out[i].Lines, f.Line) {
			out[i].Lines = append(out[i].Lines, f.Line)
		}
	}
	for i := range out {
		slices.Sort(out[i].Lines)
	}
	slices.SortStableFunc(out, func(a, b FaultGroup) int { return firstOf(a.Lines) - firstOf(b.Lines) })
	return out
}

func firstOf(lines []int) int {
	if len(lines) == 0 {
		return 0
	}
	return lines[0]
}

// Rows names the rows: "row 7", "rows 2 to 61", "rows 3, 5 to 9 and 12"; "" for
// the file as a whole.
func (g FaultGroup) Rows() string {
	var runs []string
	for i := 0; i < len(g.Lines); {
		j := i
		for j+1 < len(g.Lines) && g.Lines[j+1] == g.Lines[j]+1 {
			j++
		}
		switch {
		case j > i+1:
			runs = append(runs, fmt.Sprintf("%d to %d", g.Lines[i], g.Lines[j]))
		case j == i+1:
			runs = append(runs, fmt.Sprint(g.Lines[i]), fmt.Sprint(g.Lines[j]))
		default:
			runs = append(runs, fmt.Sprint(g.Lines[i]))
		}
		i = j + 1
	}
	switch {
	case len(runs) == 0:
		return ""
	case len(g.Lines) == 1:
		return "row " + runs[0]
	case len(runs) == 1:
		return "rows " + runs[0]
	}
	return "rows " + strings.Join(runs[:len(runs)-1], ", ") + " and " + runs[len(runs)-1]
}
