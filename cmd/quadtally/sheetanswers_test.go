package main

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"quadtally/cmd/quadtally/internal/analysis"
)

// everyQuadrat is a sheet with a row for every quadrat of bedTrial.
func everyQuadrat(header string, cells func(i, q int) string) string {
	out := header + "\n"
	for i, p := range bedPlots {
		for q := 1; q <= 3; q++ {
			out += fmt.Sprintf("%s,%d,%s\n", p, q, cells(i, q))
		}
	}
	return out
}

// openQuestions are what stored sheets leave open.
func openQuestions(t *testing.T, dir string) string {
	t.Helper()
	var out []string
	for _, q := range analysis.SheetQuestions(snapshotOf(t, dir)) {
		out = append(out, q.Text)
	}
	return strings.Join(out, "\n")
}

// countsCompared is what a comparison of the counts says, its lines joined.
func countsCompared(t *testing.T, dir string, flags ...string) string {
	t.Helper()
	r := say(t, append([]string{"compare", "count", "--trial", dir}, flags...)...)
	return strings.Join(strings.Fields(r.out+" "+r.err), " ")
}

// TestTotalsOfFewerClasses: a total that lacks a class which the plan names, or
// which another visit has, is told about wherever it is shown, and asked about
// once.
func TestTotalsOfFewerClasses(t *testing.T) {
	visit := func(n int, classes string, counts func(i, q int) string) string {
		return everyQuadrat("plot,quadrat,visit,"+classes, func(i, q int) string { return fmt.Sprintf("%d,%s", n, counts(i, q)) })
	}
	one := func(i, q int) string { return fmt.Sprint(1 + i + q*q) }
	two := func(i, q int) string { return fmt.Sprintf("%d,%d", 1+i+q*q, (i*q)%4) }
	long := func(class string) func(i, q int) string {
		return func(i, q int) string { return fmt.Sprintf("%s,%d", class, 1+i+q*q) }
	}
	for _, c := range []struct {
		name   string
		plan   []string
		sheets []string
		asked  string
		alone  string // note of a comparison where nothing is asked
	}{
		{name: "the plan's classes, one of them counted", plan: []string{"class: broadleaf", "class: grass"}, sheets: []string{visit(1, "broadleaf", one)}, asked: "grass was not counted at visit 1 (the plan names it)"},
		{name: "the same by rows", plan: []string{"class: broadleaf", "class: grass"}, sheets: []string{visit(1, "species,count", long("grass"))}, asked: "broadleaf was not counted at visit 1 (the plan names it)"},
		{name: "a class less at the second visit", sheets: []string{visit(1, "broadleaf,grass", two), visit(2, "broadleaf", func(i, q int) string { return fmt.Sprint(2 + i*q) })}, asked: "grass was not counted at visit 2 (visit 1 has it)"},
		{name: "a class more at the second visit", sheets: []string{visit(1, "broadleaf", one), visit(2, "broadleaf,grass", func(i, q int) string { return fmt.Sprintf("%d,%d", 2+i*q, i) })}, asked: "grass was not counted at visit 1 (visit 2 has it)"},
		{name: "a column left blank", sheets: []string{visit(1, "broadleaf,grass", func(i, q int) string { return one(i, q) + "," })}, asked: "there is no count of grass in any of 36 quadrats of visit 1"},
		{name: "one class and no plan of classes", sheets: []string{visit(1, "grass", one)}, alone: "is of grass alone"},
		{name: "all classes", plan: []string{"class: broadleaf", "class: grass"}, sheets: []string{visit(1, "broadleaf,grass", two)}},
		{name: "a total and no classes", plan: []string{"class: broadleaf", "class: grass"}, sheets: []string{visit(1, "total", one)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := bedTrial(t)
			if len(c.plan) > 0 {
				args := []string{"amend", "--trial", dir}
				for _, line := range c.plan {
					args = append(args, "--set", line)
				}
				must(t, args...)
			}
			for i, text := range c.sheets {
				r := must(t, "counts", file(t, dir, fmt.Sprintf("visit-%d.csv", i+1), text), "--trial", dir)
				if c.asked != "" && strings.Contains(c.asked, fmt.Sprintf("visit %d (", i+1)) && !strings.Contains(r.err, "question: "+c.asked) && len(c.sheets) == 1 {
					t.Errorf("not asked when it was stored:\n%s", r.err)
				}
			}
			full, short := countsCompared(t, dir, "--full"), countsCompared(t, dir)
			open := openQuestions(t, dir)
			if (c.asked == "") != (open == "") || !strings.Contains(open, c.asked) || !strings.Contains(full, cmp.Or(c.asked, c.alone)) ||
				!strings.Contains(short, cmp.Or(c.asked, c.alone)) {
				t.Fatalf("open: %s\ncompared: %s\n%s", open, short, full)
			}
			if c.asked == "" {
				return
			}
			if v := plotValues(t, dir, "count", ""); len(v) != 12*len(c.sheets) {
				t.Errorf("%d values", len(v))
			}
			// The answer is remembered, told with the totals and not asked again.
			class, _, _ := strings.Cut(strings.TrimPrefix(c.asked, "there is no count of "), " ")
			sheet := file(t, dir, "visit-1.csv", c.sheets[0])
			if strings.Contains(c.asked, "visit 2 (") {
				sheet = file(t, dir, "visit-2.csv", c.sheets[1])
			}
			must(t, "counts", sheet, "--trial", dir, "--unlisted", class+"=unknown")
			if now := openQuestions(t, dir); now != "" {
				t.Errorf("asked again: %s", now)
			}
			if text := countsCompared(t, dir, "--full"); !strings.Contains(text, "not looked for, as you said: the totals of that visit are without it") {
				t.Error(text)
			}
		})
	}
}

