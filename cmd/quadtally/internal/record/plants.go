package record

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// PlantClass is a class of plants and its role: weed, crop, regrowth or not a
// plant.
type PlantClass struct {
	Name string `json:"name"`
	Role string `json:"role"`
}

// Plant is a plant that a person named: the value of a decision of KindPlant
// about its photo. X and Y are pixels of the upright photo.
type Plant struct {
	X     float64    `json:"x"`
	Y     float64    `json:"y"`
	Class PlantClass `json:"class"`
	// Sheet is the name of the file that gave it, "" for a click on the review
	// page. What a file gives takes the place of what it gave before.
	Sheet string `json:"sheet,omitempty"`
}

// Check is a check point, the value of a decision of KindCheck about its
// photo: a random place in the green of a visit. It has no class until a person
// answers it, which is a newer decision about the same place.
type Check struct {
	X     float64     `json:"x"`
	Y     float64     `json:"y"`
	Class *PlantClass `json:"class,omitempty"`
	Sheet string      `json:"sheet,omitempty"` // the file that gave the answer
}

// NamedPlant is a named plant in force.
type NamedPlant struct {
	Plant
	Hash     string
	Decision int64
	Entry    int64
	Author   string
	Patch    bool // marked as a patch, in a record from before plants were named
}

// CheckPoint is a check point in force, answered or not.
type CheckPoint struct {
	Check
	Hash     string
	Decision int64
	Entry    int64
}

// Sorting is how the green of one photo is told apart, at the threshold of its
// visit.
type Sorting struct {
	Classes []SortedClass `json:"classes"`
	Checks  []SortedCheck `json:"checks,omitempty"`
	// Solid is the share of the green that is leaf and not the rim of one, nil
	// where the photo was measured before that was looked at.
	Solid *float64 `json:"solid,omitempty"`
	// Missed are plants named in the photo where no green is seen: they teach
	// nothing.
	Missed [][2]float64 `json:"missed,omitempty"`
	// Borrowed says that plants of other visits were learned from.
	Borrowed bool `json:"borrowed,omitempty"`
}

// SortedClass is one class in one photo. Fractions are of the ground.
type SortedClass struct {
	PlantClass
	// CoverFrac is the cover of what was sorted into the class; LoFrac and
	// HiFrac are its 90 % range by the probabilities alone.
	CoverFrac float64 `json:"cover_frac"`
	LoFrac    float64 `json:"lo_frac"`
	HiFrac    float64 `json:"hi_frac"`
	// Mean is the mean probability of the class over the photo's green.
	Mean float64 `json:"mean"`
	// SolidMean is that over the solid part of it.
	SolidMean float64 `json:"solid_mean,omitempty"`
	Pieces    int     `json:"pieces"`
	Sure      float64 `json:"sure"` // mean probability of the green sorted into it
	Named     int     `json:"named"`
	// Learned tells whether enough plants of it are named to find it.
	Learned bool `json:"learned"`
}

// SortedCheck is what the sorting says at a check point.
type SortedCheck struct {
	X      float64   `json:"x"`
	Y      float64   `json:"y"`
	Prob   []float64 `json:"prob,omitempty"` // by class; none where no green is seen now
	Mapped int       `json:"mapped"`         // the likeliest class
}

// Names lists the plants named in the photos of a visit, and whether those of
// other visits are learned from as well: a visit stands for itself from
// OwnNames plants on, where each class named at any visit was named twice in it.
func (s *Snapshot) Names(visit int) (names []NamedPlant, borrowed bool) {
	own := map[PlantClass]int{}
	for _, n := range s.Named {
		if p, ok := s.Photo(n.Hash); ok && p.Place.Visit == visit {
			names = append(names, n)
			own[n.Class]++
		}
	}
	if len(names) == len(s.Named) {
		return names, false
	}
	whole := len(names) >= OwnNames
	for _, n := range s.Named {
		whole = whole && own[n.Class] >= 2
	}
	if whole {
		return names, false
	}
	return s.Named, true
}

