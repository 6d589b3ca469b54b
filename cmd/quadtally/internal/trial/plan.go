package trial

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// A plan file is plain text: one `key: value` a line, `treatment:` once for
// each treatment, `avoid:` once for each strip; blank lines and lines that
// begin with # are remarks. Keys may stand in any order and in any case.
//
//	trial: Alder Bend leeks
//	design: randomised complete blocks
//	blocks: 5
//	treatment: BARE = tilled bare ground; control
//	treatment: RYE = rolled rye; rate 110 kg/ha; seeded 2025-09-20; terminated 2026-05-18
//	avoid: 1.4 m to 1.6 m; wheel track

// maxPlanBytes is far above any plan written by hand.
const maxPlanBytes = 1 << 20

// field is one key of the plan file: how it is read and how it is written. An
// empty written value leaves the line out.
type field struct {
	key   string
	read  func(t *Trial, v string) error
	write func(t *Trial) string   // nil for a key that may stand more than once
	lines func(t *Trial) []string // of such a key, one value a line
}

// values are the values a plan has for a key, as they stand in a plan file.
func (f *field) values(t *Trial) []string {
	if f.write == nil {
		return f.lines(t)
	}
	if v := f.write(t); v != "" {
		return []string{v}
	}
	return nil
}

// text keeps a value on its one line whatever it holds.
func text(at func(t *Trial) *string) (func(*Trial, string) error, func(*Trial) string) {
	return func(t *Trial, v string) error { *at(t) = v; return nil },
		func(t *Trial) string { return CleanLabel(*at(t)) }
}

func whole(at func(t *Trial) *int, omitZero bool) (func(*Trial, string) error, func(*Trial) string) {
	return func(t *Trial, v string) error {
			n, err := strconv.Atoi(strings.TrimSuffix(strings.TrimSuffix(v, " days"), " day"))
			if err != nil {
				return fmt.Errorf("%q is not a whole number", v)
			}
			*at(t) = n
			return nil
		}, func(t *Trial) string {
			if omitZero && *at(t) == 0 {
				return ""
			}
			return strconv.Itoa(*at(t))
		}
}

func length(at func(t *Trial) *float64) (func(*Trial, string) error, func(*Trial) string) {
	return func(t *Trial, v string) (err error) { *at(t), err = ParseLength(v); return err },
		func(t *Trial) string {
			if *at(t) == 0 {
				return ""
			}
			return exactLength(*at(t), t.Units)
		}
}

// words are the fixed answers a key takes.
func words[T ~string](at func(t *Trial) *T, known ...T) (func(*Trial, string) error, func(*Trial) string) {
	return func(t *Trial, v string) error {
			for _, k := range known {
				if strings.EqualFold(CleanLabel(v), string(k)) {
					*at(t) = k
					return nil
				}
			}
			quoted := make([]string, len(known))
			for i, k := range known {
				quoted[i] = strconv.Quote(string(k))
			}
			return fmt.Errorf("%q is not known: use %s", v, strings.Join(quoted, ", "))
		},
		func(t *Trial) string { return string(*at(t)) }
}

