package analysis

import (
	"fmt"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// Key names a response: what is typed after `compare`, and what anchors and
// files of the report are called by.
type Key string

// The responses that the program knows by name. An assessment stored under any
// other name is a response too, under that name.
const (
	GreenCover        Key = "green-cover" // everything green: weeds, crop and regrowth
	WeedCover         Key = "weed-cover"
	CropCover         Key = "crop-cover"
	RegrowthCover     Key = "regrowth-cover"
	GreenPieces       Key = "pieces"
	WeedPieces        Key = "weed-pieces"
	HandCount         Key = "count"
	HandCover         Key = "hand-cover" // everything green, by eye
	HandWeedCover     Key = "hand-weed-cover"
	HandCropCover     Key = "hand-crop-cover"
	HandRegrowthCover Key = "hand-regrowth-cover"
	Yield             Key = "yield" // per area
	YieldPerBed       Key = "yield-per-bed"
	Cull              Key = "cull"
	Stand             Key = "stand"
	CropHeight        Key = "crop-height"
	Regrowth          Key = "regrowth"
	Residue           Key = "residue"
	ResidueCover      Key = "residue-cover"
	Biomass           Key = "biomass"
)

// Role says what a response tells of, and so which way is good.
type Role string

// The roles.
const (
	Weeds   Role = "weeds"   // less is better; suppression is told against the control
	Green   Role = "green"   // weeds, crop and regrowth together: a stand-in for weeds
	Crop    Role = "crop"    // what is grown, and what it yields
	Ground  Role = "ground"  // residue, regrowth of the cover crop
	Unknown Role = "unknown" // an assessment the program does not know
)

// LessIsBetter reports roles for which it is told how much less than the control
// there is. Only of Weeds this is called suppression.
func (r Role) LessIsBetter() bool { return r == Weeds || r == Green }

// definition is one row of the registry.
type definition struct {
	key     Key
	aliases []string
	label   string // in a sentence
	unit    string // of the values shown
	factor  float64
	// unitIn gives unit and factor where the trial decides them.
	unitIn func(*trial.Trial) (unit string, factor float64)
	kind   stats.Kind
	role   Role
	// variable is what is stored, as the sheets name it; "" for photos.
	variable string
	take     taking
	ofRole   string // of plants in photos, whose cover check points correct; "" none
	pick     int    // of a harvest: which pick, from 1; 0 all
	class    string // of variable: which class is taken, "" for those asked for
	classes  bool   // a class may be asked for
	main     bool   // the report shows it with all its tables
	known    bool   // offered even while nothing of it is in the record
}

// registry holds every response that is known by name, in the order in which
// they are offered. "How to add a response" in DEVELOPERS.md goes through it.
var registry = []definition{
	{key: GreenCover, aliases: []string{"cover"}, label: "green cover", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Green,
		take: fromPhotos(allGreenCover), main: true, known: true},
	{key: WeedCover, label: "weed cover", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Weeds, take: classCover(roleWeed), classes: true, ofRole: roleWeed, main: true},
	{key: GreenPieces, label: "green pieces", unitIn: density("per"), kind: stats.Count, role: Green, take: fromPhotos(allGreenPieces), known: true},
	{key: WeedPieces, label: "weed pieces", unitIn: density("per"), kind: stats.Count, role: Weeds, take: classPieces(roleWeed), classes: true},
	{key: HandCount, label: "hand count", unitIn: density("plants per"), kind: stats.Count, role: Weeds,
		variable: record.VarCount, take: countsOfQuadrats, classes: true, main: true, known: true},
	{key: HandCover, label: "cover judged by eye", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Green,
		variable: record.VarCover, take: sharesOfGround, known: true},
	{key: HandWeedCover, label: "weed cover judged by eye", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Weeds,
		variable: record.VarWeedCover, take: sharesOfGround},
	{key: Yield, label: gradedYield, unitIn: yieldUnit, kind: stats.Measure, role: Crop,
		variable: record.VarYield, class: record.ClassMarketable, take: harvested, main: true, known: true},
	{key: YieldPerBed, label: gradedYield + " per length of bed", unitIn: bedUnit, kind: stats.Measure, role: Crop,
		variable: record.VarYield, class: record.ClassMarketable, take: harvested},
	{key: Cull, label: "culled weight", unitIn: yieldUnit, kind: stats.Measure, role: Crop,
		variable: record.VarYield, class: record.ClassCull, take: harvested, known: true},
	{key: Stand, label: "stand", unitIn: standUnit, kind: stats.Measure, role: Crop,
		variable: record.VarStand, take: perBedLength, known: true},
	{key: record.VarPieces, label: "harvested pieces", unitIn: piecesUnit, kind: stats.Measure, role: Crop,
		variable: record.VarPieces, take: piecesHarvested},
	{key: CropCover, label: "crop cover", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Crop, take: classCover(roleCrop), ofRole: roleCrop},
	{key: HandCropCover, label: "crop cover judged by eye", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Crop, variable: record.VarCropCover, take: sharesOfGround},
	{key: CropHeight, label: "crop height", unitIn: heightUnit, kind: stats.Measure, role: Crop, variable: record.VarCropHeight, take: lengths},
	{key: RegrowthCover, label: "regrowth cover", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Ground, take: classCover(roleRegrowth), ofRole: roleRegrowth},
	{key: HandRegrowthCover, label: "regrowth cover judged by eye", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Ground, variable: record.VarRegrowthCover, take: sharesOfGround},
	{key: Regrowth, label: "regrowth of the cover crop", unitIn: density("plants per"), kind: stats.Count, role: Ground, variable: record.VarRegrowth, take: numbersInQuadrats},
	{key: Residue, label: "residue on the ground", unitIn: weightUnit, kind: stats.Measure, role: Ground, variable: record.VarResidue, take: weightsOfGround},
	{key: ResidueCover, label: "residue cover", unit: "% of the ground", factor: 100, kind: stats.Percent, role: Ground, variable: record.VarResidueCover, take: sharesOfGround},
	{key: Biomass, label: "biomass", unitIn: weightUnit, kind: stats.Measure, role: Ground, variable: record.VarBiomass, take: cutInFrames},
	{key: "residue-stems", label: "residue stems", kind: stats.Count, role: Ground, variable: "residue stems", take: assessed},
}

// What the weight of a harvest is called: by the grade that was weighed, or, where
// nothing was graded, by what it is.
const (
	gradedYield   = "marketable yield"
	ungradedYield = "ungraded total yield"
)

// Response is something that is compared between treatments, as it stands in
// one trial.
type Response struct {
	Key   Key
	Class string // of counts: a class, species, group or life form; "" all
	Label string // in a sentence: "hand count of grass"
	Unit  string // of shown values
	Kind  stats.Kind
	Role  Role
	Main  bool // shown with all its tables
	// Factor turns a reading's own unit (per ground or bed, where it has one)
	// into Unit: 100 for a fraction that is shown in percent.
	Factor float64

	def        definition
	calibrated bool // its readings are put through the line of hand on image
}

// Find gives the response that a person means by name: a key, one of its other
// names, or the name of a stored assessment.
func Find(snap *record.Snapshot, name, class string) (Response, error) {
	wanted := nameKey(name)
	def, ok := lookUp(wanted)
	if !ok {
		if def, ok = pickResponse(snap, wanted); !ok {
			def, ok = assessment(snap, wanted)
		}
		if !ok {
			return Response{}, misuse("there is no response %q: %s", name, strings.Join(Names(snap), ", "))
		}
	}
	r := Response{Key: def.key, Class: class, Label: def.label, Unit: def.unit, Kind: def.kind, Role: def.role, Main: def.main && class == "", def: def, Factor: def.factor}
	if def.unitIn != nil {
		r.Unit, r.Factor = def.unitIn(&snap.Trial)
	}
	if def.variable == record.VarYield && def.class == record.ClassMarketable && record.OnlyTotals(snap.Observations) {
		r.Label = strings.Replace(def.label, gradedYield, ungradedYield, 1)
	}
	if def.factor == 0 && def.unitIn == nil {
		if err := r.unitAsStored(snap); err != nil {
			return Response{}, err
		}
	}
	if class != "" {
		if !def.classes {
			return Response{}, misuse("--class goes with count, weed-cover and weed-pieces")
		}
		if known := classesCounted(snap); def.variable != "" && len(known) > 0 && !slices.ContainsFunc(snap.Observations, func(o record.Observation) bool {
			return o.Variable == def.variable && ofClass(o, class)
		}) {
			return Response{}, misuse("nothing was counted as %q: there is %s", class, strings.Join(known, ", "))
		}
		r.Label += " of " + class
	}
	return r, nil
}

// classesCounted lists the classes, groups and life forms of the counts.
func classesCounted(snap *record.Snapshot) []string {
	var out []string
	seen := map[string]bool{"": true}
	for _, o := range snap.Observations {
		if o.Variable != record.VarCount {
			continue
		}
		for _, name := range []string{o.Class, o.Group, o.Life} {
			if k := nameKey(name); !seen[k] {
				seen[k] = true
				out = append(out, name)
			}
		}
	}
	return out
}

// pickKey is the response of one pick: "yield-pick-2".
func pickKey(h *record.Harvests, pick int) Key {
	name := h.Picks[pick].Label
	if name == "" {
		name = fmt.Sprint(pick + 1)
	}
	return Key("yield-pick-" + strings.ReplaceAll(name, " ", "-"))
}

// pickResponse makes a row for one pick of a harvest of several.
func pickResponse(snap *record.Snapshot, name string) (definition, bool) {
	h := record.HarvestsOf(snap.Observations, snap.Plots)
	for i := range h.Picks {
		if key := pickKey(&h, i); len(h.Picks) > 1 && nameKey(string(key)) == name {
			return definition{key: key, label: gradedYield + " at pick " + h.PickName(i), unitIn: yieldUnit, kind: stats.Measure, role: Crop,
				variable: record.VarYield, class: record.ClassMarketable, take: harvested, pick: i + 1}, true
		}
	}
	return definition{}, false
}

// nameKey is how names of responses, variables and classes are compared: case,
// spaces and hyphens do not matter.
func nameKey(name string) string { return trial.NameKey(name) }

func lookUp(name string) (definition, bool) {
	for _, d := range registry {
		if nameKey(string(d.key)) == name || slices.Contains(d.aliases, name) {
			return d, true
		}
	}
	return definition{}, false
}

// assessment makes a row for a stored value that the registry does not know.
func assessment(snap *record.Snapshot, name string) (definition, bool) {
	for _, o := range snap.Observations {
		if nameKey(o.Variable) == name {
			return definition{key: Key(o.Variable), label: o.Variable, kind: stats.Measure, role: Unknown, variable: o.Variable, take: assessed}, true
		}
	}
	return definition{}, false
}

// unitAsStored takes the unit of an assessment from its stored values: a
// fraction is shown as percent, everything else as it was measured.
func (r *Response) unitAsStored(snap *record.Snapshot) error {
	var units []string
	for _, o := range snap.Observations {
		if nameKey(o.Variable) == nameKey(r.def.variable) && !slices.Contains(units, o.Unit) {
			units = append(units, o.Unit)
		}
	}
	if len(units) > 1 {
		return fmt.Errorf("%s is stored in %d units (%s), which cannot be compared: store the values again in one of them", r.Label, len(units), strings.Join(units, ", "))
	}
	r.Factor = 1
	for _, unit := range units {
		switch r.Unit = unit; nameKey(unit) {
		case "fraction":
			r.Unit, r.Factor, r.Kind = "%", 100, stats.Percent
		case "%", "percent":
			r.Kind = stats.Percent
		default:
			if r.Kind == stats.Percent { // a score or a length, whatever its name says
				r.Kind = stats.Measure
			}
		}
	}
	return nil
}

// Names lists what the trial can be asked about: what is always offered, then
// what is in the record.
func Names(snap *record.Snapshot) []string {
	var names []string
	add := func(name string) {
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	claimed := map[string]bool{}
	for _, d := range registry {
		claimed[nameKey(d.variable)] = true
		if r, err := Find(snap, string(d.key), ""); d.known || (err == nil && r.inRecord(snap)) {
			add(string(d.key))
		}
	}
	if h := record.HarvestsOf(snap.Observations, snap.Plots); len(h.Picks) > 1 && h.HasWeight {
		for i := range h.Picks {
			add(string(pickKey(&h, i)))
		}
	}
	for _, o := range snap.Observations {
		if !claimed[nameKey(o.Variable)] {
			add(o.Variable)
		}
	}
	return names
}

// inRecord reports that at least one reading of the response can be had.
func (r Response) inRecord(snap *record.Snapshot) bool {
	rs, _, err := r.Readings(snap)
	return err == nil && len(rs) > 0
}

// one is stats.Options.One of the response: counts are tested alike whichever
// ground they are told by.
func (r Response) one() float64 {
	if r.Kind != stats.Count {
		return 0
	}
	return r.Factor
}

// FromPhotos reports a response whose readings are taken from photos.
func (r Response) FromPhotos() bool { return r.def.variable == "" }

// MadeOf says what a response is made of where it holds more than its name: ""
// for all others.
func (r Response) MadeOf() string {
	if r.Role == Green {
		return "everything green: weeds, crop and regrowth together"
	}
	return ""
}

// yieldUnit carries kg per metre of bed to an area by the bed spacing centre to
// centre, where that is known.
func yieldUnit(t *trial.Trial) (unit string, factor float64) {
	perHa, err := trial.YieldPerArea(1, 1000, t.Ground.BedSpacingMM)
	switch {
	case err != nil:
		return bedUnit(t)
	case t.Units == trial.US:
		return "lb/acre", perHa / trial.KGHaPerLBAcre
	}
	return "kg/ha", perHa
}

// bedUnit leaves a yield on the bed it was cut from.
func bedUnit(t *trial.Trial) (unit string, factor float64) {
	if t.Units == trial.US {
		return "lb per bed-foot", trial.MMPerFoot / 1000 / trial.KGPerLB
	}
	return "kg per m of bed", 1
}

// weightUnit carries kg per m² to the area people reckon by.
func weightUnit(t *trial.Trial) (unit string, factor float64) {
	if t.Units == trial.US {
		return "lb/acre", trial.M2PerHa / trial.KGHaPerLBAcre
	}
	return "t/ha", trial.M2PerHa / 1000
}

// density is a number of things on the ground, taken per m².
func density(of string) func(t *trial.Trial) (unit string, factor float64) {
	return func(t *trial.Trial) (string, float64) {
		if t.Units == trial.US {
			return of + " ft²", trial.M2PerFt2
		}
		return of + " m²", 1
	}
}

// standUnit counts plants along the bed, taken per m.
func standUnit(t *trial.Trial) (unit string, factor float64) {
	if t.Units == trial.US {
		return "plants per bed-foot", trial.MMPerFoot / 1000
	}
	return "plants per m of bed", 1
}

func piecesUnit(t *trial.Trial) (unit string, factor float64) {
	if t.Units == trial.US {
		return "pieces per bed-foot", trial.MMPerFoot / 1000
	}
	return "pieces per m of bed", 1
}

func heightUnit(t *trial.Trial) (unit string, factor float64) {
	if t.Units == trial.US {
		return "in", 1 / trial.MMPerInch
	}
	return "cm", 0.1
}

// KindByName guesses the kind of a response of a loose table from its name;
// only the name is looked at, never the values.
func KindByName(name string) stats.Kind {
	switch key := nameKey(name); {
	case strings.Contains(key, "cover"), strings.Contains(key, "pct"), strings.Contains(key, "%"):
		return stats.Percent
	case strings.Contains(key, "count"), strings.Contains(key, "weeds"), strings.Contains(key, "plants"):
		return stats.Count
	}
	return stats.Measure
}

// roleByName is the role of a response of a table, by its name alone.
func roleByName(name string) Role {
	if d, ok := lookUp(nameKey(name)); ok {
		return d.role
	}
	return Unknown
}

// MoreIsBetter reports responses of the crop, of which a higher mean is hoped
// for, by their name.
func MoreIsBetter(name string) bool {
	return roleByName(name) == Crop && nameKey(name) != nameKey(string(Cull))
}

// UsageError is a question that was put wrongly; everything else that goes
// wrong is about the data.
type UsageError struct{ error }

func (e UsageError) Unwrap() error { return e.error }

func misuse(format string, args ...any) error { return UsageError{fmt.Errorf(format, args...)} }

// Named is the key of the registry that a person means by name; "" where the
// registry has none of that name.
func Named(name string) Key {
	d, ok := lookUp(nameKey(name))
	if !ok || name == "" {
		return ""
	}
	return d.key
}