// OwnNames is the number of named plants from which a visit is learned from its
// own alone.
const OwnNames = 20

// readPlants gathers named plants and check points from the decisions, and
// gives each photo its sorting where that is up to date.
func (r reader) plants() error {
	s := r.snap
	for _, d := range s.Decisions {
		hash, ok := strings.CutPrefix(d.Subject, "photo:")
		if !ok {
			continue
		}
		switch d.Kind {
		case KindPlant:
			n := NamedPlant{Hash: hash, Decision: d.ID, Entry: d.Entry, Author: d.Author}
			if err := json.Unmarshal(d.Value, &n.Plant); err != nil {
				return err
			}
			s.Named = slices.DeleteFunc(s.Named, func(old NamedPlant) bool { return old.Hash == hash && old.X == n.X && old.Y == n.Y })
			s.Named = append(s.Named, n)
		case KindPatch:
			// Records from before plants were named hold marked patches, which
			// name a plant just as well.
			var old struct {
				Class string
				At    *[2]float64
			}
			if err := json.Unmarshal(d.Value, &old); err != nil {
				return err
			}
			if role, ok := roleOfPatch[old.Class]; ok && old.At != nil {
				s.Named = append(s.Named, NamedPlant{Plant{X: old.At[0], Y: old.At[1], Class: PlantClass{role, role}}, hash, d.ID, d.Entry, d.Author, true})
			}
		case KindCheck:
			c := CheckPoint{Hash: hash, Decision: d.ID, Entry: d.Entry}
			if err := json.Unmarshal(d.Value, &c.Check); err != nil {
				return err
			}
			i := slices.IndexFunc(s.Checks, func(old CheckPoint) bool { return old.Hash == hash && old.X == c.X && old.Y == c.Y })
			switch {
			case i < 0:
				s.Checks = append(s.Checks, c)
			case c.Class != nil: // drawn twice changes nothing
				s.Checks[i] = c
			}
		}
	}
	if len(s.Named) == 0 {
		return nil
	}
	rests := s.SortingRests()
	visitOf := map[int64]*Photo{}
	for i := range s.Photos {
		if p := &s.Photos[i]; p.MeasurementID != 0 {
			visitOf[p.MeasurementID] = p
		}
	}
	return r.each("select measurement, rests, doc from sorting", func(rows *sql.Rows) error {
		var id int64
		var on, doc string
		if err := rows.Scan(&id, &on, &doc); err != nil {
			return err
		}
		p := visitOf[id]
		if p == nil || p.Result == nil || rests[p.Place.Visit] != on {
			return nil
		}
		p.Sorting = new(Sorting)
		return json.Unmarshal([]byte(doc), p.Sorting)
	})
}

// roleOfPatch are the classes of marked patches that are plants.
var roleOfPatch = map[string]string{"weed": "weed", "crop": "crop", "cover-crop regrowth": "regrowth"}

// sortingMethod changes whenever the same looks and names would be sorted in
// another way.
const sortingMethod = "2"

