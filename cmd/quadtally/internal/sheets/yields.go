package sheets

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/wording"
)

// Harvested is the variable of the number of heads, roots or fruits that were
// weighed; "pieces" is what the camera sees of weeds.
const Harvested = record.VarPieces

// Yields reads a sheet of harvested weights: plot, pick or date of the pick,
// marketable and cull weight, pieces, bed length cut, trim, stand. Several
// picks of a plot are rows of their own. A stand is one value a plot, in one of
// its rows or the same in all; where it differs, that is asked with an [Ask].
func Yields(t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) (Import, error) {
	r := newReader(KindYields, t, plots, s, opt)
	at, err := r.places(false)
	if err != nil {
		return Import{}, err
	}
	if err := r.unknownHarvestColumns(); err != nil {
		return Import{}, err
	}
	weights := map[string]map[int]tables.Value{} // by class
	counts := map[string]map[int]tables.Value{}  // by variable
	headers := map[string]string{}
	for i, h := range s.Header {
		col, unit, ok := r.find(h)
		if h == "" || !ok || !col.wide() {
			continue
		}
		stored := cmp.Or(col.Class, col.Target)
		if other, twice := headers[stored]; twice {
			return Import{}, fmt.Errorf("%s: the columns %q and %q both hold %s: rename one", s.Name, other, h, col.Name)
		}
		headers[stored] = h
		if col.Quantity == Things {
			counts[col.Target] = r.numbers(i)
			continue
		}
		factor, ok := units[Weight][cmp.Or(unit, opt.WeightUnit)]
		if !ok {
			return Import{}, fmt.Errorf("%s: column %q does not say its unit: write it into the header (%s_kg or %s_lb) or say --weight kg or --weight lb", s.Name, h, col.Name, col.Name)
		}
		weights[col.Class] = r.scaled(i, factor)
	}
	if weights[record.ClassMarketable] == nil && weights[record.ClassTotal] == nil {
		return Import{}, r.missingColumn("the weight (marketable_kg, cull_kg)")
	}
	lengths, err := r.bedLengths()
	if err != nil {
		return Import{}, err
	}
	pickc := r.column("pick")
	var blank []int
	for _, row := range s.Rows {
		p, ok := at[row.Line]
		if !ok {
			continue
		}
		if r.unfilled(row) {
			blank = append(blank, row.Line)
			continue
		}
		base := r.observation(row, p)
		base.Visit, base.Trim = 0, r.text(row, "trim")
		if pickc >= 0 {
			if base.Pick = row.Cells[pickc].Text; tables.IsMissing(row.Cells[pickc]) {
				r.fault(row.Line, "does not say which pick it is")
				continue
			}
		} else if p.date.IsZero() {
			r.fault(row.Line, "has no date of harvest")
			continue
		}
		base.LengthMM = opt.LengthMM
		if v, has := lengths[row.Line]; has {
			if v.Missing || v.Number <= 0 {
				r.fault(row.Line, "the bed length cut is blank or zero")
				continue
			}
			base.LengthMM = v.Number
		}
		if most := r.plotLength(p.plot); most > 0 && base.LengthMM > roomForRounding*most {
			r.fault(row.Line, "the bed length cut, %s, is more than plot %s has, %s: correct the length or its unit",
				trial.Length(base.LengthMM, r.t.Units), p.plot, trial.Length(most, r.t.Units))
			continue
		}
		r.checkYieldSum(row.Line, weights)
		for _, class := range []string{record.ClassMarketable, record.ClassCull, record.ClassTotal} {
			v, has := weights[class][row.Line]
			if m, graded := weights[record.ClassMarketable][row.Line]; !has || (class == record.ClassTotal && graded && !m.Missing) {
				continue // a total is checked against its parts and not stored beside them
			}
			if !v.Missing && v.Number < 0 {
				r.fault(row.Line, "the %s weight is negative", class)
				continue
			}
			o := base
			o.Variable, o.Class, o.Unit = record.VarYield, class, "kg"
			r.add(o, v)
		}
		for _, variable := range []string{record.VarPieces, record.VarStand} {
			if v, has := counts[variable][row.Line]; has && r.isCount(row.Line, variable, v) {
				o := base
				o.Variable, o.Unit = variable, "plants"
				if variable == record.VarPieces {
					o.Unit = "pieces"
				}
				r.add(o, v)
			}
		}
	}
	r.waiting(blank)
	if err := r.oneStand(); err != nil {
		return Import{}, err
	}
	r.checkDuplicates()
	im := r.done()
	r.askPicks(&im)
	r.doubtRepeats(im.Observations)
	r.doubtDates(im.Observations)
	r.doubtWeights(im.Observations)
	im.Doubts = r.out.Doubts
	return im, nil
}

