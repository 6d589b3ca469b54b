package trial

import (
	"fmt"
	"strings"
	"time"
	"unicode"

	"quadtally/cmd/quadtally/internal/wording"
)

// Fault is one thing wrong with a plan, a layout or a table, in one sentence.
type Fault struct {
	Where string // "plan.txt:7", "treatments", "row 12"
	Text  string
}

// Error writes place and fact.
func (f Fault) Error() string {
	if f.Where == "" {
		return f.Text
	}
	return f.Where + ": " + f.Text
}

// Faults are all faults found, in the order of what was read. As an error it
// has one line for each.
type Faults []Fault

// Error lists every fault, one a line.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// Err returns fs as an error, nil where there are none.
func (fs Faults) Err() error {
	if len(fs) == 0 {
		return nil
	}
	return fs
}

func (fs *Faults) add(where, format string, args ...any) {
	*fs = append(*fs, Fault{where, fmt.Sprintf(format, args...)})
}

// Defaults is a plan with everything that has a sensible start: four quadrats
// of 500 x 500 mm at fresh spots, visits matched within three days, five
// randomised complete blocks. What only the grower can know is left empty.
func Defaults() Trial {
	return Trial{
		Design:             CompleteBlocks,
		Blocks:             5,
		Units:              Metric,
		VisitToleranceDays: 3,
		Ground:             Ground{Beds: 1, GradientRuns: AlongBeds},
		Quadrat:            Quadrat{WidthMM: 500, LengthMM: 500, PerPlot: 4, CountRule: "plants rooted inside the inner edge of the frame, cotyledons counted"},
	}
}

// VisitsEvery lists the days from start to end, every so many days. It is
// empty where days is below 1 or end comes before start.
func VisitsEvery(start, end Date, days int) []Date {
	var v []Date
	if days < 1 || start.IsZero() {
		return nil
	}
	for d := start; d.DaysTo(end) >= 0; d = d.AddDays(days) {
		v = append(v, d)
	}
	return v
}

// TagFor proposes the four characters printed in every card's code: the first
// letters and digits of the name, filled up with X.
func TagFor(name string) string {
	tag := make([]rune, 0, 4)
	for _, r := range strings.ToUpper(name) {
		if len(tag) < 4 && (r >= 'A' && r <= 'Z' || r >= '0' && r <= '9') {
			tag = append(tag, r)
		}
	}
	for len(tag) < 4 {
		tag = append(tag, 'X')
	}
	return string(tag)
}

// MaxLatin is the largest Latin square that is laid out: larger ones are not
// used in the field.
const MaxLatin = 12

// maxPlots keeps a slip of the pen (blocks: 40000) from filling the memory.
const maxPlots = 2000

// maxInBlock is how many plots of a block can be numbered.
const maxInBlock = 99

// Validate returns everything wrong with a plan that is to be laid out. An
// existing layout is checked by FromTable instead, with ValidateRecord for
// what a trial needs in either case.
func Validate(t *Trial) Faults {
	fs := ValidateRecord(t)
	n := len(t.Treatments)
	if t.Blocks < 1 {
		fs.add("blocks", "%d is not a number of blocks: give at least 2, usually 4 to 6", t.Blocks)
	} else if t.Blocks == 1 {
		fs.add("blocks", "one block gives no replication: give at least 2, usually 4 to 6")
	}
	if n > 0 && t.Blocks > maxPlots/n {
		fs.add("blocks", "%d blocks of %d treatments is more than %d plots: check the numbers", t.Blocks, n, maxPlots)
	}
	if n > maxInBlock {
		fs.add("treatments", "%d given: the plots of a block are numbered 101 to 199, so at most %d fit; enter a larger layout as a table with --layout", n, maxInBlock)
	}
	switch t.Design {
	case LatinSquare:
		if n != t.Blocks {
			fs.add("design", "a Latin square needs as many rows as treatments: %d treatments but %d blocks", n, t.Blocks)
		}
		if n > MaxLatin {
			fs.add("design", "a Latin square of %d treatments is larger than %d: use randomised complete blocks", n, MaxLatin)
		}
	case IncompleteBlocks:
		switch {
		case t.BlockSize < 2:
			fs.add("block size", "incomplete blocks need the number of plots in a block, at least 2")
		case t.BlockSize >= n:
			fs.add("block size", "blocks of %d plots hold all %d treatments: use randomised complete blocks", t.BlockSize, n)
		case n > 40 || t.Blocks > 60 || t.BlockSize > 10:
			fs.add("design", "incomplete blocks are searched for up to 40 treatments, 60 blocks and 10 plots a block: enter a published plan as a table instead")
		}
	case CompletelyRandomised, CompleteBlocks:
	default:
		fs.add("design", "%q is not a design: use %q, %q, %q or %q", t.Design,
			CompletelyRandomised, CompleteBlocks, LatinSquare, IncompleteBlocks)
	}
	checkGround(t, &fs)
	return fs
}