// SortingRests is, by visit, the digest of all that the sorting of its photos
// follows from: thresholds, measurements, named plants and check points.
func (s *Snapshot) SortingRests() map[int]string {
	ground := map[int][]string{}
	for i := range s.Photos {
		p := &s.Photos[i]
		if p.Result == nil {
			continue
		}
		used := "-"
		if p.Rejected == "" {
			used = "+"
		}
		ground[p.Place.Visit] = append(ground[p.Place.Visit], used+strconv.FormatInt(p.MeasurementID, 10)+" "+strconv.FormatFloat(p.Result.Threshold, 'g', -1, 64))
	}
	digest := func(parts ...[]string) string {
		h := sha256.New()
		fmt.Fprintln(h, sortingMethod)
		for _, part := range parts {
			slices.Sort(part)
			for _, line := range part {
				fmt.Fprintln(h, line)
			}
			fmt.Fprintln(h)
		}
		return hex.EncodeToString(h.Sum(nil)[:12])
	}
	out := map[int]string{}
	for visit, own := range ground {
		names, borrowed := s.Names(visit)
		var said, checks []string
		others := map[int]bool{}
		for _, n := range names {
			said = append(said, fmt.Sprintln(n.Hash, n.X, n.Y, n.Class.Role, n.Class.Name))
			if p, ok := s.Photo(n.Hash); ok {
				others[p.Place.Visit] = true
			}
		}
		for _, c := range s.Checks {
			if p, ok := s.Photo(c.Hash); ok && p.Place.Visit == visit {
				checks = append(checks, fmt.Sprintln(c.Hash, c.X, c.Y))
			}
		}
		parts := [][]string{slices.Clone(own), said, checks}
		if borrowed {
			var more []string
			for v := range others {
				if v != visit {
					more = append(more, ground[v]...)
				}
			}
			parts = append(parts, more)
		}
		out[visit] = digest(parts...)
	}
	return out
}

// SaveSorting keeps how the green of a measured photo is told apart, in place of
// what was kept before.
func (w *Tx) SaveSorting(measurement int64, rests string, s Sorting) error {
	doc, err := toJSON(s)
	if err != nil {
		return err
	}
	_, err = w.add(`insert into sorting(measurement, rests, doc) values (?,?,?)
		on conflict(measurement) do update set rests=excluded.rests, doc=excluded.doc`, measurement, rests, doc)
	return err
}

// PlantsLacking is a reason why the covers by class of a visit cannot be told.
type PlantsLacking string

// What a visit can lack.
const (
	LackNames   PlantsLacking = "names"           // no plants, or of one class only
	LackLooks   PlantsLacking = "looks"           // photos measured before plants were named
	LackSorting PlantsLacking = "sorting"         // something changed since plants were told apart
	LackChecks  PlantsLacking = "check-points"    // too few answered
	LackPlots   PlantsLacking = "checks-in-plots" // check points lie in too few plots
	LackPhotos  PlantsLacking = "photos"          // none of the visit is in use
	// Enough check points are answered, but too few in photos that are in use.
	LackChecksInUse PlantsLacking = "check-points-in-use"
	// Check points say that there are such plants, and none is named, or too few
	// to be found.
	LackWeed     PlantsLacking = "weed-names"
	LackCrop     PlantsLacking = "crop-names"
	LackRegrowth PlantsLacking = "regrowth-names"
	// Check points say weed and not which: the role can be told, its classes not.
	LackClasses PlantsLacking = "check-point-classes"
)

// lackOfRole are the roles without which the others cannot be told.
var lackOfRole = []struct {
	role string
	lack PlantsLacking
}{{"weed", LackWeed}, {"crop", LackCrop}, {"regrowth", LackRegrowth}}

// mostUnnamed is the share of a visit's answers up to which a role may be seen
// at check points without a plant of it being named: a person who is wrong in
// one answer of twenty gives each other role a third of that.
const mostUnnamed = 0.05

// LeastChecks is the number of answered check points from which covers by class
// of a visit are told, and LeastCheckPlots the number of plots they must lie
// in: fewer give ranges too wide to compare treatments by.
const (
	LeastChecks     = 30
	LeastCheckPlots = 5
)

