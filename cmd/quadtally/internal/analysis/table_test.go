package analysis

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/tables"
)

func sheetOf(t *testing.T, name, text string) *tables.Sheet {
	t.Helper()
	s, err := tables.Read(name, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// rowsInWords writes the rows of a table down: treatment, block, column, plot,
// quadrat, day and value.
func rowsInWords(t Table) string {
	var out []string
	for _, r := range t.Rows {
		text := fmt.Sprintf("%s %s/%s %s/%s day %g: %g", r.Treatment, r.Block, r.Column, r.Plot, r.Quadrat, r.Day, r.Value)
		if r.Missing {
			text += " missing"
		}
		out = append(out, text)
	}
	return strings.Join(out, "; ")
}

// What makes the treatment, the value, the day and the place of a row.
func TestColumnsOfATable(t *testing.T) {
	for name, c := range map[string]struct {
		text     string
		response string
		f        TableColumns
		rows     string
		extra    string // rates, factors, trials and unused columns
	}{
		"usual names":           {"trt,row,column,plot,quadrat,y,note\nRYE,1,2,101,3,5,wet\n", "cover", TableColumns{}, "RYE 1/2 101/3 day 0: 5", "map[] [] [] [note]"},
		"the value by its name": {"trt,value,mass\nRYE,1,5\n", "", TableColumns{Value: "mass"}, "RYE / / day 0: 5", "map[] [] [] [value]"},
		"no response named":     {"trt,value\nRYE,1\n", "", TableColumns{}, "RYE / / day 0: 1", "map[] [] [] []"},
		"dates count from the first": {"trt,date,y\nRYE,2025-06-15,2\nRYE,2025-06-01,1\nRYE,2025-06-15,\n", "", TableColumns{},
			"RYE / / day 14: 2; RYE / / day 0: 1; RYE / / day 14: 0 missing", "map[] [] [] []"},
		"a row without a day":         {"trt,day,y\nRYE,0,1\nRYE,,2\nRYE,7,3\n", "", TableColumns{}, "RYE / / day 0: 1; RYE / / day 7: 3", "map[] [] [] []"},
		"a rate makes the treatments": {"kg,y\n0,1\n50,2\n", "", TableColumns{Rate: "kg"}, "0 / / day 0: 1; 50 / / day 0: 2", "map[0:0 50:50] [] [] []"},
		"a rate called treatment":     {"treatment,y\n0,1\n50,2\n", "", TableColumns{Rate: "treatment"}, "0 / / day 0: 1; 50 / / day 0: 2", "map[0:0 50:50] [] [] []"},
		"a treatment without a rate":  {"trt,kg,y\nA,0,1\nA,0,3\nB,,2\n", "", TableColumns{Rate: "kg"}, "A / / day 0: 1; A / / day 0: 3; B / / day 0: 2", "map[A:0] [] [] []"},
		"factors make the treatments": {"mulch,cut,y\nrye,yes,1\nrye,,2\n", "", TableColumns{Factors: []string{"mulch", "cut"}}, "rye yes / / day 0: 1; rye / / day 0: 2",
			"map[] [mulch: rye=rye, rye yes=rye cut: rye yes=yes] [] []"},
		"factors beside treatments": {"trt,mulch,y\nA,rye,1\nB,none,2\n", "", TableColumns{Factors: []string{"mulch"}}, "A / / day 0: 1; B / / day 0: 2", "map[] [mulch: A=rye, B=none] [] []"},
		"day as a factor":           {"day,mulch,y\n3,rye,1\n9,none,2\n", "", TableColumns{Factors: []string{"day", "mulch"}}, "3 rye / / day 0: 1; 9 none / / day 0: 2", "map[] [day: 3 rye=3, 9 none=9 mulch: 3 rye=rye, 9 none=none] [] []"},
		"several trials":            {"trial,year,trt,y\neast,2024,A,1\nwest,2025,A,2\n", "", TableColumns{Trials: true}, "A / / day 0: 1; A / / day 0: 2", "map[] [] [east 2024 west 2025] []"},
		"trials by year":            {"season,trt,y\n2024,A,1\n2025,A,2\n", "", TableColumns{Trials: true}, "A / / day 0: 1; A / / day 0: 2", "map[] [] [2024 2025] []"},
		"one trial":                 {"farm,year,trt,y\neast,2024,A,1\neast,2024,A,2\n,2024,B,3\n", "", TableColumns{}, "A / / day 0: 1; A / / day 0: 2; B / / day 0: 3", "map[] [] [] [farm year]"},
	} {
		got, err := ReadTable(sheetOf(t, "any.csv", c.text), c.response, c.f)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var factors []string
		for _, f := range got.Factors {
			var levels []string
			for _, l := range f.Levels {
				levels = append(levels, l.Treatment+"="+l.Level)
			}
			factors = append(factors, f.Name+": "+strings.Join(levels, ", "))
		}
		if extra := fmt.Sprint(got.Rates, factors, got.Trials, got.Unused); rowsInWords(got) != c.rows || extra != c.extra {
			t.Errorf("%s:\n%s\n%s\nwant\n%s\n%s", name, rowsInWords(got), extra, c.rows, c.extra)
		}
	}
}

// A column that is asked for and not there, and a table that says two things,
// are refused in a sentence that names them.
func TestTablesThatAreRefused(t *testing.T) {
	for want, c := range map[string]struct {
		text     string
		response string
		f        TableColumns
	}{
		"the factor mulch":                             {"trt,y\nA,1\n", "", TableColumns{Factors: []string{"mulch"}}},
		"the rate kg":                                  {"trt,y\nA,1\n", "", TableColumns{Rate: "kg"}},
		"the treatment (treatment or trt":              {"block,y\n1,1\n", "", TableColumns{}},
		"the value (cover)":                            {"trt,count\nA,1\n", "cover", TableColumns{}},
		"the value nothing":                            {"trt,cover,y\nA,1,2\n", "cover", TableColumns{Value: "nothing"}},
		"the covariate before":                         {"trt,y\nA,1\n", "", TableColumns{Covariate: "before"}},
		"has the rate 50 here and 0":                   {"trt,kg,y\nA,0,1\nA,50,2\n", "", TableColumns{Rate: "kg"}},
		"has mulch \"rye\" here and \"none\"":          {"trt,mulch,y\nA,none,1\nA,rye,2\n", "", TableColumns{Factors: []string{"mulch"}}},
		"the trial (trial, farm, site or year, season": {"trt,y\nA,1\n", "", TableColumns{Trials: true}},
		"column farm: east, west":                      {"farm,trt,y\neast,A,1\nwest,A,2\n", "yield", TableColumns{}},
		"column year: 2024, 2025":                      {"farm,year,trt,y\neast,2024,A,1\neast,2025,A,2\n", "yield", TableColumns{}},
		"any.csv:2":                                    {"trt,y\nA,x\n", "", TableColumns{}},
	} {
		if _, err := ReadTable(sheetOf(t, "any.csv", c.text), c.response, c.f); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", want, err)
		}
	}
	var several TrialsInTableError
	_, err := ReadTable(sheetOf(t, "any.csv", "farm,trt,y\neast,A,1\nwest,A,2\n"), "yield", TableColumns{})
	if !errors.As(err, &several) || !strings.Contains(err.Error(), "quadtally combine yield any.csv") {
		t.Errorf("%v", err)
	}
	if got, err := ReadTable(sheetOf(t, "any.csv", "trt,y,before\nA,1,\nA,2,7\nB,z,1\n"), "", TableColumns{Covariate: "before"}); err != nil || got.Rows[0].HasCovariate || !got.Rows[1].HasCovariate || len(got.Rows) != 2 || len(got.Faults) != 1 {
		t.Errorf("%+v %v", got, err)
	}
}

// Pairs need both columns, keep a gap on either side, and tell a table of which
// no row can be read.
func TestPairsOfATable(t *testing.T) {
	for _, text := range []string{"plot,hand\n1,2\n", "plot,image\n1,2\n"} {
		if _, _, err := PairsFromTable(sheetOf(t, "p.csv", text), tables.Undecided); err == nil || !strings.Contains(err.Error(), "(hand, image)") {
			t.Errorf("%q: %v", text, err)
		}
	}
	if _, _, err := PairsFromTable(sheetOf(t, "p.csv", "hand,image\nx,2\n"), tables.Undecided); err == nil || !strings.Contains(err.Error(), "p.csv:2") {
		t.Errorf("no row: %v", err)
	}
	pairs, _, err := PairsFromTable(sheetOf(t, "p.csv", "plot,quadrat,date,trt,observer,counted,photo\n101,2,1,RYE,Ada,5,\n"), tables.Undecided)
	if err != nil || len(pairs) != 1 || pairs[0].Image == pairs[0].Image || pairs[0].Hand != 5 || pairs[0].Plot != "101" || pairs[0].Quadrat != "2" || pairs[0].Visit != "1" || pairs[0].Treatment != "RYE" || pairs[0].Observer != "Ada" || pairs[0].Source != "p.csv:2" {
		t.Errorf("%+v %v", pairs, err)
	}
}

// TestAmountsBelowNothing: no amount that the registry knows is below 0 in a
// table, whichever column holds it; a difference, which has a name of its own, may
// be, and so may a covariate.
func TestAmountsBelowNothing(t *testing.T) {
	const head = "plot,trt,rep,first,second\n"
	for _, name := range []string{"yield", "Marketable yield", "cover", "count", "biomass", "stand", "crop-height", "residue"} {
		s := sheetOf(t, "any.csv", head+"101,A,1,3,0\n102,B,1,-2.5,4\n103,A,2,2,5\n104,B,2,-1,6\n105,A,3,,1\n")
		_, err := ReadTable(s, name, TableColumns{Value: "first"})
		if _, known := lookUp(nameKey(name)); !known {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), name+" is below 0 at any.csv:3 (-2.5), any.csv:5 (-1)") {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := ReadTable(s, name, TableColumns{Value: "second", Covariate: "first"}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if _, _, err := ValuesOfTable(s, name, KindByName(name), TableColumns{Value: "first"}); err == nil || !strings.Contains(err.Error(), "any.csv:3 (-2.5)") {
			t.Errorf("combine %s: %v", name, err)
		}
	}
	s := sheetOf(t, "any.csv", head+"101,A,1,3,-3\n102,B,1,2,4\n")
	if got, err := ReadTable(s, "change in cover", TableColumns{Value: "second"}); err != nil || got.Rows[0].Value != -3 || len(got.Notes) != 1 || !strings.Contains(got.Notes[0], "any.csv:2 (-3)") {
		t.Errorf("a difference: %v %+v", err, got)
	}
	if got, err := ReadTable(s, "change in cover", TableColumns{Value: "first"}); err != nil || got.Notes != nil {
		t.Errorf("nothing below 0: %v %q", err, got.Notes)
	}
}

// TestDaysCountFromTheFirst: days are counted from the earliest date, wherever it
// stands.
func TestDaysCountFromTheFirst(t *testing.T) {
	for dates, want := range map[string]string{
		"2025-06-02 2025-06-01 2025-06-08": "1 0 7", "2025-06-01 2025-06-02 2025-06-02": "0 1 1", "2025-06-08 2025-06-02 2025-06-01": "7 1 0", "2024-02-28 2024-03-01 2024-02-29": "0 2 1",
	} {
		text := "trt,rep,date,y\n"
		for i, d := range strings.Fields(dates) {
			text += fmt.Sprintf("A,%d,%s,%d\n", i, d, i)
		}
		got, err := ReadTable(sheetOf(t, "t.csv", text), "", TableColumns{})
		if err != nil {
			t.Fatal(err)
		}
		var days []string
		for _, r := range got.Rows {
			days = append(days, fmt.Sprint(r.Day))
		}
		if strings.Join(days, " ") != want {
			t.Errorf("%s: %v, want %s", dates, days, want)
		}
	}
}