// planFields lists the keys in the order they are written.
var planFields = []field{
	row("trial")(text(func(t *Trial) *string { return &t.Name })),
	row("tag")(text(func(t *Trial) *string { return &t.Tag })),
	row("site")(text(func(t *Trial) *string { return &t.Site })),
	row("crop")(text(func(t *Trial) *string { return &t.Crop })),
	row("cultivar")(text(func(t *Trial) *string { return &t.Cultivar })),
	row("soil")(text(func(t *Trial) *string { return &t.Soil })),
	row("previous crop")(text(func(t *Trial) *string { return &t.PreviousCrop })),
	row("weather")(text(func(t *Trial) *string { return &t.Weather })),
	row("question")(text(func(t *Trial) *string { return &t.Question })),
	row("units")(words(func(t *Trial) *Units { return &t.Units }, Metric, US)),
	row("design")(words(func(t *Trial) *Design { return &t.Design }, CompleteBlocks, CompletelyRandomised, LatinSquare, IncompleteBlocks)),
	row("blocks")(whole(func(t *Trial) *int { return &t.Blocks }, false)),
	row("block size")(whole(func(t *Trial) *int { return &t.BlockSize }, true)),
	{key: "treatment", read: readTreatment, lines: func(t *Trial) []string { return eachLine(t.Treatments, writeTreatment) }},
	{key: "contrast", read: readContrast, lines: func(t *Trial) []string { return eachLine(t.Contrasts, writeContrast) }},
	{key: "factor", read: readFactor, lines: func(t *Trial) []string { return eachLine(t.Factors, writeFactor) }},
	{key: "class", read: readClass, lines: func(t *Trial) []string { return eachLine(t.Classes, writeClass) }},
	row("primary response")(text(func(t *Trial) *string { return &t.Primary })),
	row("beds")(whole(func(t *Trial) *int { return &t.Ground.FieldBeds }, true)),
	row("beds per plot")(whole(func(t *Trial) *int { return &t.Ground.Beds }, false)),
	row("bed spacing")(length(func(t *Trial) *float64 { return &t.Ground.BedSpacingMM })),
	row("bed top")(length(func(t *Trial) *float64 { return &t.Ground.BedTopMM })),
	{key: "sections", read: readSections, write: writeSections},
	{key: "spare", read: readSpare, write: writeSpare},
	{key: "sample beds", read: readSampleBeds, write: writeSampleBeds},
	row("rows per bed")(whole(func(t *Trial) *int { return &t.Ground.RowsPerBed }, true)),
	row("row spacing")(length(func(t *Trial) *float64 { return &t.Ground.RowSpacingMM })),
	row("drill row spacing")(length(func(t *Trial) *float64 { return &t.Ground.DrillRowMM })),
	row("plot length")(length(func(t *Trial) *float64 { return &t.Ground.LengthMM })),
	row("control length")(length(func(t *Trial) *float64 { return &t.Ground.ControlLengthMM })),
	row("end border")(length(func(t *Trial) *float64 { return &t.Ground.BorderMM })),
	row("side border")(length(func(t *Trial) *float64 { return &t.Ground.SideBorderMM })),
	row("alley")(length(func(t *Trial) *float64 { return &t.Ground.AlleyMM })),
	{key: "avoid", read: readStrip, lines: func(t *Trial) []string {
		return eachLine(t.Ground.Avoid, func(s Strip) string { return writeStrip(s, t.Units) })
	}},
	row("gradient")(text(func(t *Trial) *string { return &t.Ground.Gradient })),
	row("gradient runs")(words(func(t *Trial) *Direction { return &t.Ground.GradientRuns }, AlongBeds, AcrossBeds)),
	{key: "beds point to", read: readBearing, write: func(t *Trial) string {
		if t.Ground.BearingDeg == nil {
			return ""
		}
		return number(*t.Ground.BearingDeg)
	}},
	{key: "quadrat", read: func(t *Trial, v string) (err error) {
		t.Quadrat.WidthMM, t.Quadrat.LengthMM, err = ParseSize(v)
		return err
	}, write: func(t *Trial) string {
		return exactLength(t.Quadrat.WidthMM, t.Units) + " x " + exactLength(t.Quadrat.LengthMM, t.Units)
	}},
	{key: "frame pipe", read: func(t *Trial, v string) (err error) {
		t.Quadrat.PipeMM, err = ParseLength(v)
		return err
	}, write: func(t *Trial) string {
		if t.Quadrat.PipeMM == 0 {
			return ""
		}
		return exactLength(t.Quadrat.PipeMM, t.Units)
	}},
	row("quadrats per plot")(whole(func(t *Trial) *int { return &t.Quadrat.PerPlot }, false)),
	{key: "quadrat spots", read: func(t *Trial, v string) error {
		switch strings.ToLower(v) {
		case "permanent", "fresh":
			t.Quadrat.Permanent = strings.EqualFold(v, "permanent")
			return nil
		}
		return fmt.Errorf("%q is not known: use \"fresh\" (drawn anew for each visit) or \"permanent\" (the same marked spots)", v)
	}, write: func(t *Trial) string {
		if t.Quadrat.Permanent {
			return "permanent"
		}
		return "fresh"
	}},
	row("count rule")(text(func(t *Trial) *string { return &t.Quadrat.CountRule })),
	{key: "season", read: readSeason, write: func(t *Trial) string {
		if t.SeasonStart.IsZero() || t.SeasonEnd.IsZero() {
			return ""
		}
		return t.SeasonStart.String() + " to " + t.SeasonEnd.String()
	}},
	{key: "visits", read: readVisits, write: func(t *Trial) string {
		days := make([]string, len(t.Visits))
		for i, d := range t.Visits {
			days[i] = d.String()
		}
		return strings.Join(days, ", ")
	}},
	row("visit tolerance")(whole(func(t *Trial) *int { return &t.VisitToleranceDays }, false)),
	{key: "agreement margin", read: func(t *Trial, v string) error {
		m, err := strconv.ParseFloat(strings.TrimSuffix(v, " points"), 64)
		if err != nil {
			return fmt.Errorf("%q is not a number of points of cover", v)
		}
		t.AgreementMargin = &m
		return nil
	}, write: func(t *Trial) string {
		if t.AgreementMargin == nil {
			return ""
		}
		return number(*t.AgreementMargin) + " points"
	}},
	{key: "work", read: readWord, lines: func(t *Trial) []string { return eachLine(t.Words, writeWord) }},
	{key: "seed", read: func(t *Trial, v string) (err error) {
		if t.Seed, err = strconv.ParseUint(v, 10, 64); err != nil {
			return fmt.Errorf("%q is not a whole number from 0 to 18446744073709551615", v)
		}
		return nil
	}, write: func(t *Trial) string { return strconv.FormatUint(t.Seed, 10) }},
}

