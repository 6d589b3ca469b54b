package tables

import (
	"bytes"
	"strings"
	"testing"
)

func sample() Table {
	t := Table{Name: "values", Header: []string{"plot", "note", "value"}}
	t.Add("101", "=HYPERLINK(\"http://x\")", 0.1)
	t.Add("007", "@sum, \"quoted\"\nnew line", -2.5)
	t.Add("1-2", "'already", nil)
	t.Add("-cmd", "plain", 1e-9)
	return t
}

// TestNoFormulaEver: whatever a user typed, a spreadsheet must read it as text.
func TestNoFormulaEver(t *testing.T) {
	var buf bytes.Buffer
	if err := WriteCSV(&buf, sample()); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{",=HYPER", ",\"=HYPER", ",@sum", ",\"@sum", "\n-cmd"} {
		if strings.Contains(buf.String(), bad) {
			t.Errorf("%q stands bare in:\n%s", bad, buf.String())
		}
	}
}

// TestRoundTrip: what is written comes back, from CSV and from XLSX.
func TestRoundTrip(t *testing.T) {
	want := sample()
	var c, x bytes.Buffer
	if err := WriteCSV(&c, want); err != nil {
		t.Fatal(err)
	}
	if err := WriteXLSX(&x, []Table{want}); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"x.csv": c.Bytes(), "x.xlsx": x.Bytes()} {
		s, err := Read(name, data)
		if err != nil {
			t.Fatal(err)
		}
		for i, row := range want.Rows {
			for k := range 2 {
				if got := s.Rows[i].Cells[k].Text; got != Tidy(row[k].(string)) {
					t.Errorf("%s row %d: %q, want %q", name, i, got, row[k])
				}
			}
		}
		v, faults := s.Numbers(2, Undecided)
		if len(faults) > 0 || v[0].Number != 0.1 || v[1].Number != -2.5 || !v[2].Missing || v[3].Number != 1e-9 {
			t.Errorf("%s: %v %v", name, v, faults)
		}
	}
}

// TestOfRows: the first row is the header, and a table without others is empty.
func TestOfRows(t *testing.T) {
	got := OfRows([][]string{{"plot", "bed"}, {"101", "3"}})
	if len(got.Header) != 2 || len(got.Rows) != 1 || got.Rows[0][1] != "3" || len(OfRows([][]string{{"plot"}}).Rows) != 0 {
		t.Errorf("%+v", got)
	}
}
