package sheets

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// Question is something that a sheet leaves open and that only a person can
// answer. Those in an [Ask] stop the sheet; those in an [Import] do not: what
// they are about stays unknown until they are answered.
type Question interface {
	Text() string // one sentence with the ways to answer
}

// Ask is the error of a sheet that cannot be read until its questions are
// answered. Nothing of such a sheet may be stored.
type Ask struct {
	Sheet     string
	Questions []Question
}

func (a Ask) Error() string {
	var out []string
	for _, q := range a.Questions {
		out = append(out, a.Sheet+": "+q.Text())
	}
	return strings.Join(out, "\n")
}

// Doubt is a reading of a sheet that is likely a slip and may be meant: one
// sentence with what to do. A person has to agree before the sheet is stored.
type Doubt string

// UnknownColumn is a column of numbers whose name says nothing to the program.
type UnknownColumn struct {
	Header  string // as it stands
	Name    string // without its unit
	Unit    string // "" where the header states none
	Example string // the first number in it
}

// UnknownColumns asks what columns of numbers hold.
type UnknownColumns struct {
	Kind    Kind // of the sheet
	Columns []UnknownColumn
}

// Text names all of them and shows how to answer.
func (q UnknownColumns) Text() string {
	var names, answers []string
	for i, c := range q.Columns {
		names = append(names, fmt.Sprintf("%q (such as %s)", c.Header, c.Example))
		key := answerKey(c.Name)
		switch {
		case q.Kind != KindCounts:
			answers = append(answers, key+"=ignore")
		case c.Unit != "":
			answers = append(answers, key+"=assessment "+c.Unit)
		case notPlants(c.Header) != "":
			answers = append(answers, key+"=assessment "+notPlants(c.Header))
		case unitWithin(c.Name) != "":
			answers = append(answers, key+"=assessment "+unitWithin(c.Name))
		case i == 0:
			answers = append(answers, key+"=weed")
		default:
			answers = append(answers, key+"=ignore")
		}
	}
	what := "what does column " + names[0] + " hold"
	if len(names) > 1 {
		what = "what do the columns " + listed(names) + " hold"
	}
	if q.Kind != KindCounts {
		return what + "? Say for each which column it is (such as marketable kg), or ignore, such as --columns \"" + strings.Join(answers, "; ") + "\""
	}
	return what + "? Say for each weed (a class that was counted), assessment with its unit, regrowth or another known column, or ignore, such as --columns \"" +
		strings.Join(answers, "; ") + "\""
}

// unitWithin is a unit among the words of a column's name, such as that of
// "cm_tall"; "" where there is none.
func unitWithin(name string) string {
	for _, w := range strings.FieldsFunc(name, func(r rune) bool { return strings.ContainsRune(" _-.()[]", r) }) {
		if u := unitNames[foldUnit(w)]; u != "" && w != "a" && w != "in" {
			return u
		}
	}
	return ""
}

// notPlants is the unit of a column whose header says that it holds something
// else than plants in a frame: a unit at its end, or "per" some area; "" where
// it does not. One letter and "in" may be the end of a name.
func notPlants(header string) string {
	words := strings.FieldsFunc(strings.ToLower(header), func(r rune) bool { return strings.ContainsRune(" _-.()[]", r) })
	for i, w := range words[:max(0, len(words)-1)] {
		if w != "per" {
			continue
		}
		switch foldUnit(words[i+1]) {
		case "sq", "square":
			if strings.HasPrefix(strings.Join(words[i+2:], ""), "m") {
				return "plants/m2"
			}
			return "plants/ft2"
		case "ft2", "ft", "sqft", "foot":
			return "plants/ft2"
		case "m2", "m", "sqm", "metre", "meter":
			return "plants/m2"
		case "acre", "ac", "a":
			return "plants/acre"
		case "ha", "hectare":
			return "plants/ha"
		}
	}
	if _, unit := splitUnit(header); (len(unit) > 1 || unit == "%") && !slices.Contains([]string{"in", "plants", "stems"}, unit) {
		return unit
	}
	return ""
}

// answerKey is how a column is named in an answer.
func answerKey(header string) string {
	name, _ := splitUnit(header)
	return strings.ReplaceAll(trial.CleanLabel(name), " ", "_")
}

// Score asks about a column of cover that holds nothing but small whole numbers.
type Score struct {
	Header, Variable string
	Most             float64 // the largest of them
}

