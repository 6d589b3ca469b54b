package trial

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

func eachLine[T any](list []T, write func(T) string) []string {
	var out []string
	for _, v := range list {
		out = append(out, write(v))
	}
	return out
}

// onePart refuses a text that would be taken for more than one part of a line.
func onePart(texts ...string) error {
	for _, s := range texts {
		if strings.ContainsAny(s, ";=") {
			return fmt.Errorf("%q holds ; or =, which part the words of a line: write it without", clip(s))
		}
	}
	return nil
}

// readSeed reads `rye 90 kg/ha`, `vetch 25 kg/ha on 2025-10-04` or `rye`.
func readSeed(v string) (Seed, error) {
	v, day, dated := strings.Cut(v, " on ")
	s := Seed{}
	if dated {
		var err error
		if s.On, err = ParseDate(day); err != nil {
			return s, err
		}
	}
	words := strings.Fields(v)
	for i, w := range words {
		rate, err := strconv.ParseFloat(w, 64)
		if err != nil || i == 0 {
			continue
		}
		if !(rate >= 0 && rate <= 1e9) {
			return s, fmt.Errorf("the rate of %s is not a number from 0 up", strings.Join(words[:i], " "))
		}
		s.Rate, s.Unit = &rate, strings.Join(words[i+1:], " ")
		if s.Unit == "" {
			return s, fmt.Errorf("the rate of %s has no unit, such as kg/ha or lb/acre", strings.Join(words[:i], " "))
		}
		words = words[:i]
		break
	}
	if s.Name = strings.Join(words, " "); s.Name == "" {
		return s, fmt.Errorf("what is sown? Write it as seed rye 90 kg/ha")
	}
	return s, nil
}

func writeSeed(s Seed) string {
	v := CleanLabel(s.Name)
	if s.Rate != nil {
		v += " " + number(*s.Rate) + " " + CleanLabel(s.Unit)
	}
	if !s.On.IsZero() {
		v += " on " + s.On.String()
	}
	return v
}

func names(list string) []string {
	var out []string
	for n := range strings.SplitSeq(list, ",") {
		if n = strings.TrimSpace(n); n != "" {
			out = append(out, n)
		}
	}
	return out
}

// readContrast reads `mixes = MIX1, MIX2, MIX3 against SOLO`.
func readContrast(t *Trial, v string) error {
	name, groups, ok := strings.Cut(v, "=")
	of, against, ok2 := strings.Cut(groups, " against ")
	c := Contrast{Name: strings.TrimSpace(name), Of: names(of), Against: names(against)}
	if !ok || !ok2 || c.Name == "" || len(c.Of) == 0 || len(c.Against) == 0 {
		return fmt.Errorf("%q is not a contrast: write it as mixes = MIX1, MIX2 against SOLO", clip(v))
	}
	t.Contrasts = append(t.Contrasts, c)
	return onePart(slices.Concat(c.Of, c.Against)...)
}

func writeContrast(c Contrast) string {
	return CleanLabel(c.Name) + " = " + strings.Join(c.Of, ", ") + " against " + strings.Join(c.Against, ", ")
}

// readFactor reads `nitrogen = N0 0, N50 50, N100 100; kg/ha`.
func readFactor(t *Trial, v string) error {
	v, unit, _ := strings.Cut(v, ";")
	name, list, ok := strings.Cut(v, "=")
	f := Factor{Name: strings.TrimSpace(name), Unit: strings.TrimSpace(unit)}
	for _, part := range names(list) {
		code, level, ok := strings.Cut(part, " ")
		if !ok {
			return fmt.Errorf("%q says no level: write it as nitrogen = N0 0, N50 50; kg/ha", clip(part))
		}
		f.Levels = append(f.Levels, FactorLevel{code, strings.TrimSpace(level)})
	}
	if !ok || f.Name == "" || len(f.Levels) < 2 {
		return fmt.Errorf("%q is not a factor: write it as nitrogen = N0 0, N50 50; kg/ha", clip(v))
	}
	t.Factors = append(t.Factors, f)
	for _, l := range f.Levels {
		if err := onePart(l.Treatment, l.Level); err != nil {
			return err
		}
	}
	return onePart(f.Unit)
}