// ValidateRecord returns what is wrong with the parts every trial needs,
// whether it is laid out here or was already in the ground.
func ValidateRecord(t *Trial) Faults {
	var fs Faults
	if strings.TrimSpace(t.Name) == "" {
		fs.add("trial", "the trial has no name")
	}
	if len(t.Tag) != 4 || strings.Trim(t.Tag, "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		fs.add("tag", "%q is not four of A to Z and 0 to 9: it is printed in every card's code, for example %q", t.Tag, TagFor(t.Name))
	}
	if t.Units != Metric && t.Units != US {
		fs.add("units", "%q is not known: use %q or %q", t.Units, Metric, US)
	}
	checkTreatments(t, &fs)
	q := t.Quadrat
	if !(q.WidthMM >= 50 && q.WidthMM <= 5000 && q.LengthMM >= 50 && q.LengthMM <= 5000) {
		fs.add("quadrat", "the frame's inner size is needed, each side between %s and %s: it is never assumed", Length(50, t.Units), Length(5000, t.Units))
	}
	if q.PerPlot < 1 || q.PerPlot > 99 {
		fs.add("quadrats per plot", "%d is not between 1 and 99", q.PerPlot)
	}
	if t.VisitToleranceDays < 0 || t.VisitToleranceDays > 60 {
		fs.add("visit tolerance", "%d days is not between 0 and 60", t.VisitToleranceDays)
	}
	if !t.SeasonStart.IsZero() && !t.SeasonEnd.IsZero() && t.SeasonStart.DaysTo(t.SeasonEnd) < 0 {
		fs.add("season", "the season ends on %s before it starts on %s", t.SeasonEnd, t.SeasonStart)
	}
	if t.SeasonStart.IsZero() != t.SeasonEnd.IsZero() {
		fs.add("season", "give both its first and its last day, or neither")
	}
	for i, v := range t.Visits {
		switch {
		case v.IsZero():
			fs.add("visits", "visit %d has no date", i+1)
		case i > 0 && t.Visits[i-1].DaysTo(v) <= 0:
			fs.add("visits", "visit %d on %s does not come after visit %d on %s", i+1, v, i, t.Visits[i-1])
		case !t.InSeason(v):
			fs.add("visits", "visit %d on %s lies outside the season", i+1, v)
		}
	}
	if m := t.AgreementMargin; m != nil && !(*m > 0 && *m < 100) {
		fs.add("agreement margin", "%g points of cover is not between 0 and 100", *m)
	}
	for _, d := range []Date{t.SeasonStart, t.SeasonEnd} {
		if !d.IsZero() && !d.sound() {
			fs.add("season", "%s is not a date", d)
		}
	}
	return fs
}

// sound reports whether the date is in the calendar.
func (d Date) sound() bool {
	return d.Year >= 1 && d.Year <= 9999 && d.Month >= time.January && d.Month <= time.December && DateOf(d.utc()) == d
}