func row(key string) func(read func(*Trial, string) error, write func(*Trial) string) field {
	return func(read func(*Trial, string) error, write func(*Trial) string) field {
		return field{key: key, read: read, write: write}
	}
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// ReadPlan reads a plan file over a plan, such as Defaults or one that is to be
// amended; name is for messages. Keys that the file does not name keep their
// values, and a key that may stand more than once is replaced by all the lines
// that the file has for it. It reads as much as it can and returns every fault
// with its line. The plan as a whole is judged by Validate: one that is to take
// its plots from a table (FromTable) may lack what the table brings.
func ReadPlan(over Trial, r io.Reader, name string) (Trial, Faults) {
	t := over
	var faults Faults
	data, err := io.ReadAll(io.LimitReader(r, maxPlanBytes+1))
	switch {
	case err != nil:
		faults.add(name, "cannot be read: %v", err)
	case len(data) > maxPlanBytes:
		faults.add(name, "is larger than a plan can be")
	case !utf8.Valid(data):
		faults.add(name, "is not plain text in UTF-8: save it as plain text")
	}
	if len(faults) > 0 {
		return t, faults
	}
	seen := map[string]int{}
	lines := bufio.NewScanner(strings.NewReader(strings.TrimPrefix(string(data), "\ufeff")))
	lines.Buffer(nil, maxPlanBytes+1)
	for n := 1; lines.Scan(); n++ {
		line := CleanLabel(lines.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		where := fmt.Sprintf("%s:%d", name, n)
		key, value, ok := strings.Cut(line, ":")
		key, value = Label(key), strings.TrimSpace(value)
		at := slices.IndexFunc(planFields, func(f field) bool { return f.key == key })
		switch {
		case !ok:
			faults.add(where, "%q is not `key: value`; put # in front of a remark", clip(line))
			continue
		case at < 0:
			faults.add(where, "there is no key %q%s", clip(key), closestKey(key))
			continue
		case value == "":
			faults.add(where, "%s has no value: fill it in or take the line out", key)
			continue
		case strings.ContainsFunc(value, func(r rune) bool { return unicode.IsControl(r) }):
			faults.add(where, "%s holds an unprintable character", key)
			continue
		}
		if first := seen[key]; first > 0 && planFields[at].write != nil {
			faults.add(where, "%s was already given in line %d", key, first)
			continue
		}
		if seen[key] == 0 {
			t.clearLines(key)
		}
		seen[key] = n
		if err := planFields[at].read(&t, value); err != nil {
			faults.add(where, "%s: %v", key, err)
		}
	}
	if len(seen) == 0 && len(faults) > 5 { // some other file: its lines say nothing more
		faults = nil
		faults.add(name, "is no plan: not one of its lines is `key: value` with a key of a plan; `quadtally help new` lists them")
	}
	if t.Tag == "" && t.Name != "" {
		t.Tag = TagFor(t.Name)
	}
	if t.Ground.LengthMM == 0 && len(t.Ground.Sections) > 0 {
		t.Ground.LengthMM = shortestSection(t.Ground.Sections)
	}
	return t, faults
}

// clearLines takes out what a plan has for a key that may stand more than once.
func (t *Trial) clearLines(key string) {
	switch key {
	case "treatment":
		t.Treatments = nil
	case "contrast":
		t.Contrasts = nil
	case "factor":
		t.Factors = nil
	case "class":
		t.Classes = nil
	case "avoid":
		t.Ground.Avoid = nil
	case "work":
		t.Words = nil
	}
}

// SetAll gives one key of a plan all the values that would stand in a plan
// file, in place of those it has.
func (t *Trial) SetAll(key string, values []string) error {
	t.clearLines(key)
	for _, v := range values {
		if err := t.Set(key, v); err != nil {
			return err
		}
	}
	return nil
}

// PlanKeys lists the keys of a plan file, in the order they are written.
func PlanKeys() []string {
	keys := make([]string, len(planFields))
	for i, f := range planFields {
		keys[i] = f.key
	}
	return keys
}

// Set gives one key of a plan the value that would stand in a plan file. A
// treatment or a strip to avoid is added to those there are.
func (t *Trial) Set(key, value string) error {
	i := slices.IndexFunc(planFields, func(f field) bool { return f.key == key })
	if i < 0 {
		return fmt.Errorf("there is no key %q%s", clip(key), closestKey(key))
	}
	value = CleanLabel(value)
	if value == "" || strings.ContainsFunc(value, unicode.IsControl) {
		return fmt.Errorf("the value is empty or holds an unprintable character")
	}
	return planFields[i].read(t, value)
}

// clip keeps a message short whatever stands in the file.
func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "..."
	}
	return s
}