func writeFactor(f Factor) string {
	v := CleanLabel(f.Name) + " = " + strings.Join(eachLine(f.Levels, func(l FactorLevel) string {
		return l.Treatment + " " + CleanLabel(l.Level)
	}), ", ")
	if f.Unit != "" {
		v += "; " + CleanLabel(f.Unit)
	}
	return v
}

// readClass reads `barnyardgrass; grass; annual`: name, group and life form,
// the last two in either order.
func readClass(t *Trial, v string) error {
	parts := strings.Split(v, ";")
	c := Class{Name: strings.TrimSpace(parts[0])}
	if c.Name == "" {
		return fmt.Errorf("a class has no name")
	}
	for _, p := range parts[1:] {
		switch p = Label(p); {
		case slices.Contains(Groups, p) && c.Group == "":
			c.Group = p
		case slices.Contains(Lives, p) && c.Life == "":
			c.Life = p
		default:
			return fmt.Errorf("%s: %q is neither a group (%s) nor a life form (%s)", c.Name, clip(p), strings.Join(Groups, ", "), strings.Join(Lives, ", "))
		}
	}
	if was, like, ok := FindClass(t.Classes, c.Name); ok || like.Name != "" {
		return fmt.Errorf("%q is there already as %q", c.Name, was.Name+like.Name)
	}
	t.Classes = append(t.Classes, c)
	return nil
}

func writeClass(c Class) string {
	v := CleanLabel(c.Name)
	for _, p := range []string{c.Group, c.Life} {
		if p != "" {
			v += "; " + p
		}
	}
	return v
}

// checkGroups checks that contrasts and factors name treatments there are.
func checkGroups(t *Trial, fs *Faults) {
	known := func(code string) bool {
		return slices.ContainsFunc(t.Treatments, func(tr Treatment) bool { return tr.Code == code })
	}
	for _, c := range t.Contrasts {
		for i, code := range slices.Concat(c.Of, c.Against) {
			if !known(code) {
				fs.add("contrast", "%s: there is no treatment %q", c.Name, code)
			}
			if slices.Contains(slices.Concat(c.Of, c.Against)[:i], code) {
				fs.add("contrast", "%s: %s is named twice", c.Name, code)
			}
		}
	}
	for _, f := range t.Factors {
		for i, l := range f.Levels {
			if !known(l.Treatment) {
				fs.add("factor", "%s: there is no treatment %q", f.Name, l.Treatment)
			}
			if slices.ContainsFunc(f.Levels[:i], func(o FactorLevel) bool { return o.Treatment == l.Treatment }) {
				fs.add("factor", "%s: %s has two levels", f.Name, l.Treatment)
			}
			if _, err := strconv.ParseFloat(l.Level, 64); f.Unit != "" && err != nil {
				fs.add("factor", "%s: the level %q of %s is no number of %s", f.Name, l.Level, l.Treatment, f.Unit)
			}
		}
	}
}

// readBeds reads `9`, `beds 9 to 10`, `bed 9`, `9-10`.
func readBeds(v string) (first, last int, err error) {
	words := strings.FieldsFunc(strings.ToLower(v), func(r rune) bool { return r == ' ' || r == '-' })
	words = slices.DeleteFunc(words, func(w string) bool { return w == "bed" || w == "beds" || w == "to" })
	if len(words) == 1 {
		words = append(words, words[0])
	}
	if len(words) != 2 {
		return 0, 0, fmt.Errorf("%q names no beds: write it as beds 9 to 10", clip(v))
	}
	first, e1 := strconv.Atoi(words[0])
	last, e2 := strconv.Atoi(words[1])
	if e1 != nil || e2 != nil || first < 1 || last < first {
		return 0, 0, fmt.Errorf("%q names no beds: write it as beds 9 to 10", clip(v))
	}
	return first, last, nil
}

