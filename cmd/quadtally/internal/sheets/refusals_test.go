package sheets

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// outcome is what became of a sheet: the error, else values and faults as texts.
func outcome(im Import, err error) string {
	if err != nil {
		return "refused: " + err.Error()
	}
	var out []string
	if s := said(im.Observations); s != "" {
		out = append(out, s)
	}
	for _, f := range im.Faults {
		out = append(out, fmt.Sprintf("row %d: %s", f.Line, f.Text))
	}
	return strings.Join(out, "\n")
}

// TestRowsOfCounts: what a row of counts is stored as, and what keeps it out, at
// both sides of each limit.
func TestRowsOfCounts(t *testing.T) {
	const wide, long, classed = "plot,quadrat,visit,", "plot,quadrat,visit,variable,value,unit", "plot,quadrat,visit,class,count\n"
	for name, c := range map[string]struct {
		text string
		want string // the whole where it begins with "=", else a part
	}{
		"a count":               {wide + "grass\n101,1,1,3\n", "=101/1 count grass 3 plants"},
		"none":                  {wide + "grass\n101,1,1,0\n", "=101/1 count grass 0 plants"},
		"negative":              {wide + "grass\n101,1,1,-1\n", "a count cannot be negative"},
		"half a plant":          {wide + "grass\n101,1,1,2.5\n", "a count is a whole number"},
		"percent of plants":     {wide + "grass\n101,1,1,3%\n", "a count is a number of plants"},
		"first visit":           {wide + "grass\n101,1,1,3\n", "=101/1 count grass 3 plants"},
		"last visit":            {wide + "grass\n101,1,2,3\n", "=101/1 count grass 3 plants"},
		"no visit 0":            {wide + "grass\n101,1,0,3\n", "visit 0 is not one of the 2 planned"},
		"no visit 3":            {wide + "grass\n101,1,3,3\n", "visit 3 is not one of the 2 planned"},
		"last quadrat":          {wide + "grass\n101,2,1,3\n", "=101/2 count grass 3 plants"},
		"no quadrat 3":          {wide + "grass\n101,3,1,3\n", "row 2:"},
		"no quadrat 0":          {wide + "grass\n101,0,1,3\n", "row 2:"},
		"half a quadrat":        {wide + "grass\n101,1.5,1,3\n", "where a whole number belongs"},
		"blank plot":            {wide + "grass\n,1,1,3\n", "the plot is blank"},
		"height":                {wide + "crop_height_cm\n101,1,1,30\n", "=101/1 crop height 300 mm"},
		"no height":             {wide + "crop_height_cm\n101,1,1,0\n", "=101/1 crop height 0 mm"},
		"height below nothing":  {wide + "crop_height_cm\n101,1,1,-1\n", "is negative"},
		"height without a unit": {wide + "crop_height\n101,1,1,30\n", "refused: counts.csv: column \"crop_height\" does not say its unit"},
		"one cover twice":       {wide + "cover_%,cover_pct\n101,1,1,30,40\n", "refused:"},
		"date within":           {"plot,quadrat,visit,date,grass\n101,1,1,2025-06-15,3\n", "=101/1 count grass 3 plants"},
		"date of another visit": {"plot,quadrat,visit,date,grass\n101,1,1,2025-06-28,3\n", "says visit 1 but 2025-06-28 falls into visit 2"},

		"class and count":   {classed + "101,1,1,grass,3\n", "=101/1 count grass 3 plants"},
		"a total":           {classed + "101,1,1,total,3\n", "=101/1 count 3 plants"},
		"class dashed":      {classed + "101,1,1,NA,3\n", "write the class, or total"},
		"half of a class":   {classed + "101,1,1,grass,2.5\n", "a count is a whole number"},
		"blank in some":     {classed + "101,1,1,grass,3\n102,1,1,,3\n", "the class is blank in row 3 and given in others"},
		"long count":        {long + ",class\n101,1,1,count,3,,grass\n", "=101/1 count grass 3 plants"},
		"long, in plants":   {long + ",class\n101,1,1,count,3,plants,grass\n", "=101/1 count grass 3 plants"},
		"long, per area":    {long + ",class\n101,1,1,count,3,plants/m2,grass\n", "count is given in \"plants/m2\""},
		"long, half":        {long + ",class\n101,1,1,count,2.5,,grass\n", "a count is a whole number"},
		"long cover":        {long + "\n101,1,1,cover,45,%\n", "=101/1 cover 0.45 fraction"},
		"long cover, whole": {long + "\n101,1,1,cover,100,%\n", "=101/1 cover 1 fraction"},
		"long cover, more":  {long + "\n101,1,1,cover,101,%\n", "must lie between 0 and 100 %"},
		"long cover, less":  {long + "\n101,1,1,cover,-1,%\n", "must lie between 0 and 100 %"},
		"long, no unit":     {long + "\n101,1,1,biomass,3,\n", "biomass needs a unit: "},
		"long, odd unit":    {long + "\n101,1,1,cover,3,score\n", "which is none of its units"},
		"own, no unit":      {long + "\n101,1,1,soil temp,3,\n", "soil temp needs a unit"},
		"own":               {long + "\n101,1,1,soil temp,3,C\n", "=101/1 soil temp 3 C"},
		"no variable":       {long + "\n101,1,1,,3,C\n", "the name of the variable is blank"},
		"a weight":          {"plot,date,variable,class,value,unit,bed length m\n101,2025-09-20,yield,marketable,5,kg,3\n", "=101/0 yield marketable 5 kg"},
		"an odd weight":     {"plot,date,variable,class,value,unit,bed length m\n101,2025-09-20,yield,lovely,5,kg,3\n", "say marketable, cull or total"},
		"length, no unit":   {"plot,date,variable,class,value,unit,bed length\n101,2025-09-20,yield,marketable,5,kg,3\n", "refused: counts.csv: column \"bed length\" does not say its unit: write bed_length_m or bed_length_ft"},
	} {
		tr, plots := plan()
		im, err := Counts(tr, plots, sheet(t, c.text), Options{Classes: []trial.Class{{Name: "grass"}}})
		got := outcome(im, err)
		for _, d := range im.Doubts {
			got += "\n" + fmt.Sprint(d)
		}
		if whole, ok := strings.CutPrefix(c.want, "="); ok && got != whole || !ok && !strings.Contains(got, c.want) {
			t.Errorf("%s: %s\nwant %s", name, got, c.want)
		}
	}
}