// doubtRepeats asks about two picks on which all but a few plots weigh the same
// to the gram: a harvest that was typed in twice counts twice, in one sheet or in
// two. Noughts say nothing, and neither do a few plots.
func (r *reader) doubtRepeats(list []record.Observation) {
	const fewest, share = 3, 0.9
	type part struct{ plot, class string }
	picksOf := func(list []record.Observation) (picks map[string]map[part]float64, order []string) {
		picks = map[string]map[part]float64{}
		for _, o := range list {
			if o.Variable != record.VarYield || o.Missing || o.Value == 0 {
				continue
			}
			name := cmp.Or(o.Pick, o.Date.String())
			if picks[name] == nil {
				picks[name] = map[part]float64{}
				order = append(order, name)
			}
			picks[name][part{o.Plot, o.Class}] = o.Value
		}
		return picks, order
	}
	picks, order := picksOf(list)
	before, earlier := picksOf(r.opt.Stored)
	same := func(now, was map[part]float64) (n int, repeated bool) {
		for k, v := range now {
			if w, ok := was[k]; ok && w == v {
				n++
			}
		}
		return n, n >= fewest && float64(n) >= share*float64(len(now))
	}
	for i, now := range order {
		for _, was := range order[:i] {
			if n, repeated := same(picks[now], picks[was]); repeated {
				r.doubt("%d of %d weights of pick %s are those of pick %s: was the same weighed twice (--agreed)? If it was typed in twice, take one out", n, len(picks[now]), now, was)
			}
		}
		for _, was := range earlier {
			if picks[was] != nil {
				continue // more of a pick of this sheet, or what this sheet replaces
			}
			if n, repeated := same(picks[now], before[was]); repeated {
				r.doubt("%d of %d weights of pick %s are those of pick %s, entered before: was the same weighed twice (--agreed)? If it was typed in twice, leave this sheet out", n, len(picks[now]), now, was)
			}
		}
	}
}

// doubtWeights asks about a weight many times that of most plots, as grams in a
// column of kilograms are, and about a whole sheet that is as far off what was
// entered before. Few weights say nothing of each other.
func (r *reader) doubtWeights(list []record.Observation) {
	const fewest, many = 5, 50
	perMetre := func(list []record.Observation) map[string][]float64 { // by class, rising
		out := map[string][]float64{}
		for _, o := range list {
			if o.Variable == record.VarYield && !o.Missing && o.Value > 0 && o.LengthMM > 0 {
				out[o.Class] = append(out[o.Class], o.Value/o.LengthMM)
			}
		}
		for class := range out {
			slices.Sort(out[class])
		}
		return out
	}
	here := map[record.Key]bool{}
	for _, o := range list {
		here[o.Key()] = true
	}
	now := perMetre(list)
	before := perMetre(slices.DeleteFunc(slices.Clone(r.opt.Stored), func(o record.Observation) bool { return here[o.Key()] }))
	usual := map[string]float64{}
	for _, class := range slices.Sorted(maps.Keys(now)) {
		v, w := now[class], before[class]
		switch {
		case len(v) >= fewest:
			usual[class] = v[len(v)/2]
			if len(w) < fewest {
				break
			}
			if times := usual[class] / w[len(w)/2]; times > many || times < 1./many {
				r.doubt("the %s weights of this sheet are mostly %s times those entered before: are they right, and in the unit of the header (--agreed)? If not, correct the sheet", class, wording.Number(times, 3))
			}
		case len(w) >= fewest:
			usual[class] = w[len(w)/2]
		}
	}
	for _, o := range list {
		most := usual[o.Class]
		if o.Variable != record.VarYield || most == 0 || o.LengthMM <= 0 {
			continue
		}
		if o.Value/o.LengthMM > many*most {
			r.doubt("the %s weight of plot %s (row %d) is %.0f times that of most: is it right, and in the unit of the header (--agreed)? If not, correct it", o.Class, o.Plot, o.Line, o.Value/o.LengthMM/most)
		}
	}
}

// doubtDates asks about harvests outside the season of the plan.
func (r *reader) doubtDates(list []record.Observation) {
	for _, o := range list {
		if r.yearsAway(o.Date) {
			r.doubt("the harvest of %s (row %d) is more than a year from every visit: is the date right (--agreed)? If not, correct it", o.Date, o.Line)
			return
		}
		if !o.Date.IsZero() && !r.t.InSeason(o.Date) {
			r.doubt("the harvest of %s (row %d) lies outside the season %s to %s: is the date right (--agreed)? If not, correct it", o.Date, o.Line, r.t.SeasonStart, r.t.SeasonEnd)
			return
		}
	}
}