// PlantsLack says what keeps the photos of a visit from telling covers by
// class; nothing where they can.
func (s *Snapshot) PlantsLack(visit int) []PlantsLacking {
	names, _ := s.Names(visit)
	kinds := map[PlantClass]bool{}
	found := map[string]bool{} // roles with a class that can be found
	for _, n := range names {
		kinds[n.Class] = true
		found[n.Class.Role] = true
	}
	if len(kinds) < 2 {
		return []PlantsLacking{LackNames}
	}
	var out []PlantsLacking
	looks, sorting := false, false
	inUse := 0
	lost := map[string]bool{} // roles whose classes all have too few names
	for i := range s.Photos {
		p := &s.Photos[i]
		if !p.InUse() || p.Place.Visit != visit {
			continue
		}
		inUse++
		looks = looks || !p.HasLooks
		if p.Sorting == nil {
			sorting = true
			continue
		}
		few := map[string]bool{}
		for _, c := range p.Sorting.Classes {
			isFew := c.Named > 0 && !c.Learned
			if was, seen := few[c.Role]; !seen || was {
				few[c.Role] = isFew
			}
		}
		for role, isFew := range few {
			lost[role] = lost[role] || isFew
		}
	}
	if inUse == 0 {
		return []PlantsLacking{LackPhotos}
	}
	answered, done := 0, 0
	plots := map[string]bool{}
	saw := map[string]int{} // answers by role
	for _, c := range s.Checks {
		p, ok := s.Photo(c.Hash)
		if !ok || p.Place.Visit != visit || c.Class == nil {
			continue
		}
		answered++
		saw[c.Class.Role]++
		if p.InUse() {
			done++
			plots[p.Place.Plot] = true
		}
	}
	if looks {
		out = append(out, LackLooks)
	} else if sorting {
		out = append(out, LackSorting)
	}
	switch {
	case answered < LeastChecks:
		out = append(out, LackChecks)
	case done < LeastChecks:
		out = append(out, LackChecksInUse)
	case len(plots) < LeastCheckPlots:
		out = append(out, LackPlots)
	default:
		for _, r := range lackOfRole {
			if float64(saw[r.role]) > mostUnnamed*float64(answered) && (!found[r.role] || lost[r.role]) {
				out = append(out, r.lack)
			}
		}
	}
	return out
}

// ManyUnnamed reports whether so many of the answers give a role without one of
// its classes that what they leave open could be any class of it.
func ManyUnnamed(unnamed, answers int) bool {
	return float64(unnamed) > mostUnnamed*float64(answers)
}

// UnnamedChecks reports whether the answered check points of a visit leave open
// which class of a role they are.
func (s *Snapshot) UnnamedChecks(visit int, role string) bool {
	answered, plain := 0, 0
	for _, c := range s.Checks {
		if p, ok := s.Photo(c.Hash); ok && p.Place.Visit == visit && c.Class != nil {
			answered++
			if c.Class.Role == role && c.Class.Name == role {
				plain++
			}
		}
	}
	return ManyUnnamed(plain, answered)
}

// Words says in a sentence what is lacking and what to do.
func (l PlantsLacking) Words() string {
	switch l {
	case LackNames:
		return "plants of two classes must be named first (`quadtally plants`, or on the review page)"
	case LackLooks:
		return "photos were measured before plants were named: run `quadtally photos` on their folder again"
	case LackSorting:
		return "something changed since plants were told apart: run `quadtally photos` again"
	case LackChecks:
		return fmt.Sprintf("%d answered check points are needed (`quadtally plants --ask 100` draws them)", LeastChecks)
	case LackPhotos:
		return "no photo of it is in use: run `quadtally photos` on their folder, or see `quadtally status`"
	case LackChecksInUse:
		return fmt.Sprintf("most of its answered check points lie in photos that are not in use now: bring these back (`quadtally photos` measures anew, `quadtally place` puts them right), or draw more with `quadtally plants --ask`; %d are needed", LeastChecks)
	case LackWeed, LackCrop, LackRegrowth:
		role := map[PlantsLacking]string{LackWeed: "weeds", LackCrop: "crop", LackRegrowth: "regrowth"}[l]
		return fmt.Sprintf("check points say that %s stands in the photos, and none is named, or too few to be found: name some (`quadtally plants`, or on the review page)", role)
	case LackClasses:
		return "more than one in twenty check points are answered by the role alone, which leaves open the class: answer these by class, and \"weed: other\" where it is none of yours"
	case LackPlots:
		return fmt.Sprintf("the check points answered lie in too few plots: %d are needed", LeastCheckPlots)
	}
	return string(l)
}