// TestRowsOfAHarvest: weights and lengths at both sides of what they can be.
func TestRowsOfAHarvest(t *testing.T) {
	const head = "plot,date,marketable_kg,bed_length_m\n"
	for name, c := range map[string]struct {
		text string
		opt  Options
		want string
	}{
		"a weight":             {head + "101,2025-09-20,5,3\n", Options{}, "=101/0 yield marketable 5 kg"},
		"nothing to cut":       {head + "101,2025-09-20,0,3\n", Options{}, "=101/0 yield marketable 0 kg"},
		"negative":             {head + "101,2025-09-20,-1,3\n", Options{}, "the marketable weight is negative"},
		"no date":              {head + "101,,5,3\n", Options{}, "row 2:"},
		"no length":            {head + "101,2025-09-20,5,\n", Options{}, "the bed length cut is blank or zero"},
		"length no unit":       {"plot,date,marketable_kg,bed_length\n101,2025-09-20,5,3\n", Options{}, "or say --length-unit m or ft"},
		"length by option":     {"plot,date,marketable_kg,bed_length\n101,2025-09-20,5,3\n", Options{LengthUnit: "m"}, "=101/0 yield marketable 5 kg"},
		"pounds":               {"plot,date,marketable_lb,bed_length_m\n101,2025-09-20,10,3\n", Options{}, "=101/0 yield marketable 4.53592 kg"},
		"two of one":           {"plot,date,marketable_kg,marketable_lb,bed_length_m\n101,2025-09-20,5,11,3\n", Options{}, "refused: counts.csv: the columns \"marketable_kg\" and \"marketable_lb\" both hold"},
		"total too small":      {"plot,date,total_kg,marketable_kg,bed_length_m\n101,2025-09-20,4,5,3\n", Options{}, "a total of 4 kg, but marketable 5 kg"},
		"total and both":       {"plot,date,total_kg,marketable_kg,cull_kg,bed_length_m\n101,2025-09-20,7,5,1,3\n", Options{}, "a total of 7 kg, but marketable 5 kg and cull 1 kg"},
		"a stand and another":  {"plot,date,marketable_kg,bed_length_m,stand\n101,2025-09-01,5,3,40\n101,2025-09-08,6,3,NA\n", Options{}, "101/0 stand 40 plants"},
		"years from the trial": {head + "101,2028-09-20,5,3\n", Options{}, "is more than a year from every visit"},
	} {
		tr, plots := plan()
		im, err := Yields(tr, plots, sheet(t, c.text), c.opt)
		got := outcome(im, err)
		for _, d := range im.Doubts {
			got += "\n" + fmt.Sprint(d)
		}
		if whole, ok := strings.CutPrefix(c.want, "="); ok && got != whole || !ok && !strings.Contains(got, c.want) {
			t.Errorf("%s: %s\nwant %s", name, got, c.want)
		}
	}
	// Picks of other sheets count: a plot that lacks one there is asked about, and
	// a row that stands in both is there once.
	stored := []record.Observation{{Plot: "101", Date: mustDay(t, "2025-09-01"), Variable: record.VarYield, Class: record.ClassMarketable, Value: 4, LengthMM: 3000}}
	im, err := yieldsOf(t, head+"101,2025-09-20,5,3\n102,2025-09-20,5,3\n", Options{Stored: stored})
	if err != nil || len(im.Questions) != 1 || !strings.Contains(im.Questions[0].Text(), "no weight for plot 102 at pick 1 (2025-09-01)") {
		t.Errorf("%+v %v", im.Questions, err)
	}
	stored[0].Date = mustDay(t, "2025-09-20")
	if im, err = yieldsOf(t, head+"101,2025-09-20,5,3\n102,2025-09-20,5,3\n", Options{Stored: stored}); err != nil || len(im.Questions) != 0 {
		t.Errorf("%+v %v", im.Questions, err)
	}
}