// Text shows the answers.
func (q Score) Text() string {
	key := answerKey(q.Header)
	s := fmt.Sprintf("column %q holds only whole numbers up to %g and does not say its unit: are they percent (--columns %q)", q.Header, q.Most, key+"="+q.Variable+" %")
	if q.Most == 1 {
		s += fmt.Sprintf(", proportions (--columns %q)", key+"="+q.Variable+" fraction")
	}
	return s + fmt.Sprintf(", or a score (--columns %q)?", key+"=assessment score")
}

// LookAlikes asks about a name that reads like a known one and is written with
// letters of another alphabet.
type LookAlikes struct {
	What     string // "class", "column"
	Text1    string // as it stands
	Known    string // what it looks like
	Alphabet string // of the letters that do not belong: "Cyrillic"
}

// Text shows both.
func (q LookAlikes) Text() string {
	return fmt.Sprintf("%s %q reads like %q but holds %s letters: type it again, or give it a name of its own", q.What, q.Text1, q.Known, q.Alphabet)
}

// UnknownClasses asks about classes of plants that neither the plan nor an
// earlier sheet has: a new one, or one misspelt.
type UnknownClasses struct {
	Classes []trial.Class
	Lines   []int // first row of each
}

// Text names all of them and shows how to answer.
func (q UnknownClasses) Text() string {
	var names, answers []string
	for i, c := range q.Classes {
		names = append(names, fmt.Sprintf("%q (row %d)", c.Name, q.Lines[i]))
		answer := strings.ReplaceAll(trial.CleanLabel(c.Name), " ", "_") + "=weed"
		for _, kin := range []struct {
			word  string
			known []string
		}{{c.Group, trial.Groups}, {c.Life, trial.Lives}} {
			if w := strings.ToLower(kin.word); slices.Contains(kin.known, w) {
				answer += " " + w
			}
		}
		answers = append(answers, answer)
	}
	is := "is %s a class of weeds"
	if len(names) > 1 {
		is = "are %s classes of weeds"
	}
	return fmt.Sprintf(is, listed(names)) + " that the plan does not name? If so, say --columns \"" + strings.Join(answers, "; ") + "\" once (a group and a life form may follow); if one is misspelt, correct the sheet"
}

// ClassGap asks about a class that was counted in some quadrats of a visit and
// not in others.
type ClassGap record.ClassGap

// Text says where it was counted.
func (q ClassGap) Text() string { return record.ClassGap(q).Text() }

// Uncounted asks about quadrats that have no row in a long sheet.
type Uncounted record.Uncounted

// Text names them.
func (q Uncounted) Text() string { return record.Uncounted(q).Text() }

// StandDiffers asks about a plot whose stand is given more than once, not the
// same.
type StandDiffers struct {
	Plot   string
	Values []float64
	Lines  []int
}

// Text shows the values.
func (q StandDiffers) Text() string {
	var v []string
	for i := range q.Values {
		v = append(v, fmt.Sprintf("%g (row %d)", q.Values[i], q.Lines[i]))
	}
	return fmt.Sprintf("the stand of plot %s is given as %s: keep the one that holds for the season, and leave the others blank", q.Plot, listed(v))
}

// PicksMissing asks about plots that lack a pick that others have.
type PicksMissing struct{ Harvests record.Harvests }

// Text names them.
func (q PicksMissing) Text() string {
	text, _ := q.Harvests.Question()
	return text
}

// As is what a person says a column holds.
type As string

// The answers.
const (
	AsClass      As = "weed"       // counts of a class of plants
	AsAssessment As = "assessment" // a response of its own
	AsColumn     As = "column"     // a column of the table, under another name
	AsIgnore     As = "ignore"
)

// Meaning is one answer about a column.
type Meaning struct {
	As     As     `json:"as"`
	Column string `json:"column,omitempty"` // of the table, where As is AsColumn
	Unit   string `json:"unit,omitempty"`   // of an assessment; as the person wrote it
	Level  Level  `json:"level,omitempty"`  // of an assessment; "" as the sheet's rows
	Group  string `json:"group,omitempty"`  // of a class
	Life   string `json:"life,omitempty"`
}