// TestUnlistedIsRemembered: that a class which is not listed is none there is
// said once; a corrected sheet keeps its noughts, another class is asked about.
func TestUnlistedIsRemembered(t *testing.T) {
	wide := everyQuadrat("plot,quadrat,visit,broadleaf,sedge", func(i, q int) string {
		if i == 0 && q == 1 {
			return "1,9,1"
		}
		return fmt.Sprintf("1,%d,", i+q)
	})
	long := "plot,quadrat,visit,species,count\n101,1,1,sedge,1\n"
	for i, p := range bedPlots {
		for q := 1; q <= 3; q++ {
			n := i + q
			if i == 0 && q == 1 {
				n = 9
			}
			long += fmt.Sprintf("%s,%d,1,broadleaf,%d\n", p, q, n)
		}
	}
	for name, text := range map[string]string{"wide": wide, "long": long} {
		t.Run(name, func(t *testing.T) {
			dir := bedTrial(t)
			must(t, "counts", file(t, dir, "v.csv", text), "--trial", dir).expect(t, exitDone, "question: sedge was counted in 1 of 36 quadrats of visit 1 (101/1)")
			must(t, "counts", file(t, dir, "v.csv", text), "--trial", dir, "--unlisted", "zero")
			want := plotValues(t, dir, "count", "")
			if want["101@1"] != (10+2+3)/3.0/0.25 {
				t.Errorf("%v", want)
			}
			corrected := strings.Replace(strings.Replace(text, "403,3,1,14", "403,3,1,15", 1), "403,3,1,broadleaf,14", "403,3,1,broadleaf,15", 1)
			r := must(t, "counts", file(t, dir, "v.csv", corrected), "--trial", dir)
			r.expect(t, exitDone, "1 changed, 0 moved, 0 withdrawn")
			if strings.Contains(r.err, "?") {
				t.Errorf("asked again: %s", r.err)
			}
			if v := plotValues(t, dir, "count", "sedge"); len(v) != 12 || v["102@1"] != 0 {
				t.Errorf("sedge: %v", v)
			}
			// At the next visit the answer holds for the class, and for no other.
			next := "plot,quadrat,visit,broadleaf,sedge,grass\n101,1,2,5,1,1\n"
			for i, p := range bedPlots {
				for q := 1; q <= 3; q++ {
					if i+q > 1 {
						next += fmt.Sprintf("%s,%d,2,%d,,\n", p, q, 3*i+q)
					}
				}
			}
			r = must(t, "counts", file(t, dir, "next.csv", next), "--trial", dir)
			r.expect(t, exitDone, "35 classes of quadrats were not listed and stored as 0, as you said", "question: grass was counted in 1 of 36")
			if strings.Contains(r.err, "question: sedge") {
				t.Errorf("asked again: %s", r.err)
			}
			// A whole visit without the class is another question.
			must(t, "counts", file(t, dir, "next.csv", everyQuadrat("plot,quadrat,visit,broadleaf", func(i, q int) string { return fmt.Sprintf("2,%d", 3*i+q) })), "--trial", dir, "--agreed").
				expect(t, exitDone, "question: sedge was not counted at visit 2")
		})
	}
	dir := bedTrial(t)
	say(t, "counts", file(t, dir, "v.csv", wide), "--trial", dir, "--unlisted", "nought").expect(t, exitUsage, "say zero or unknown")
	// A row on which nothing was counted is no quadrat without weeds.
	remark := strings.ReplaceAll(strings.ReplaceAll(wide, ",\n", ",,\n"), "9,1\n", "9,1,\n")
	remark = strings.Replace(strings.Replace(remark, "sedge\n", "sedge,notes\n", 1), "102,1,1,2,,\n", "102,1,1,,,deer\n", 1)
	must(t, "counts", file(t, dir, "v.csv", remark), "--trial", dir, "--unlisted", "zero")
	for _, o := range snapshotOf(t, dir).Observations {
		if o.Plot == "102" && o.Quadrat == 1 && !o.Missing {
			t.Errorf("%+v", o)
		}
	}
}