func mustDay(t *testing.T, text string) trial.Date {
	t.Helper()
	d, err := trial.ParseDate(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestRowsOfFieldWork: rates with their unit in either place, weights, ground and
// days; what contradicts itself is refused, what is unlikely asked about.
func TestRowsOfFieldWork(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		opt  Options
		want string
	}{
		"rate and unit":     {"date,operation,treatment,rate,rate unit\n2025-05-01,seeding,RYE,112,kg/ha\n", Options{}, "seeding RYE  112 kg/ha"},
		"unit in the cell":  {"date,operation,treatment,rate\n2025-05-01,seeding,RYE,112 kg/ha\n", Options{}, "seeding RYE  112 kg/ha"},
		"twice alike":       {"date,operation,treatment,rate,rate unit\n2025-05-01,seeding,RYE,112 lb/ac,lb/acre\n", Options{}, "seeding RYE  112 lb/ac"},
		"twice unlike":      {"date,operation,treatment,rate,rate unit\n2025-05-01,seeding,RYE,112 kg/ha,lb/acre\n", Options{}, "the rate is given in kg/ha and in lb/acre"},
		"no rate":           {"date,operation,treatment,rate,rate unit\n2025-05-01,seeding,RYE,0,kg/ha\n", Options{}, "seeding RYE  0 kg/ha"},
		"negative rate":     {"date,operation,treatment,rate,rate unit\n2025-05-01,seeding,RYE,-1,kg/ha\n", Options{}, "the rate -1 is negative"},
		"rate without unit": {"date,operation,treatment,rate\n2025-05-01,seeding,RYE,112\n", Options{}, "has no unit (kg/ha, lb/acre, ...)"},
		"weight":            {"date,operation,treatment,implement weight kg\n2025-05-01,rolling,RYE,0\n", Options{}, "rolling RYE  weighs 0"},
		"negative weight":   {"date,operation,treatment,implement weight kg\n2025-05-01,rolling,RYE,-1\n", Options{}, "the weight of the implement is negative"},
		"weight, no unit":   {"date,operation,treatment,implement weight\n2025-05-01,rolling,RYE,900\n", Options{}, "refused: counts.csv: column \"implement weight\" does not say its unit"},
		"weight by option":  {"date,operation,treatment,implement weight\n2025-05-01,rolling,RYE,900\n", Options{WeightUnit: "kg"}, "rolling RYE  weighs 900"},
		"no operation":      {"date,treatment\n2025-05-01,RYE\n", Options{}, "refused: counts.csv has no column for the operation"},
		"nothing done":      {"date,operation,treatment\n2025-05-01,NA,RYE\n", Options{}, "does not say what was done"},
		"no dates":          {"operation,treatment\nseeding,RYE\n", Options{}, "refused: counts.csv has no column for the date"},
		"date by option":    {"operation,treatment\nseeding,RYE\n", Options{Date: trial.Date{Year: 2025, Month: 5, Day: 1}}, "seeding RYE "},
		"blank date":        {"date,operation,treatment\n,seeding,RYE\n", Options{}, "has no date"},
		"one plot":          {"date,operation,plot\n2025-05-01,hoeing,101\n", Options{}, "hoeing  101"},
		"no such plot":      {"date,operation,plot\n2025-05-01,hoeing,999\n", Options{}, "row 2:"},
		"plot and its own":  {"date,operation,plot,treatment\n2025-05-01,hoeing,101,BARE\n", Options{}, "hoeing BARE 101"},
		"plot of another":   {"date,operation,plot,treatment\n2025-05-01,hoeing,101,RYE\n", Options{}, "plot 101 has treatment BARE in the layout, not RYE"},
		"told twice":        {"date,operation,treatment\n2025-05-01,hoeing,RYE\n2025-05-01,hoeing,RYE\n", Options{}, "row 3 says the same as row 2"},
		"two rates":         {"date,operation,treatment,rate,rate unit\n2025-05-01,seeding,RYE,1,kg/ha\n2025-05-01,seeding,RYE,2,kg/ha\n", Options{}, "seeding RYE  1 kg/ha; seeding RYE  2 kg/ha"},
		"years away":        {"date,operation,treatment\n2028-05-01,hoeing,RYE\n", Options{}, "is more than a year from every visit"},
	} {
		tr, plots := plan()
		im, err := Field(tr, plots, sheet(t, c.text), c.opt)
		var work []string
		for _, o := range im.Operations {
			text := o.What + " " + o.Treatment + " " + o.Plot
			if o.Rate != nil {
				text += fmt.Sprintf(" %g %s", *o.Rate, o.RateUnit)
			}
			if o.ImplementKG != nil {
				text += fmt.Sprintf(" weighs %g", *o.ImplementKG)
			}
			work = append(work, text)
		}
		got := strings.Join(work, "; ") + outcome(im, err)
		for _, d := range im.Doubts {
			got += "\n" + fmt.Sprint(d)
		}
		if !strings.Contains(got, c.want) || !strings.Contains(c.want, "says the same") && strings.Contains(got, "says the same") {
			t.Errorf("%s: %s\nwant %s", name, got, c.want)
		}
	}
}

// TestAmountsAtTheirLimits: the smaller unit below one of the larger, and no
// ground or an unknown unit gives none.
func TestAmountsAtTheirLimits(t *testing.T) {
	for _, c := range []struct {
		rate   float64
		unit   string
		area   float64
		us     bool
		amount float64
		in     string
	}{
		{1, "kg/m2", 1, false, 1, "kg"}, {0.999, "kg/m2", 1, false, 999, "g"}, {0.45359237, "kg/m2", 1, true, 1, "lb"}, {0.4535, "kg/m2", 1, true, 15.996743, "oz"},
		{200, "l/ha", 50, false, 1, "l"}, {200, "l/ha", 50, true, 1, "l"}, {5, "seeds/m2", 2, false, 10, "seeds"}, {3, "t/ha", 10, false, 3, "kg"}, {2, "g/m2", 10, false, 20, "g"}, {43560, "plants/acre", 0.09290304, true, 1, "plants"}, {10000, "plants/ha", 2, false, 2, "plants"}, {1, "plants/ft2", 0.09290304, true, 1, "plants"},
	} {
		got, in, ok := Amount(c.rate, c.unit, c.area, c.us)
		if !ok || in != c.in || math.Abs(got-c.amount) > 1e-6*c.amount {
			t.Errorf("%g %s on %g: %g %s %v, want %g %s", c.rate, c.unit, c.area, got, in, ok, c.amount, c.in)
		}
	}
	for _, area := range []float64{0, -1} {
		if _, _, ok := Amount(1, "kg/ha", area, false); ok {
			t.Errorf("on %g m²", area)
		}
	}
	if !SameRateUnit("lb / ac", "lbs per acre") || SameRateUnit("kg/ha", "t/ha") {
		t.Error("units of rates")
	}
}

// TestAnswersAboutUnlistedClasses: for all classes, class by class, or neither.
func TestAnswersAboutUnlistedClasses(t *testing.T) {
	for text, want := range map[string]string{
		"zero": "zero map[]", " Unknown ": "unknown map[]", "sedge=zero; Gr-ass = unknown": " map[grass:unknown sedge:zero]", "zero; sedge=unknown;": "zero map[sedge:unknown]", "": " map[]",
		"none": "refused", "sedge=": "refused", "=zero": "refused", "sedge=no": "refused",
	} {
		all, of, err := ParseUnlisted(text)
		got := fmt.Sprintf("%s %v", all, of)
		if err != nil {
			got = "refused"
		}
		if got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
	if !NameTaken("crop height") || NameTaken("sedge") {
		t.Error("names that are taken")
	}
	if got := fmt.Sprint(Ignored(map[string]Meaning{"b": {As: AsIgnore}, "a": {As: AsIgnore}, "c": {As: AsClass}})); got != "[a b]" {
		t.Errorf("%s", got)
	}
	for n, want := range []string{"", "a", "a and b", "a, b and c"} {
		if got := listed([]string{"a", "b", "c"}[:n]); got != want {
			t.Errorf("%q", got)
		}
	}
}

// TestQuestionsInWords: what is asked names the sheet's own words and an answer
// that can be typed as it stands.
func TestQuestionsInWords(t *testing.T) {
	for want, q := range map[string]Question{
		`is "sedge" (row 3) a class of weeds that the plan does not name? If so, say --columns "sedge=weed grass annual"`: UnknownClasses{Classes: []trial.Class{{Name: "sedge", Group: "Grass", Life: "annual"}}, Lines: []int{3}},
		`are "sedge" (row 3) and "a b" (row 4) classes of weeds`:                                                          UnknownClasses{Classes: []trial.Class{{Name: "sedge"}, {Name: "a b"}}, Lines: []int{3, 4}},
		`; a_b=weed" once`: UnknownClasses{Classes: []trial.Class{{Name: "sedge"}, {Name: "a b", Group: "trees"}}, Lines: []int{3, 4}},
		`the stand of plot 101 is given as 40 (row 2) and 41 (row 3): keep`:                                                                 StandDiffers{Plot: "101", Values: []float64{40, 41}, Lines: []int{2, 3}},
		`up to 5 and does not say its unit: are they percent (--columns "cover=cover %"), or a score (--columns "cover=assessment score")?`: Score{"cover", "cover", 5},
		`, proportions (--columns "cover=cover fraction"), or a score`:                                                                      Score{"cover", "cover", 1},
	} {
		if got := q.Text(); !strings.Contains(got, want) {
			t.Errorf("%s\nwant %s", got, want)
		}
	}
	err := Ask{"c.csv", []Question{Score{"cover", "cover", 5}, StandDiffers{Plot: "101"}}}
	if lines := strings.Split(err.Error(), "\n"); len(lines) != 2 || !strings.HasPrefix(lines[1], "c.csv: the stand of plot 101") {
		t.Errorf("%q", err.Error())
	}
	ask := asked(t, "plot,quadrat,visit,grass,soil temp C,boxes\n101,1,1,3,18,6\n", Options{})
	if text := ask.Questions[0].Text(); !strings.Contains(text, `what do the columns "soil temp C" (such as 18) and "boxes" (such as 6) hold? Say for each weed`) || !strings.Contains(text, `--columns "soil_temp=assessment C; boxes=ignore"`) {
		t.Errorf("%s", text)
	}
	ask = asked(t, "plot,quadrat,visit,grass,boxes\n101,1,1,3,6\n", Options{})
	if text := ask.Questions[0].Text(); !strings.Contains(text, `what does column "boxes" (such as 6) hold?`) || !strings.Contains(text, `--columns "boxes=weed"`) {
		t.Errorf("%s", text)
	}
	_, yerr := yieldsOf(t, "plot,date,marketable_kg,bed_length_m,boxes\n101,2025-09-20,5,3,7\n", Options{})
	var of Ask
	if !errors.As(yerr, &of) || !strings.Contains(of.Error(), `--columns "boxes=ignore"`) {
		t.Errorf("%v", yerr)
	}
}

// TestOptionsThatDoNothing: an option is told where the sheet itself says what it
// would say, and only there.
func TestOptionsThatDoNothing(t *testing.T) {
	date := trial.Date{Year: 2025, Month: 6, Day: 14}
	for name, c := range map[string]struct {
		kind Kind
		head string
		opt  Options
		want string
	}{
		"date":             {KindCounts, "plot,quadrat,date,grass", Options{Date: date}, "--date counts only in rows that leave column \"date\" blank"},
		"date of work":     {KindField, "date,operation", Options{Date: date}, "--date was not used: column \"date\" has the dates"},
		"date needed":      {KindField, "operation", Options{Date: date}, ""},
		"no date said":     {KindCounts, "plot,quadrat,date,grass", Options{}, ""},
		"visit":            {KindCounts, "plot,quadrat,visit,grass", Options{Visit: 1}, "--visit counts only in rows that leave column \"visit\" blank"},
		"visit needed":     {KindCounts, "plot,quadrat,grass", Options{Visit: 1}, ""},
		"observer":         {KindCounts, "plot,observer,grass", Options{Observer: "Ada"}, "--observer counts only in rows that leave column \"observer\" blank"},
		"observer needed":  {KindCounts, "plot,grass", Options{Observer: "Ada"}, ""},
		"length":           {KindYields, "plot,date,bed_length_m,total_kg", Options{LengthMM: 3000}, "--length was not used: column \"bed_length_m\" has the bed lengths"},
		"length needed":    {KindYields, "plot,date,total_kg", Options{LengthMM: 3000}, ""},
		"weight":           {KindYields, "plot,date,total_kg", Options{WeightUnit: "kg"}, "--weight was not used: the headers say the unit"},
		"weight needed":    {KindYields, "plot,date,total", Options{WeightUnit: "kg"}, ""},
		"of lengths":       {KindYields, "plot,date,bed_length_m,total_kg", Options{LengthUnit: "m"}, "--length-unit was not used: the headers say the unit, or there is no column of lengths"},
		"of length needed": {KindYields, "plot,date,bed_length,total_kg", Options{LengthUnit: "m"}, ""},
		"unlisted":         {KindCounts, "plot,grass", Options{Unlisted: record.UnlistedZero}, "--unlisted was not used: the sheet leaves no such class open"},
		"unlisted of one":  {KindCounts, "plot,grass", Options{UnlistedOf: map[string]record.Unlisted{"sedge": record.UnlistedZero}}, "--unlisted was not used: the sheet leaves no such class open"},
	} {
		cells := strings.Repeat(",1", strings.Count(c.head, ","))
		if got := strings.Join(Unused(c.kind, sheet(t, c.head+"\n1"+cells+"\n"), c.opt, Import{}), "; "); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
	im := Import{Observations: []record.Observation{{Class: "couch", Variable: record.VarCount}}}
	if got := fmt.Sprint(NotInSheet(sheet(t, "plot,crop_height_cm\n101,3\n"), im, []string{"plot", "cropheight", "cropheightcm", "couch", "count", "sedge"})); got != "[sedge]" {
		t.Errorf("%s", got)
	}
}