// maxSections keeps a slip of the pen from cutting a bed into crumbs.
const maxSections = 200

// readSections reads `30 ft, 30 ft, 25 ft` or `3 x 30 ft`; for some beds
// otherwise: `3 x 30 ft; beds 9 to 10: 2 x 40 ft`.
func readSections(t *Trial, v string) error {
	var out []Sections
	for part := range strings.SplitSeq(v, ";") {
		s := Sections{}
		if beds, rest, ok := strings.Cut(part, ":"); ok {
			var err error
			if s.FirstBed, s.LastBed, err = readBeds(beds); err != nil {
				return err
			}
			part = rest
		}
		for _, l := range names(part) {
			times := 1
			if n, each, ok := strings.Cut(l, " x "); ok {
				var err error
				if times, err = strconv.Atoi(strings.TrimSpace(n)); err != nil || times < 1 || times > maxPlots {
					return fmt.Errorf("%q is not a number of sections: write it as 3 x 30 ft", clip(l))
				}
				l = each
			}
			mm, err := ParseLength(l)
			if err != nil {
				return err
			}
			if len(s.LengthMM)+times > maxSections {
				return fmt.Errorf("more than %d sections: check the numbers", maxSections)
			}
			for range times {
				s.LengthMM = append(s.LengthMM, mm)
			}
		}
		if len(s.LengthMM) == 0 {
			return fmt.Errorf("%q says no length: write it as 30 ft, 30 ft, 25 ft", clip(v))
		}
		if out = append(out, s); len(out) > maxSections {
			return fmt.Errorf("more than %d groups of beds: check the numbers", maxSections)
		}
	}
	t.Ground.Sections = out
	return nil
}

func writeSections(t *Trial) string {
	return strings.Join(eachLine(t.Ground.Sections, func(s Sections) string {
		v := strings.Join(eachLine(s.LengthMM, func(mm float64) string { return exactLength(mm, t.Units) }), ", ")
		if s.FirstBed > 0 {
			v = fmt.Sprintf("beds %d to %d: %s", s.FirstBed, s.LastBed, v)
		}
		return v
	}), "; ")
}

// readSpare reads `beds 9 to 10 section 3`, several with commas between.
func readSpare(t *Trial, v string) error {
	t.Ground.Spare = nil
	for _, part := range names(v) {
		beds, section, ok := strings.Cut(strings.ToLower(part), " section ")
		first, _, err := readBeds(beds)
		n, e := strconv.Atoi(strings.TrimSpace(section))
		if !ok || err != nil || e != nil || n < 1 {
			return fmt.Errorf("%q names no slot: write it as beds 9 to 10 section 3", clip(part))
		}
		t.Ground.Spare = append(t.Ground.Spare, SlotName{first, n})
	}
	return nil
}

func writeSpare(t *Trial) string {
	return strings.Join(eachLine(t.Ground.Spare, func(s SlotName) string {
		return fmt.Sprintf("beds %d to %d section %d", s.Bed, s.Bed+t.Ground.Beds-1, s.Section)
	}), ", ")
}

// readSampleBeds reads `2`, `2, 3` or `2 to 3`: beds of a plot, from 1.
func readSampleBeds(t *Trial, v string) error {
	t.Ground.SampleBeds = nil
	for _, part := range names(v) {
		first, last, err := readBeds(part)
		if err != nil || last > 100 {
			return fmt.Errorf("%q names no beds of a plot: write it as 2, or 2 to 3", clip(part))
		}
		for b := first; b <= last; b++ {
			t.Ground.SampleBeds = append(t.Ground.SampleBeds, b)
		}
	}
	return nil
}

func writeSampleBeds(t *Trial) string {
	return strings.Join(eachLine(t.Ground.SampleBeds, strconv.Itoa), ", ")
}
