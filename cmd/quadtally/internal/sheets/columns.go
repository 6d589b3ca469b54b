package sheets

import (
	"regexp"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// Kind is a kind of sheet that people hand in.
type Kind string

// The kinds of sheet. Their names are also those of the commands.
const (
	KindCounts Kind = "counts"
	KindYields Kind = "yields"
	KindField  Kind = "field"
	KindPhotos Kind = "photos"
)

// Level is the ground that a value is of.
type Level string

// The levels. A column that says how or where has none.
const (
	NoLevel      Level = ""
	PlotLevel    Level = "plot"
	QuadratLevel Level = "quadrat"
)

// Quantity is what the cells of a column hold.
type Quantity int

// The quantities. Each is stored in one unit, given by StoredUnit.
const (
	Words         Quantity = iota // text as it stands
	Whole                         // a whole number that says where
	Day                           // a date
	Things                        // a number of things
	Share                         // of the ground, stored as a fraction
	Length                        // stored as millimetres
	Weight                        // stored as kilograms
	WeightPerArea                 // stored as kg/m2
	Number                        // a number whose unit another column states
)

// StoredUnit is the unit in which values of a quantity are kept.
func (q Quantity) StoredUnit() string {
	return map[Quantity]string{Things: "plants", Share: "fraction", Length: "mm", Weight: "kg", WeightPerArea: "kg/m2"}[q]
}

// units are the units of each quantity as what one of them is in the stored
// unit. Pound, foot and acre are the international ones of 1959 (NIST SP 811).
var units = map[Quantity]map[string]float64{
	Share:  {"%": 0.01, "fraction": 1},
	Length: {"mm": 1, "cm": 10, "m": 1000, "in": trial.MMPerInch, "ft": trial.MMPerFoot},
	Weight: {"g": 1e-3, "kg": 1, "oz": trial.KGPerOz, "lb": trial.KGPerLB},
	WeightPerArea: {"kg/ha": 1 / trial.M2PerHa, "t/ha": 1000 / trial.M2PerHa, "g/m2": 1e-3, "kg/m2": 1,
		"lb/acre": trial.KGPerLB / trial.M2PerAcre, "oz/ft2": trial.KGPerOz / trial.M2PerFt2},
}

// Column is one column that sheets may have. To add one, add a row to
// [Columns]: reading, empty sheets and export follow it.
type Column struct {
	Name     string   // as an empty sheet names it, without its unit
	Aliases  []string // other names people use; [trial.NameKey] compares
	In       []Kind   // kinds of sheet that may have it
	Quantity Quantity
	Level    Level  // ground that a value is of; "" for what says where, when, who, how
	Target   string // variable it is stored as; "" where it is part of another value
	Class    string // class stored with it
	Export   string // name in exported tables
}

var (
	everywhere = []Kind{KindCounts, KindYields, KindField, KindPhotos}
	assessed   = []Kind{KindCounts}
	picked     = []Kind{KindYields}
	worked     = []Kind{KindField}
)

// Columns is every column that is understood, in the order of an empty sheet.
var Columns = []Column{
	// Where and when.
	{Name: "plot", Aliases: []string{"plot id", "plot no", "plot number"}, In: everywhere, Quantity: Words, Export: "plot"},
	{Name: "block", Aliases: []string{"rep", "replicate"}, In: everywhere, Quantity: Words, Export: "block"},
	{Name: "treatment", Aliases: []string{"trt", "treat"}, In: everywhere, Quantity: Words, Export: "treatment"},
	{Name: "quadrat", Aliases: []string{"quadrat no", "quadrat number", "frame no"}, In: everywhere, Quantity: Whole, Export: "quadrat"},
	{Name: "visit", Aliases: []string{"visit no", "visit number"}, In: everywhere, Quantity: Whole, Export: "visit"},
	{Name: "date", Aliases: []string{"day", "date counted", "harvest date", "pick date"}, In: everywhere, Quantity: Day, Export: "date"},
	{Name: "pick", Aliases: []string{"pick no", "pick number", "harvest no", "harvest number"}, In: []Kind{KindYields, KindCounts}, Quantity: Words, Export: "pick"},

	// One value a row.
	{Name: "class", Aliases: []string{"species", "weed", "weed class"}, In: assessed, Quantity: Words, Export: "class"},
	{Name: "group", In: assessed, Quantity: Words, Export: "group"},
	{Name: "life", Aliases: []string{"life form"}, In: assessed, Quantity: Words, Export: "life"},
	{Name: "count", Aliases: []string{"plants", "number"}, In: assessed, Quantity: Things, Level: QuadratLevel, Target: record.VarCount},
	{Name: "variable", Aliases: []string{"assessment"}, In: assessed, Quantity: Words, Export: "variable"},
	{Name: "value", In: assessed, Quantity: Number, Export: "value"},
	{Name: "unit", In: []Kind{KindCounts, KindField}, Quantity: Words, Export: "unit"},

	// Assessments by quadrat or plot, one column each.
	{Name: "total", Aliases: []string{"all", "weeds", "all weeds", "weed count", "total weeds"}, In: assessed, Quantity: Things, Level: QuadratLevel, Target: record.VarCount, Export: "value"},
	{Name: "cover", Aliases: []string{"green cover", "total cover"}, In: assessed, Quantity: Share, Level: QuadratLevel, Target: record.VarCover, Export: "value"},
	{Name: "weed cover", Aliases: []string{"weeds cover"}, In: assessed, Quantity: Share, Level: QuadratLevel, Target: record.VarWeedCover, Export: "value"},
	{Name: "crop cover", In: assessed, Quantity: Share, Level: QuadratLevel, Target: record.VarCropCover, Export: "value"},
	{Name: "regrowth", Aliases: []string{"regrowth plants", "regrown plants", "regrowth count"}, In: assessed, Quantity: Things, Level: QuadratLevel, Target: record.VarRegrowth, Export: "value"},
	{Name: "regrowth cover", Aliases: []string{"regrowth"}, In: assessed, Quantity: Share, Level: QuadratLevel, Target: record.VarRegrowthCover, Export: "value"},
	{Name: "residue cover", Aliases: []string{"residue", "mulch cover", "mulch"}, In: assessed, Quantity: Share, Level: QuadratLevel, Target: record.VarResidueCover, Export: "value"},
	{Name: "residue", Aliases: []string{"residue weight", "dry residue", "mulch", "mulch weight"}, In: assessed, Quantity: Weight, Level: QuadratLevel, Target: record.VarResidue, Export: "value"},
	{Name: "residue", Aliases: []string{"dry residue", "mulch"}, In: assessed, Quantity: WeightPerArea, Level: QuadratLevel, Target: record.VarResidue, Export: "value"},
	{Name: "biomass", Aliases: []string{"dry weight", "dry matter", "cover crop biomass"}, In: assessed, Quantity: Weight, Level: QuadratLevel, Target: record.VarBiomass, Export: "value"},
	{Name: "biomass", Aliases: []string{"dry matter", "cover crop biomass"}, In: assessed, Quantity: WeightPerArea, Level: QuadratLevel, Target: record.VarBiomass, Export: "value"},
	{Name: "crop height", Aliases: []string{"height of crop"}, In: assessed, Quantity: Length, Level: QuadratLevel, Target: record.VarCropHeight, Export: "value"},

	// A harvest.
	{Name: "marketable", Aliases: []string{"marketable weight", "market", "sold", "yield"}, In: picked, Quantity: Weight, Level: PlotLevel, Target: record.VarYield, Class: record.ClassMarketable, Export: "value"},
	{Name: "cull", Aliases: []string{"culls", "unmarketable", "cull weight"}, In: picked, Quantity: Weight, Level: PlotLevel, Target: record.VarYield, Class: record.ClassCull, Export: "value"},
	{Name: "total", Aliases: []string{"total weight", "total yield"}, In: picked, Quantity: Weight, Level: PlotLevel, Target: record.VarYield, Class: record.ClassTotal, Export: "value"},
	{Name: "bed length", Aliases: []string{"length", "length cut", "bed length cut", "harvested length"}, In: []Kind{KindYields, KindCounts}, Quantity: Length, Export: "length_mm"},
	{Name: "pieces", Aliases: []string{"heads", "number", "n pieces"}, In: picked, Quantity: Things, Level: PlotLevel, Target: record.VarPieces, Export: "value"},
	{Name: "stand", Aliases: []string{"plants", "stand count"}, In: picked, Quantity: Things, Level: PlotLevel, Target: record.VarStand, Export: "value"},
	{Name: "trim", Aliases: []string{"trim standard", "stem length"}, In: []Kind{KindYields, KindCounts}, Quantity: Words, Export: "trim"},

	// Work in the field.
	{Name: "operation", Aliases: []string{"what", "work", "activity"}, In: worked, Quantity: Words, Export: "operation"},
	{Name: "input", Aliases: []string{"product", "component", "seed"}, In: worked, Quantity: Words, Export: "input"},
	{Name: "rate", In: worked, Quantity: Number, Export: "rate"},
	{Name: "rate unit", Aliases: []string{"unit"}, In: worked, Quantity: Words, Export: "rate_unit"},
	{Name: "stage", Aliases: []string{"growth stage"}, In: worked, Quantity: Words, Export: "stage"},
	{Name: "passes", In: worked, Quantity: Whole, Export: "passes"},
	{Name: "implement", Aliases: []string{"tool", "machine"}, In: worked, Quantity: Words, Export: "implement"},
	{Name: "implement weight", Aliases: []string{"roller weight", "weight"}, In: worked, Quantity: Weight, Export: "implement_kg"},
	{Name: "soil moisture", Aliases: []string{"moisture"}, In: worked, Quantity: Words, Export: "soil_moisture"},

	// Who and how.
	{Name: "observer", Aliases: []string{"counter", "who"}, In: everywhere, Quantity: Words, Export: "observer"},
	{Name: "note", Aliases: []string{"notes", "remark", "remarks", "comment", "comments"}, In: everywhere, Quantity: Words, Export: "note"},
	{Name: "photo", Aliases: []string{"file", "path"}, In: everywhere, Quantity: Words},
	{Name: "time", In: everywhere, Quantity: Words},
	{Name: "order", In: everywhere, Quantity: Words},
}

// wideOnly are columns with a value that stand for themselves: what a wide
// sheet has one column each for.
func (c *Column) wide() bool { return c.Target != "" }

// accepts reports whether a unit in a header fits the column.
func (c *Column) accepts(unit string) bool {
	switch c.Quantity {
	case Share, Length, Weight, WeightPerArea:
		_, ok := units[c.Quantity][unit]
		return ok
	case Things:
		return unit == "plants" || unit == "stems"
	}
	return false
}

// findColumn looks a header up in the table, for a kind of sheet. It matches whole
// names alone. A name that the table has for several quantities means the one
// its unit fits.
func findColumn(kind Kind, header string) (col *Column, unit string, ok bool) {
	name, unit := splitUnit(header)
	var first *Column
	for _, try := range []struct{ name, unit string }{{header, ""}, {name, unit}} {
		if try.unit == "" && try.name != header {
			continue // there was no unit to take off
		}
		key := trial.NameKey(try.name)
		for _, exact := range []bool{true, false} { // a name comes before an alias
			for i := range Columns {
				c := &Columns[i]
				if !slices.Contains(c.In, kind) || !c.named(key, exact) {
					continue
				}
				if try.unit != "" && !c.accepts(try.unit) {
					continue
				}
				if try.unit == "" && first != nil {
					continue
				}
				if try.unit != "" {
					return c, try.unit, true
				}
				first = c
			}
		}
	}
	return first, "", first != nil
}

func (c *Column) named(key string, exact bool) bool {
	if exact {
		return trial.NameKey(c.Name) == key
	}
	return slices.ContainsFunc(c.Aliases, func(a string) bool { return trial.NameKey(a) == key })
}

// unitNames are the units that may end a header, as people write them.
var unitNames = map[string]string{
	"kg": "kg", "g": "g", "lb": "lb", "lbs": "lb", "oz": "oz", "m": "m", "mm": "mm", "cm": "cm", "ft": "ft", "in": "in", "inch": "in", "inches": "in",
	"%": "%", "pct": "%", "percent": "%", "fraction": "fraction", "proportion": "fraction", "plants": "plants", "stems": "stems",
	"kg/ha": "kg/ha", "t/ha": "t/ha", "g/m2": "g/m2", "kg/m2": "kg/m2", "lb/acre": "lb/acre", "lb/ac": "lb/acre", "lb/a": "lb/acre", "oz/ft2": "oz/ft2",
	"kgha": "kg/ha", "lbacre": "lb/acre", "gm2": "g/m2",
	"min": "min", "minutes": "min", "h": "h", "hours": "h", "c": "C", "f": "F", "degc": "C", "degf": "F", "plants/m2": "plants/m2", "plants/ft2": "plants/ft2",
}

var unitInHeader = regexp.MustCompile(`(?i)[ _(\[]+([a-z0-9²°/%]+)[)\]]?$`)

// splitUnit takes a unit off the end of a header: "marketable_kg",
// "residue (kg/ha)", "cover %". A header that ends in no unit comes back whole.
func splitUnit(header string) (name, unit string) {
	if strings.HasSuffix(strings.TrimRight(header, ")] "), "%") {
		return strings.TrimRight(header, " _(%[)]"), "%"
	}
	m := unitInHeader.FindStringSubmatchIndex(header)
	if m == nil {
		return header, ""
	}
	unit, ok := unitNames[foldUnit(header[m[2]:m[3]])]
	if !ok {
		return header, ""
	}
	return header[:m[0]], unit
}

func foldUnit(u string) string {
	return strings.NewReplacer("²", "2", "°", "deg", " ", "").Replace(strings.ToLower(u))
}