func checkTreatments(t *Trial, fs *Faults) {
	if len(t.Treatments) < 2 {
		fs.add("treatments", "%d given: need at least 2 to compare", len(t.Treatments))
	}
	seen := map[string]string{}
	controls, rates := 0, 0
	for _, tr := range t.Treatments {
		key := Label(tr.Code)
		switch {
		case key == "":
			fs.add("treatments", "a treatment has no code")
		case seen[key] != "":
			fs.add("treatments", "%q and %q are the same label: give each treatment a code of its own", seen[key], tr.Code)
		case strings.ContainsFunc(tr.Code, func(r rune) bool { return unicode.IsControl(r) || r == ';' || r == '=' || r == ',' || r == '#' }):
			fs.add("treatments", "the code %q holds one of = ; , # or an unprintable character", tr.Code)
		}
		seen[key] = tr.Code
		if tr.Control {
			controls++
		}
		if tr.Rate != nil {
			rates++
			if !(*tr.Rate >= 0 && *tr.Rate <= 1e9) {
				fs.add("treatments", "the rate of %s is not a number from 0 up", tr.Code)
			}
		}
	}
	if controls > 1 {
		fs.add("treatments", "%d treatments are marked as control: mark one", controls)
	}
	checkGroups(t, fs)
	if rates > 0 && rates < 2 {
		fs.add("treatments", "only one treatment has a rate: an ordered set needs two or more, so leave it in the name")
	}
}

func checkGround(t *Trial, fs *Faults) {
	g, q := t.Ground, t.Quadrat
	if g.Beds < 1 || g.Beds > 100 {
		fs.add("beds per plot", "%d is not between 1 and 100", g.Beds)
		return
	}
	if !(g.BedSpacingMM >= 200 && g.BedSpacingMM <= 20000) {
		fs.add("bed spacing", "the spacing centre to centre, path included, is needed (between 0.2 m and 20 m): yields per area rest on it")
		return
	}
	if !(g.LengthMM > 0 && g.LengthMM <= 1e7) {
		fs.add("plot length", "the length of a plot along the bed is needed")
		return
	}
	for _, v := range []struct {
		key string
		mm  float64
	}{{"end border", g.BorderMM}, {"side border", g.SideBorderMM}, {"alley", g.AlleyMM}, {"bed top", g.BedTopMM}, {"control length", g.ControlLengthMM}} {
		if !(v.mm >= 0 && v.mm <= 1e7) {
			fs.add(v.key, "a length below nothing or beyond 10 km makes no sense")
			return
		}
	}
	if g.BedTopMM > g.BedSpacingMM {
		fs.add("bed top", "%s of planted width is wider than the bed spacing of %s", Length(g.BedTopMM, t.Units), Length(g.BedSpacingMM, t.Units))
	}
	if g.ControlLengthMM > g.LengthMM {
		fs.add("control length", "the control's plots would be longer than their places")
	}
	switch g.GradientRuns {
	case "", AlongBeds, AcrossBeds:
	default:
		fs.add("gradient runs", "%q is not known: use %q or %q", g.GradientRuns, AlongBeds, AcrossBeds)
	}
	if b := g.BearingDeg; b != nil && !(*b >= 0 && *b < 360) {
		fs.add("beds point to", "%g is not a compass bearing from 0 up to 360 degrees", *b)
	}
	checkSlots(t, fs)
	for _, b := range g.SampleBeds {
		if b < 1 || b > g.Beds {
			fs.add("sample beds", "a plot has no bed %d: it is %s wide", b, wording.Plural(g.Beds, "bed"))
			return
		}
	}
	width := g.PlotWidthMM()
	for _, s := range g.Avoid {
		if !(s.FromMM >= 0 && s.FromMM < s.ToMM && s.ToMM <= width) {
			fs.add("avoid", "the strip from %s to %s does not lie inside the plot's width of %s",
				Length(s.FromMM, t.Units), Length(s.ToMM, t.Units), Length(width, t.Units))
		}
	}
	if q.PerPlot < 1 || q.PerPlot > 99 || q.WidthMM <= 0 || q.LengthMM <= 0 {
		return
	}
	lengths := []float64{g.LengthMM}
	for _, s := range g.Sections {
		lengths = append(lengths, s.LengthMM...)
	}
	if g.ControlLengthMM > 0 {
		lengths = append(lengths, g.ControlLengthMM)
	}
	for _, l := range lengths {
		if err := roomFor(t, Plot{Beds: g.Beds, LengthMM: l}); err != nil {
			fs.add("quadrat", "%v", err)
		}
	}
}