// ParseColumns reads answers such as "crop_height=assessment in;
// regrowth=regrowth; barnyardgrass=weed grass annual; minutes=ignore". The keys
// of the result are compared as [trial.NameKey] compares names.
func ParseColumns(text string) (map[string]Meaning, error) {
	out := map[string]Meaning{}
	for part := range strings.SplitSeq(text, ";") {
		if strings.TrimSpace(part) == "" {
			continue
		}
		eq := strings.LastIndexByte(part, '=') // a name may hold one itself
		name, what := part[:max(eq, 0)], part[eq+1:]
		key := trial.NameKey(name)
		if eq < 0 || key == "" || strings.TrimSpace(what) == "" {
			return nil, fmt.Errorf("%q does not say what a column holds: write it as column=weed, column=assessment cm, column=regrowth or column=ignore", strings.TrimSpace(part))
		}
		if _, twice := out[key]; twice {
			return nil, fmt.Errorf("column %q is answered twice", strings.TrimSpace(name))
		}
		m, err := parseMeaning(what)
		if err != nil {
			return nil, fmt.Errorf("column %q: %w", strings.TrimSpace(name), err)
		}
		out[key] = m
	}
	return out, nil
}

func parseMeaning(text string) (Meaning, error) {
	if c, unit, ok := findColumn(KindCounts, text); ok && c.wide() {
		return Meaning{As: AsColumn, Column: c.Name, Unit: unit}, nil
	}
	words := strings.Fields(text)
	rest := words[1:]
	switch As(strings.ToLower(words[0])) {
	case AsIgnore:
		if len(rest) == 0 {
			return Meaning{As: AsIgnore}, nil
		}
	case AsClass, "class":
		m := Meaning{As: AsClass}
		for _, w := range rest {
			switch w = strings.ToLower(w); {
			case slices.Contains(trial.Groups, w) && m.Group == "":
				m.Group = w
			case slices.Contains(trial.Lives, w) && m.Life == "":
				m.Life = w
			default:
				return m, fmt.Errorf("%q is neither a group (%s) nor a life form (%s)", w, strings.Join(trial.Groups, ", "), strings.Join(trial.Lives, ", "))
			}
		}
		return m, nil
	case AsAssessment:
		m := Meaning{As: AsAssessment}
		if n := len(rest); n > 0 {
			switch l := Level(strings.ToLower(rest[n-1])); l {
			case PlotLevel, QuadratLevel:
				m.Level, rest = l, rest[:n-1]
			}
		}
		m.Unit = strings.Join(rest, " ")
		return m, nil
	}
	if c, unit, ok := findColumn(KindYields, text); ok && c.wide() {
		return Meaning{As: AsColumn, Column: c.Name, Unit: unit}, nil
	}
	var known []string
	for _, c := range Columns {
		if c.wide() && slices.Contains(c.In, KindCounts) && !slices.Contains(known, c.Name) {
			known = append(known, c.Name)
		}
	}
	return Meaning{}, fmt.Errorf("%q is not understood: say weed, assessment and its unit, ignore, or one of %s", strings.TrimSpace(text), strings.Join(known, ", "))
}

// NameTaken reports that a sheet would not know a class of plants by its name,
// since a column for something else has it.
func NameTaken(class string) bool {
	_, _, taken := findColumn(KindCounts, class)
	return taken
}

// ParseUnlisted reads what a class is where nothing is said of it: "zero" or
// "unknown" for all that are asked about, or "sedge=zero; grass=unknown".
func ParseUnlisted(text string) (all record.Unlisted, of map[string]record.Unlisted, err error) {
	known := []record.Unlisted{record.UnlistedZero, record.UnlistedUnknown}
	for part := range strings.SplitSeq(text, ";") {
		name, what, one := strings.Cut(part, "=")
		if strings.TrimSpace(part) == "" {
			continue
		}
		if !one {
			name, what = "", part
		}
		answer := record.Unlisted(strings.ToLower(strings.TrimSpace(what)))
		if !slices.Contains(known, answer) || one && trial.NameKey(name) == "" {
			return "", nil, fmt.Errorf("%q: say zero or unknown for all classes, or class by class, such as \"sedge=zero; grass=unknown\"", strings.TrimSpace(part))
		}
		if !one {
			all = answer
			continue
		}
		if of == nil {
			of = map[string]record.Unlisted{}
		}
		of[trial.NameKey(name)] = answer
	}
	return all, of, nil
}

// listed joins words as a sentence does: "a, b and c".
func listed(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// Ignored lists the columns that people said to pass over.
func Ignored(columns map[string]Meaning) []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(columns)) {
		if columns[name].As == AsIgnore {
			out = append(out, name)
		}
	}
	return out
}

// CheckClassNames refuses new classes of plants that a sheet would take for a
// column of something else.
func CheckClassNames(old, now []trial.Class) error {
	for _, c := range now {
		if !slices.Contains(old, c) && NameTaken(c.Name) {
			return fmt.Errorf("class: %q is the name of a column of sheets: give the class another name", c.Name)
		}
	}
	return nil
}