// closestKey names the key that shares the longest beginning or end.
func closestKey(key string) string {
	best, most := "", 2
	for _, f := range planFields {
		n := 0
		for n < len(f.key) && n < len(key) && f.key[n] == key[n] {
			n++
		}
		m := 0
		for m < len(f.key) && m < len(key) && f.key[len(f.key)-1-m] == key[len(key)-1-m] {
			m++
		}
		if n = max(n, m); n > most {
			best, most = f.key, n
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf("; perhaps %q is meant", best)
}

// readTreatment reads `CODE = name; control; rate 110 kg/ha; seeded DATE;
// terminated DATE`; everything after the code may be left out.
func readTreatment(t *Trial, v string) error {
	parts := strings.Split(v, ";")
	code, name, _ := strings.Cut(parts[0], "=")
	tr := Treatment{Code: strings.TrimSpace(code), Name: strings.TrimSpace(name)}
	var err error
	for _, p := range parts[1:] {
		word, rest, _ := strings.Cut(strings.TrimSpace(p), " ")
		switch strings.ToLower(word) {
		case "seed", "sow":
			var seed Seed
			seed, err = readSeed(rest)
			tr.Seeds = append(tr.Seeds, seed)
		case "control":
			tr.Control = true
		case "rate":
			n, unit, _ := strings.Cut(strings.TrimSpace(rest), " ")
			rate, e := strconv.ParseFloat(n, 64)
			if e != nil {
				return fmt.Errorf("%s: the rate %q is not a number with a unit, such as 110 kg/ha", tr.Code, rest)
			}
			tr.Rate, tr.RateUnit = &rate, strings.TrimSpace(unit)
		case "seeded":
			for i, day := range strings.Split(rest, ",") {
				var d Date
				if d, err = ParseDate(day); err != nil {
					break
				}
				if i == 0 {
					tr.Seeded = d
				} else {
					tr.SeededAlso = append(tr.SeededAlso, d)
				}
			}
		case "terminated":
			tr.Terminated, err = ParseDate(rest)
		default:
			return fmt.Errorf("%s: %q is not known: use control, rate, seed, seeded or terminated, each after a ;", tr.Code, clip(strings.TrimSpace(p)))
		}
		if err != nil {
			return fmt.Errorf("%s: %s: %w", tr.Code, word, err)
		}
	}
	t.Treatments = append(t.Treatments, tr)
	return nil
}

func writeTreatment(tr Treatment) string {
	s := tr.Code
	if tr.Name != "" {
		s += " = " + strings.ReplaceAll(CleanLabel(tr.Name), ";", ",")
	}
	if tr.Control {
		s += "; control"
	}
	if tr.Rate != nil {
		s += strings.TrimRight("; rate "+number(*tr.Rate)+" "+strings.ReplaceAll(CleanLabel(tr.RateUnit), ";", ","), " ")
	}
	for _, seed := range tr.Seeds {
		s += "; seed " + writeSeed(seed)
	}
	if !tr.Seeded.IsZero() {
		s += "; seeded " + tr.Seeded.String()
		for _, d := range tr.SeededAlso {
			s += ", " + d.String()
		}
	}
	if !tr.Terminated.IsZero() {
		s += "; terminated " + tr.Terminated.String()
	}
	return s
}

// readStrip reads `0.6 m to 0.9 m; wheel track`.
func readStrip(t *Trial, v string) error {
	place, why, _ := strings.Cut(v, ";")
	from, to, ok := strings.Cut(place, " to ")
	if !ok {
		return fmt.Errorf("%q is not a strip: write it as 0.6 m to 0.9 m; wheel track", clip(v))
	}
	a, err := ParseLength(from)
	if err != nil {
		return err
	}
	b, err := ParseLength(to)
	if err != nil {
		return err
	}
	t.Ground.Avoid = append(t.Ground.Avoid, Strip{FromMM: a, ToMM: b, Why: strings.TrimSpace(why)})
	return nil
}

func writeStrip(s Strip, u Units) string {
	v := exactLength(s.FromMM, u) + " to " + exactLength(s.ToMM, u)
	if s.Why != "" {
		v += "; " + CleanLabel(s.Why)
	}
	return v
}

var compass = []string{"north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"}

func readBearing(t *Trial, v string) error {
	key := strings.ReplaceAll(Label(v), " ", "-")
	deg, err := strconv.ParseFloat(strings.TrimRight(v, "° "), 64)
	if i := slices.Index(compass, key); i >= 0 {
		deg, err = float64(i)*45, nil
	}
	if err != nil {
		return fmt.Errorf("%q is not a compass direction: write north, north-east ... or degrees from north", clip(v))
	}
	t.Ground.BearingDeg = &deg
	return nil
}

func readSeason(t *Trial, v string) (err error) {
	from, to, ok := strings.Cut(v, " to ")
	if !ok {
		return fmt.Errorf("%q is not a season: write it as 2026-05-20 to 2026-10-15", clip(v))
	}
	if t.SeasonStart, err = ParseDate(from); err != nil {
		return err
	}
	t.SeasonEnd, err = ParseDate(to)
	return err
}

// readVisits reads dates with commas between, or `every 14 days from DATE to
// DATE`.
func readVisits(t *Trial, v string) error {
	if rest, ok := strings.CutPrefix(strings.ToLower(v), "every "); ok {
		n, dates, ok := strings.Cut(rest, " from ")
		from, to, ok2 := strings.Cut(dates, " to ")
		days, err := strconv.Atoi(strings.TrimSuffix(strings.TrimSuffix(n, " days"), " day"))
		if !ok || !ok2 || err != nil || days < 1 {
			return fmt.Errorf("%q is not understood: write it as every 14 days from 2026-05-20 to 2026-09-30", clip(v))
		}
		start, err := ParseDate(from)
		if err != nil {
			return err
		}
		end, err := ParseDate(to)
		if err != nil {
			return err
		}
		if start.DaysTo(end)/days > 1000 {
			return fmt.Errorf("more than 1000 visits: check the dates")
		}
		t.Visits = VisitsEvery(start, end, days)
		return nil
	}
	t.Visits = nil
	for _, d := range strings.Split(v, ",") {
		day, err := ParseDate(d)
		if err != nil {
			return err
		}
		t.Visits = append(t.Visits, day)
	}
	return nil
}

// WritePlan writes t as a plan file that ReadPlan reads back unchanged. What
// the layout itself brings (the generator and the plots) is not part of it.
func WritePlan(w io.Writer, t *Trial) error {
	b := bufio.NewWriter(w)
	fmt.Fprintln(b, "# Plan of a trial: one `key: value` a line; lines that begin with # are remarks.")
	for _, f := range planFields {
		for _, v := range f.values(t) {
			fmt.Fprintf(b, "%s: %s\n", f.key, v)
		}
	}
	return b.Flush()
}

// SetLines gives keys of a plan what lines "key: value" say, in place of what
// they have; lines of one key go together.
func (t *Trial) SetLines(lines []string) error {
	values := map[string][]string{}
	var keys []string
	for _, s := range lines {
		key, value, ok := strings.Cut(s, ":")
		if key, value = Label(key), strings.TrimSpace(value); !ok || key == "" || value == "" {
			return fmt.Errorf("%q: write it as a line of the plan, \"key: value\"", s)
		}
		if values[key] == nil {
			keys = append(keys, key)
		}
		values[key] = append(values[key], value)
	}
	for _, key := range keys {
		if err := t.SetAll(key, values[key]); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	return nil
}

// DescriptionKeys are the keys that only describe a trial, so that they may be
// given or corrected at any time.
func DescriptionKeys() []string {
	return []string{"site", "crop", "cultivar", "soil", "previous crop", "weather", "question"}
}

// Descriptions gives the value of each of the DescriptionKeys, "" where nothing
// is recorded.
func (t *Trial) Descriptions() []string {
	return []string{t.Site, t.Crop, t.Cultivar, t.Soil, t.PreviousCrop, t.Weather, t.Question}
}