// TestQuadratsWithoutRows: where only what is found is written down, a quadrat
// without weeds has no row, and the mean of its plot is too high.
func TestQuadratsWithoutRows(t *testing.T) {
	dir := bedTrial(t)
	text := "plot,quadrat,visit,species,count\n"
	for i, p := range bedPlots {
		for q := 1; q <= 3; q++ {
			if (i+q)%3 > 0 {
				text += fmt.Sprintf("%s,%d,1,grass,%d\n", p, q, i+q)
			}
		}
	}
	const word = "12 of 36 quadrats of visit 1 have no count"
	must(t, "counts", file(t, dir, "v.csv", text), "--trial", dir).expect(t, exitDone, "question: "+word, "a row with 0")
	for _, text := range []string{countsCompared(t, dir), countsCompared(t, dir, "--full")} {
		if !strings.Contains(text, word) {
			t.Error(text)
		}
	}
}

// TestNewClassesAreAskedOnce: a class that neither the plan nor an earlier sheet
// has is asked about before anything is stored, in sheets of every shape, all of
// them at once, and never again.
func TestNewClassesAreAskedOnce(t *testing.T) {
	for name, c := range map[string]struct{ first, second, third string }{
		"columns": {"plot,quadrat,visit,fleabane,thistle,grass\n101,1,1,1,2,3\n", "plot,quadrat,visit,thistle,fleabane\n101,2,1,1,2\n", "plot,quadrat,visit,thistel\n101,3,1,1\n"},
		"a row a class": {"plot,quadrat,visit,species,count\n101,1,1,fleabane,1\n101,1,1,thistle,2\n101,1,1,grass,3\n",
			"plot,quadrat,visit,species,count\n101,2,1,Thistle,1\n101,2,1,fleabane,2\n", "plot,quadrat,visit,species,count\n101,3,1,thistel,1\n"},
		"a row a value": {"plot,quadrat,visit,variable,class,value,unit\n101,1,1,count,fleabane,1,\n101,1,1,count,thistle,2,\n101,1,1,count,grass,3,plants\n",
			"plot,quadrat,visit,variable,class,value,unit\n101,2,1,count,thistle,1,\n101,2,1,count,fleabane,2,\n", "plot,quadrat,visit,variable,class,value,unit\n101,3,1,count,thistel,1,\n"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := bedTrial(t)
			first := file(t, dir, "first.csv", c.first)
			r := say(t, "counts", first, "--trial", dir)
			r.expect(t, exitFailed, `"fleabane"`, `"thistle"`, "--columns", "=weed")
			if strings.Contains(r.err, `"grass"`) || len(snapshotOf(t, dir).Observations) > 0 {
				t.Errorf("stored, or asked too much: %s", r.err)
			}
			must(t, "counts", first, "--trial", dir, "--columns", "fleabane=weed broadleaf annual; thistle=weed perennial")
			for _, o := range snapshotOf(t, dir).Observations {
				if o.Class == "fleabane" && (o.Group != "broadleaf" || o.Life != "annual") || o.Class == "thistle" && o.Life != "perennial" {
					t.Errorf("%+v", o)
				}
			}
			must(t, "counts", file(t, dir, "second.csv", c.second), "--trial", dir)
			say(t, "counts", file(t, dir, "third.csv", c.third), "--trial", dir).expect(t, exitFailed, "thistel")
			planned := bedTrial(t)
			must(t, "amend", "--trial", planned, "--set", "class: fleabane; broadleaf", "--set", "class: thistle", "--set", "class: grass")
			must(t, "counts", file(t, planned, "first.csv", c.first), "--trial", planned)
		})
	}
}