// roomForRounding lets a cut of 30 ft pass in a plot planned as 9 m.
const roomForRounding = 1.05

// plotLength is the length of bed in a plot, all its beds together, mm; 0 where
// the plan does not say.
func (r *reader) plotLength(id string) float64 {
	for _, p := range r.plots {
		if p.ID == id {
			return float64(max(1, p.Beds)) * p.LengthMM
		}
	}
	return 0
}

// unknownHarvestColumns asks about columns of numbers whose names say nothing.
func (r *reader) unknownHarvestColumns() error {
	q := UnknownColumns{Kind: r.kind}
	for i, h := range r.s.Header {
		if h == "" || r.opt.Columns[r.keyOf(h)].As == AsIgnore {
			continue
		}
		if _, _, ok := r.find(h); ok {
			continue
		}
		if example, numbers := r.firstNumber(i); numbers {
			name, unit := splitUnit(h)
			q.Columns = append(q.Columns, UnknownColumn{h, name, unit, example})
		} else {
			r.out.Notes = append(r.out.Notes, fmt.Sprintf("column %q holds no numbers and was passed over", h))
		}
	}
	if len(q.Columns) == 0 {
		return nil
	}
	return Ask{r.s.Name, []Question{q}}
}

func (r *reader) bedLengths() (map[int]tables.Value, error) {
	col := r.column("bed length")
	if col < 0 {
		if r.opt.LengthMM <= 0 {
			return nil, fmt.Errorf("%s has no column for the bed length that was cut, and without it a weight is no yield: add bed_length_m or bed_length_ft, or say --length 3m", r.s.Name)
		}
		return nil, nil
	}
	_, unit, _ := findColumn(r.kind, r.s.Header[col])
	factor, ok := units[Length][cmp.Or(unit, r.opt.LengthUnit)]
	if !ok {
		return nil, fmt.Errorf("%s: column %q does not say its unit: write it into the header (bed_length_m or bed_length_ft) or say --length-unit m or ft", r.s.Name, r.s.Header[col])
	}
	return r.scaled(col, factor), nil
}

// oneStand keeps one stand a plot: the first that is given. A stand is counted
// once a season, whichever pick its row is of.
func (r *reader) oneStand() error {
	ask := Ask{Sheet: r.s.Name}
	given := map[string][]record.Observation{}
	var order []string
	r.out.Observations = slices.DeleteFunc(r.out.Observations, func(o record.Observation) bool {
		if o.Variable != record.VarStand {
			return false
		}
		if given[o.Plot] == nil {
			order = append(order, o.Plot)
		}
		given[o.Plot] = append(given[o.Plot], o)
		return true
	})
	for _, plot := range order {
		list := given[plot]
		keep := list[0]
		q := StandDiffers{Plot: plot}
		for _, o := range list {
			if o.Missing {
				continue
			}
			if keep.Missing {
				keep = o
			}
			if !slices.Contains(q.Values, o.Value) {
				q.Values, q.Lines = append(q.Values, o.Value), append(q.Lines, o.Line)
			}
		}
		if len(q.Values) > 1 {
			ask.Questions = append(ask.Questions, q)
			continue
		}
		keep.Pick = ""
		r.out.Observations = append(r.out.Observations, keep)
	}
	if len(ask.Questions) > 0 {
		return ask
	}
	return nil
}

// askPicks asks about plots of the sheet, or of other sheets, that lack a pick
// which others have.
func (r *reader) askPicks(im *Import) {
	list := slices.Clone(im.Observations)
	here := map[record.Key]bool{}
	for _, o := range list {
		here[o.Key()] = true
	}
	for _, o := range r.opt.Stored {
		if !here[o.Key()] {
			list = append(list, o)
		}
	}
	var plots []trial.Plot
	for _, p := range r.plots {
		if slices.ContainsFunc(list, func(o record.Observation) bool { return o.Plot == p.ID && o.Variable == record.VarYield }) {
			plots = append(plots, p)
		}
	}
	h := record.HarvestsOf(list, plots)
	if text, _ := h.Question(); text != "" {
		im.Questions = append(im.Questions, PicksMissing{h})
	}
}

// checkYieldSum compares an entered total with its parts.
func (r *reader) checkYieldSum(line int, weights map[string]map[int]tables.Value) {
	known := func(class string) *float64 {
		if v, ok := weights[class][line]; ok && !v.Missing {
			return &v.Number
		}
		return nil
	}
	if total := known(record.ClassTotal); total != nil {
		if w := (record.Weights{Total: *total, Marketable: known(record.ClassMarketable), Cull: known(record.ClassCull)}); w.Disagree() {
			r.fault(line, "has %s: correct the one that is wrong", w.Text(r.t.Units))
		}
	}
}
