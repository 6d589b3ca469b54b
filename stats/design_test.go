package stats

import (
	"fmt"
	"testing"
)

// A block of which nothing is known is no block of the comparison, and its plots
// are not told one by one.
func TestBlockWithoutData(t *testing.T) {
	var rows []Row
	for b := range 4 {
		for i, name := range []string{"A", "B", "C"} {
			rows = append(rows, Row{Plot: fmt.Sprintf("%d%d", b+1, i), Treatment: name, Block: fmt.Sprint(b + 1), Value: float64(3*i + b*i%2 + b), Missing: b == 1 || b == 3 && i == 0})
		}
	}
	d, err := Recognise(rows)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Empty) != 1 || d.Empty[0] != "2" || d.Kind != CompleteBlocks {
		t.Errorf("%s, empty blocks %v", d.Kind, d.Empty)
	}
	if want := "3 treatments in 3 complete blocks, no data in block 2, plot 40 missing, residual df 3"; d.Words != want {
		t.Errorf("got  %q\nwant %q", d.Words, want)
	}
}

// One of two blocks without data leaves one, and that is what is said to be too
// few.
func TestOneBlockWithData(t *testing.T) {
	said := map[bool]string{}
	for _, second := range []bool{false, true} {
		var rows []Row
		for b := range 1 + map[bool]int{true: 1}[second] {
			for i, name := range []string{"A", "B", "C"} {
				rows = append(rows, Row{Plot: fmt.Sprint(b, i), Treatment: name, Block: fmt.Sprint(b), Value: float64(i), Missing: b == 1})
			}
		}
		d, err := Recognise(rows)
		if err != nil || len(d.Warnings) == 0 {
			t.Fatal(err, d.Warnings)
		}
		said[second] = d.Warnings[0]
	}
	if said[true] != said[false] {
		t.Errorf("with a block without data %q, without it %q", said[true], said[false])
	}
}