// TestCoverOfZeroAndOne: a column of cover that holds nothing but 0 and 1 may be
// percent, proportions or a score.
func TestCoverOfZeroAndOne(t *testing.T) {
	for column, response := range map[string]string{"cover": "hand-cover", "weed_cover": "hand-weed-cover", "crop_cover": "hand-crop-cover", "regrowth_cover": "hand-regrowth-cover", "residue_cover": "residue-cover", "mulch_cover": "residue-cover"} {
		t.Run(column, func(t *testing.T) {
			text := everyQuadrat("plot,quadrat,visit,"+column, func(i, q int) string { return fmt.Sprintf("1,%d", (i+q)%2) })
			name := strings.ReplaceAll(column, "_", " ")
			if name == "mulch cover" {
				name = "residue cover"
			}
			for unit, full := range map[string]float64{"%": 2.0 / 3, "fraction": 200.0 / 3} {
				dir := bedTrial(t)
				sheet := file(t, dir, "v.csv", text)
				say(t, "counts", sheet, "--trial", dir).expect(t, exitFailed, "holds only whole numbers up to 1", "percent", "proportions", "score")
				if n := len(snapshotOf(t, dir).Observations); n > 0 {
					t.Fatalf("%d values stored", n)
				}
				must(t, "counts", sheet, "--trial", dir, "--columns", column+"="+name+" "+unit, "--agreed")
				if v := plotValues(t, dir, response, ""); math.Abs(v["101@1"]-full) > 1e-9 {
					t.Errorf("%s: %v, want %v", unit, v["101@1"], full)
				}
				must(t, "counts", file(t, dir, "v2.csv", strings.ReplaceAll(text, ",1,", ",2,")), "--trial", dir, "--agreed") // remembered
			}
			dir := bedTrial(t)
			scored := file(t, dir, "s.csv", strings.ReplaceAll(text, ",1\n", ",5\n"))
			r := say(t, "counts", scored, "--trial", dir)
			r.expect(t, exitFailed, "holds only whole numbers up to 5", "percent", "score")
			if strings.Contains(r.err, "proportions") {
				t.Errorf("5 is no proportion: %s", r.err)
			}
			must(t, "counts", file(t, dir, "v.csv", text), "--trial", dir, "--columns", column+"=assessment score")
			if v := plotValues(t, dir, response, ""); len(v) > 0 {
				t.Errorf("a score is no cover: %v", v)
			}
			if v := plotValues(t, dir, strings.ReplaceAll(column, "_", " ")+" score", ""); name != "residue cover" && len(v) != 12 {
				t.Errorf("%v", v)
			}
			dir = bedTrial(t)
			must(t, "counts", file(t, dir, "v.csv", strings.Replace(text, column, column+"_%", 1)), "--trial", dir)
			say(t, "counts", file(t, dir, "w.csv", strings.Replace(text, column, column+"_fraction", 1)), "--trial", dir).expect(t, exitFailed, "no cover and full cover")
		})
	}
}

// TestAssessmentsUnderKnownNames: what a person says of a column with a known
// name is stored as that where the unit is one of it, and under a name of its
// own where it is not.
func TestAssessmentsUnderKnownNames(t *testing.T) {
	dir := bedTrial(t)
	must(t, "counts", file(t, dir, "a.csv", "plot,quadrat,visit,crop_height\n101,1,1,10\n"), "--trial", dir, "--columns", "crop_height=assessment in")
	if v := plotValues(t, dir, "crop-height", ""); math.Abs(v["101@1"]-25.4) > 1e-9 {
		t.Errorf("%v", v)
	}
	must(t, "counts", file(t, dir, "b.csv", "plot,quadrat,visit,variable,value,unit\n101,2,1,weed cover,2,score\n101,3,1,crop height,12,in\n"), "--trial", dir)
	if v := plotValues(t, dir, "crop-height", ""); math.Abs(v["101@1"]-27.94) > 1e-9 {
		t.Errorf("%v", v)
	}
	if v := plotValues(t, dir, "hand-weed-cover", ""); len(v) > 0 {
		t.Errorf("%v", v)
	}
	if v := plotValues(t, dir, "weed cover score", ""); v["101@1"] != 2 {
		t.Errorf("%v", v)
	}
}

// TestYieldsByRows: weights of a harvest in a sheet of one value a row are in
// the unit it says, and of a class that a harvest has.
func TestYieldsByRows(t *testing.T) {
	dir := bedTrial(t)
	r := say(t, "counts", file(t, dir, "h.csv", "plot,date,variable,class,value,unit,bed_length_m\n101,2025-10-01,yield,marketable,10,lb,3\n101,2025-10-01,yield,bunches,4,lb,3\n101,2025-10-01,Yield,Cull,1,kg,3\n102,2025-10-01,yield,marketable,3,bags,3\n"), "--trial", dir)
	r.expect(t, exitPartly, `h.csv:3: the class of a yield is given as "bunches"`, `h.csv:5: yield is given in "bags"`)
	if v := plotValues(t, dir, "yield", ""); len(v) != 1 || math.Abs(v["101"]-10*0.45359237/4.5*10000) > 1e-6 {
		t.Errorf("%v", v)
	}
}

