package report

import (
	"bytes"
	"strings"
	"testing"
)

func onTerminal(t *testing.T, d Document, width int) string {
	t.Helper()
	var b bytes.Buffer
	if err := WriteText(&b, d, Terminal{Width: width}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestTextTable(t *testing.T) {
	table := Table{Caption: "Means", Columns: headed("Treatment", "Plots", "Mean", "95 % interval"), Rows: []Row{
		cells("BARE", "4", "18.7", "15.9 to 21.6"), cells("RYEVETCH", "4", "7.75", "4.90 to 10.6"), cells("STRAW", "12", "−0.3", "–")}}
	got := onTerminal(t, Document{Sections: []Section{{ID: "x", Blocks: []Block{table}}}}, 80)
	want := `Means
Treatment  Plots   Mean  95 % interval
BARE           4  18.7   15.9 to 21.6
RYEVETCH       4   7.75   4.90 to 10.6
STRAW         12  −0.3               –
`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// No line is wider than asked, nothing of a table is lost, and no number is
// broken, at every width from the least on.
func TestTextWidths(t *testing.T) {
	table := Table{Caption: "Pairs of treatments with a caption that is longer than the narrowest terminal", Columns: headed("Pair", "Difference", "SED", "t", "p alone", "p adjusted", "95 % interval", "Shown"), Note: strings.Repeat("note ", 40)}
	table.Columns[7].Numeric = false
	for _, n := range []string{"RYE − BARE", "RYEVETCH − STRAW", "BARLEY − RYEVETCH"} {
		table.Rows = append(table.Rows, cells(n, "−12.34", "2.681", "−4.60", "< .001", ".004", "−20.1 to −4.58", "not shown to differ"))
	}
	d := Document{Title: "Comparison of treatments", Facts: Facts{{"Site", "Alder Bend trial ground, the lower field by the old ditch"}}, Sections: []Section{{ID: "s", Title: "A title", Blocks: []Block{
		Text{Tone: Lead, Text: strings.Repeat("answer ", 30)}, Text{Tone: Caution, Text: strings.Repeat("caution ", 30)}, List{Items: []string{strings.Repeat("item ", 30)}}, table}}}}
	for width := least; width <= 130; width++ {
		text := onTerminal(t, d, width)
		for l := range strings.Lines(text) {
			if n := columns(strings.TrimRight(l, "\n")); n > width {
				t.Fatalf("width %d: %d columns: %q", width, n, l)
			}
		}
		for _, want := range []string{"−12.34", "2.681", "−20.1 to −4.58", "< .001", ".004"} {
			if n := strings.Count(text, want); n != 3 {
				t.Fatalf("width %d: %q stands %d times, not 3:\n%s", width, want, n, text)
			}
		}
	}
}

func TestWrap(t *testing.T) {
	for _, c := range []struct {
		s     string
		width int
		want  string
	}{
		{"one two three", 8, "one two|three"}, {"59\u00a0% of the ground", 6, "59\u00a0%|of the|ground"}, {"abcdefghij kl", 4, "abcd|efgh|ij|kl"},
		{"", 5, ""}, {"a\nb", 5, "a|b"}, {"日本語テキスト", 4, "日本|語テ|キス|ト"}, {"x", 0, "x"},
	} {
		if got := strings.Join(wrap(c.s, c.width), "|"); got != c.want {
			t.Errorf("%q in %d: %q, want %q", c.s, c.width, got, c.want)
		}
	}
}

func TestTextBold(t *testing.T) {
	var b bytes.Buffer
	d := Document{Sections: []Section{{ID: "s", Blocks: []Block{Text{Tone: Caution, Text: "mind this"}, Text{Tone: Plain, Text: "plain"}}}}}
	if err := WriteText(&b, d, Terminal{Bold: true}); err != nil || b.String() != "! \x1b[1mmind this\x1b[0m\n\nplain\n" {
		t.Errorf("%q %v", b.String(), err)
	}
}