// TestChangesInTheTrialsUnits: a trial in US units shows its changes in them.
func TestChangesInTheTrialsUnits(t *testing.T) {
	dir := bedTrial(t)
	must(t, "amend", "--trial", dir, "--set", "units: us")
	for _, c := range []struct{ command, header, was, now, want string }{
		{"yields", "plot,date,marketable_lb,bed_length_ft", "101,2025-10-02,10.5,30", "101,2025-10-02,10.75,30", "was 10.5 lb, now 10.75 lb"},
		{"yields", "plot,date,marketable_lb,bed_length_ft", "101,2025-10-02,10.75,30", "101,2025-10-02,10.75,29", "bed length was 30 ft, now 29 ft"},
		{"counts", "plot,quadrat,visit,crop_height_in", "101,1,1,10", "101,1,1,11.5", "was 10 in, now 11.5 in"},
		{"counts", "plot,quadrat,visit,cover_%", "101,1,1,10", "101,1,1,12.5", "was 10 %, now 12.5 %"},
		{"counts", "plot,quadrat,visit,residue (lb/acre)", "101,1,1,4000", "101,1,1,4100", "was 4000 lb/acre, now 4100 lb/acre"},
		{"counts", "plot,quadrat,visit,biomass_oz", "101,1,1,16", "101,1,1,32", "was 1 lb, now 2 lb"},
		{"field", "date,operation,implement_weight_lb", "2025-05-01,rolling,2000", "2025-05-01,rolling,2200", "implement weight was 2000 lb, now 2200 lb"},
	} {
		name := strings.Fields(c.header)[0] + ".csv"
		name = strings.NewReplacer("/", "-", "%", "", ",", "-").Replace(name)
		for _, row := range []string{c.was, c.now} {
			path := file(t, dir, name, c.header+"\n"+row+"\n")
			dry := must(t, c.command, path, "--trial", dir, "--dry-run")
			stored := must(t, c.command, path, "--trial", dir)
			if row == c.now {
				dry.expect(t, exitDone, c.want)
				stored.expect(t, exitDone, c.want)
			}
		}
	}
	say(t, "yields", file(t, dir, "t.csv", "plot,date,marketable_lb,cull_lb,total_lb,bed_length_ft\n102,2025-10-02,10,1,12,30\n"), "--trial", dir).
		expect(t, exitFailed, "a total of 12 lb, but marketable 10 lb and cull 1 lb")
	rain := file(t, dir, "r.csv", "plot,quadrat,visit,rain\n101,1,1,10\n")
	must(t, "counts", rain, "--trial", dir, "--columns", "rain=assessment mm")
	must(t, "counts", file(t, dir, "r.csv", "plot,quadrat,visit,rain\n101,1,1,12\n"), "--trial", dir).expect(t, exitDone, "was 10 mm, now 12 mm")
}

// TestRestoreOfAnotherTrial: a record of another trial takes this one's place
// only where that is agreed to; an older copy of the same trial needs no word.
func TestRestoreOfAnotherTrial(t *testing.T) {
	one := bedTrial(t)
	time.Sleep(1100 * time.Millisecond) // a trial is known by the second in which it began
	other := bedTrial(t)
	must(t, "amend", "--trial", other, "--set", "trial: Alder Bend onions")
	backup := func(dir string) string {
		path := filepath.Join(t.TempDir(), "b.db")
		must(t, "backup", path, "--trial", dir)
		return path
	}
	mine, theirs := backup(one), backup(other)
	must(t, "counts", file(t, one, "a.csv", "plot,quadrat,visit,grass\n101,1,1,3\n"), "--trial", one)
	say(t, "restore", theirs, "--trial", one).expect(t, exitFailed, "another trial", "--agreed")
	if n := len(snapshotOf(t, one).Observations); n != 1 {
		t.Errorf("%d values after a restore that was refused", n)
	}
	must(t, "restore", mine, "--trial", one)
	must(t, "restore", theirs, "--trial", one, "--agreed")
	if name := snapshotOf(t, one).Trial.Name; name != "Alder Bend onions" {
		t.Error(name)
	}
	must(t, "restore", mine, "--trial", filepath.Join(t.TempDir(), "new"))
}

// TestRatesWithTheirUnits: "120 kg/ha" in the cell of a rate is the rate and its
// unit, unless another column says another unit.
func TestRatesWithTheirUnits(t *testing.T) {
	dir := bedTrial(t)
	must(t, "field", file(t, dir, "a.csv", "date,operation,treatment,input,rate\n2025-03-01,seeding,RYE,rye,120 kg/ha\n2025-03-02,seeding,STRAW,straw,4.5t/ha\n2025-03-03,spraying,BARE,water,20 lb/1000 sq ft\n"), "--trial", dir)
	say(t, "field", file(t, dir, "b.csv", "date,operation,treatment,input,rate,rate_unit\n2025-04-01,seeding,RYE,rye,60 kg/ha,kg / ha\n2025-04-02,seeding,RYE,vetch,30 lb/A,kg/ha\n2025-04-03,seeding,RYE,vetch,30 bags,\n"), "--trial", dir).
		expect(t, exitPartly, "b.csv:3: the rate is given in lb/A and in kg/ha", `b.csv:4: column "rate" holds "30 bags"`)
	var got []string
	for _, o := range snapshotOf(t, dir).Operations {
		got = append(got, fmt.Sprintf("%g %s", *o.Rate, o.RateUnit))
	}
	slices.Sort(got)
	if want := "120 kg/ha; 20 lb/1000 sq ft; 4.5 t/ha; 60 kg/ha"; strings.Join(got, "; ") != want {
		t.Errorf("%q, want %q", strings.Join(got, "; "), want)
	}
}

// TestFlagsThatASheetDoesNotUse are told.
func TestFlagsThatASheetDoesNotUse(t *testing.T) {
	dir := bedTrial(t)
	for _, c := range []struct {
		command, text, want string
		flags               []string
	}{
		{"counts", "plot,quadrat,date,grass\n101,1,2025-06-14,3\n", `--date counts only in rows that leave column "date" blank`, []string{"--date", "2025-06-28"}},
		{"counts", "plot,quadrat,visit,grass\n101,1,1,3\n", `--visit counts only in rows that leave column "visit" blank`, []string{"--visit", "2"}},
		{"counts", "plot,quadrat,visit,who,grass\n101,1,1,Ada,3\n", `--observer counts only in rows that leave column "who" blank`, []string{"--observer", "Ben"}},
		{"counts", "plot,quadrat,visit,grass\n101,1,1,3\n", "--unlisted was not used", []string{"--unlisted", "zero"}},
		{"counts", "plot,quadrat,visit,grass\n101,1,1,3\n", "neither a column nor a class minuets", []string{"--columns", "minuets=ignore"}},
		{"yields", "plot,date,marketable_kg,bed_length_m\n101,2025-10-01,3,3\n", "--weight was not used", []string{"--weight", "lb"}},
		{"yields", "plot,date,marketable_kg,bed_length_m\n101,2025-10-01,3,3\n", "--length-unit was not used", []string{"--length-unit", "ft"}},
		{"yields", "plot,date,marketable_kg,bed_length_m\n101,2025-10-01,3,3\n", "--length was not used", []string{"--length", "4m"}},
		{"field", "date,operation\n2025-05-01,mowing\n", "--date was not used", []string{"--date", "2025-05-02"}},
	} {
		must(t, append([]string{c.command, file(t, dir, c.command+".csv", c.text), "--trial", dir, "--agreed"}, c.flags...)...).expect(t, exitDone, c.want)
	}
	// A name that is a column is no class: the answer of a harvest sheet is one of its columns.
	unknown := file(t, dir, "h.csv", "plot,date,leeks kept,bed_length_m,crates\n102,2025-10-01,3,3,4\n")
	r := say(t, "yields", unknown, "--trial", dir)
	r.expect(t, exitFailed, "crates=ignore")
	if strings.Contains(r.err, "=weed") {
		t.Errorf("a harvest has no weeds: %s", r.err)
	}
	must(t, "yields", unknown, "--trial", dir, "--columns", "leeks_kept=marketable kg; crates=ignore")
	if v := plotValues(t, dir, "yield", ""); v["102"] < 6666 || v["102"] > 6667 {
		t.Errorf("%v", v)
	}
	say(t, "counts", file(t, dir, "tall.csv", "plot,quadrat,visit,cm_tall\n101,1,1,30\n"), "--trial", dir).expect(t, exitFailed, "cm_tall=assessment cm")
}

// TestLastRowCutOff: a file that ends in the middle of a row says so.
func TestLastRowCutOff(t *testing.T) {
	text := everyQuadrat("plot,quadrat,visit,grass", func(i, q int) string { return fmt.Sprintf("1,%d", 11+i+q) })
	for _, cut := range []int{1, 2, 3, 4, 5} {
		dir := bedTrial(t)
		r := say(t, "counts", file(t, dir, "v.csv", text[:len(text)-cut]), "--trial", dir)
		if !strings.Contains(r.err, "row 37") && !strings.Contains(r.err, "v.csv:37:") {
			t.Errorf("cut by %d: %s", cut, r.err)
		}
		if strings.Contains(r.err, "not filled in yet") && !strings.Contains(r.err, "may be cut off") {
			t.Errorf("cut by %d: %s", cut, r.err)
		}
	}
}

// TestLikelySlips: what can be meant and is likely a slip is asked about before
// it is stored, and stored where a person agrees.
func TestLikelySlips(t *testing.T) {
	yields := func(value func(i int) string, date string) string {
		out := "plot,date,marketable_kg,bed_length_m\n"
		for i, p := range bedPlots {
			out += fmt.Sprintf("%s,%s,%s,3\n", p, date, value(i))
		}
		return out
	}
	plain := func(i int) string { return fmt.Sprintf("%d.%d", 4+i/3, i%7) }
	for _, c := range []struct{ name, command, before, text, want string }{
		{"grams under a header of kilograms", "yields", "", yields(func(i int) string {
			if i == 4 {
				return "5200"
			}
			return plain(i)
		}, "2025-10-02"), "times that of most"},
		{"the year of a harvest", "yields", "", yields(plain, "2052-10-02"), "more than a year from every visit"},
		{"the year of an operation", "field", "", "date,operation,treatment\n2052-05-01,rolling,RYE\n", "more than a year from every visit"},
		{"an operation twice", "field", "", "date,operation,treatment,input,rate,rate_unit\n2025-05-01,seeding,RYE,rye,120,kg/ha\n2025-05-01,seeding,RYE,rye,120,kg/ha\n", "row 3 says the same as row 2"},
		{"the year of a visit that is named", "counts", "", "plot,quadrat,visit,date,grass\n101,1,1,2024-06-14,3\n", "2024-06-14 is given as the day of visit 1"},
		{"a day nearer to another visit", "counts", "", "plot,quadrat,visit,date,grass\n101,1,1,2025-06-24,3\n", "2025-06-24 is given as the day of visit 1"},
		{"a total and classes of two sheets", "counts", "plot,quadrat,visit,total\n101,1,1,9\n101,2,1,5\n", "plot,quadrat,visit,broadleaf,grass\n101,1,1,3,4\n101,2,1,2,3\n", "in 1 quadrat the total and the classes, of which one is stored already, do not add up, such as plot 101 quadrat 1 (row 2 and before.csv:2): the total says 9, the classes 7"},
		{"a class left blank in some rows", "counts", "", "plot,quadrat,visit,species,count\n101,1,1,grass,3\n101,2,1,,4\n", "the class is blank in row 3 and given in others"},
		{"classes and a total of two sheets", "counts", "plot,quadrat,visit,species,count\n101,1,1,broadleaf,3\n101,1,1,grass,4\n", "plot,quadrat,visit,total\n101,1,1,9\n", "the total says 9, the classes 7"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := bedTrial(t)
			if c.before != "" {
				must(t, c.command, file(t, dir, "before.csv", c.before), "--trial", dir)
			}
			n := len(snapshotOf(t, dir).Observations)
			path := file(t, dir, "now.csv", c.text)
			say(t, c.command, path, "--trial", dir).expect(t, exitFailed, "nothing was stored", c.want, "--agreed")
			if s := snapshotOf(t, dir); len(s.Observations) != n || len(s.Operations) > 0 {
				t.Error("something was stored")
			}
			must(t, c.command, path, "--trial", dir, "--agreed")
		})
	}
	dir := bedTrial(t)
	say(t, "field", file(t, dir, "f.csv", "date,operation,input,rate,rate_unit\n2025-05-01,seeding,rye,-120,kg/ha\n"), "--trial", dir).expect(t, exitFailed, "the rate -120 is negative")
	say(t, "field", file(t, dir, "g.csv", "date,operation,implement_weight_kg\n2025-05-01,rolling,-900\n"), "--trial", dir).expect(t, exitFailed, "the weight of the implement is negative")
	// Usual days and weights are stored without a question.
	must(t, "yields", file(t, dir, "h.csv", yields(plain, "2025-10-02")), "--trial", dir)
	must(t, "counts", file(t, dir, "c.csv", "plot,quadrat,visit,date,grass\n101,1,1,2025-06-18,3\n"), "--trial", dir)
}

// TestPickWeighedInAnotherSheet: a pick that one sheet has and another lacks, or
// has only as a total, is asked about when the sheet is stored.
func TestPickWeighedInAnotherSheet(t *testing.T) {
	dir := bedTrial(t)
	total, graded := "plot,date,total_kg,bed_length_m\n", "plot,date,marketable_kg,cull_kg,bed_length_m\n"
	for i, p := range bedPlots {
		total += fmt.Sprintf("%s,2025-10-02,%d.5,3\n", p, 3+i)
		if i > 0 {
			graded += fmt.Sprintf("%s,2025-10-09,%d.25,0.5,3\n", p, 2+i)
		}
	}
	must(t, "yields", file(t, dir, "first.csv", total), "--trial", dir)
	must(t, "yields", file(t, dir, "second.csv", graded), "--trial", dir).expect(t, exitDone,
		"no weight for plot 101 at pick 2 (2025-10-09)", "only a total for plot 102 at pick 1 (2025-10-02)", "the season's yield of such a plot is missing")
	if v := plotValues(t, dir, "yield", ""); len(v) > 0 {
		t.Errorf("%v", v)
	}
}

// TestOtherWorksheets: where the sheet that was read has no plots, the others of
// the workbook are named.
func TestOtherWorksheets(t *testing.T) {
	x := excelize.NewFile()
	defer x.Close()
	x.SetCellValue("Sheet1", "A1", "This book holds the counts of Alder Bend")
	x.NewSheet("June 14")
	for c, cell := range []string{"plot", "quadrat", "visit", "grass"} {
		at, _ := excelize.CoordinatesToCellName(c+1, 1)
		x.SetCellValue("June 14", at, cell)
		at, _ = excelize.CoordinatesToCellName(c+1, 2)
		x.SetCellValue("June 14", at, []any{101, 1, 1, 7}[c])
	}
	b, err := x.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	dir := bedTrial(t)
	book := file(t, dir, "book.xlsx", b.String())
	say(t, "counts", book, "--trial", dir).expect(t, exitFailed, "--worksheet", "June 14")
	must(t, "counts", book, "--trial", dir, "--worksheet", "June 14")
}

// TestClassesNamedAsColumns: a class that a sheet would take for something else
// is refused by the plan; a column that is ignored is named at every storing.
func TestClassesNamedAsColumns(t *testing.T) {
	dir := bedTrial(t)
	for _, name := range []string{"total", "Cover", "weeds", "mulch"} {
		say(t, "amend", "--trial", dir, "--set", "class: "+name).expect(t, exitFailed, name, "another name")
	}
	plan := file(t, dir, "p.txt", smallPlan+"class: total\n")
	say(t, "new", "--plan", plan, "--trial", filepath.Join(dir, "new")).expect(t, exitFailed, "total", "another name")
	must(t, "amend", "--trial", dir, "--set", "class: barnyardgrass; grass")
	text := "plot,quadrat,visit,grass,minutes\n101,1,1,3,20\n"
	must(t, "counts", file(t, dir, "a.csv", text), "--trial", dir, "--columns", "minutes=ignore")
	must(t, "counts", file(t, dir, "b.csv", strings.Replace(text, "101,1", "101,2", 1)), "--trial", dir).expect(t, exitDone, `column "minutes" is ignored, as you said`)
	say(t, "field", file(t, dir, "f.csv", "date,operation,treatment,plot\n2025-05-01,rolling,RYE,102\n"), "--trial", dir).expect(t, exitFailed, "plot 102 has treatment BARE in the layout, not RYE")
}

// TestCountsPerArea: a number per area is no count of a quadrat, whose ground it
// would be divided by once more.
func TestCountsPerArea(t *testing.T) {
	dir := bedTrial(t)
	for _, unit := range []string{"plants/m2", "plants/ft2", "per m²", "%"} {
		text := "plot,quadrat,visit,variable,value,unit\n101,1,1,count,8," + unit + "\n101,2,1,count,3,plants\n"
		say(t, "counts", file(t, dir, "a.csv", text), "--trial", dir).expect(t, exitPartly, "a.csv:2: count is given in", "plants counted in the quadrat")
		if v := plotValues(t, dir, "count", ""); v["101@1"] != 12 {
			t.Errorf("%s: %v", unit, v)
		}
	}
}
