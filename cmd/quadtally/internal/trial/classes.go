package trial

import "slices"

// Class is a kind of plant that is counted apart: a species, or a whole group.
type Class struct {
	Name  string `json:"name"`
	Group string `json:"group,omitempty"` // broadleaf, grass or sedge
	Life  string `json:"life,omitempty"`  // annual or perennial
}

// Groups and Lives are what a class can belong to.
var (
	Groups = []string{"broadleaf", "grass", "sedge"}
	Lives  = []string{"annual", "perennial"}
)

// DefaultClasses are counted where the plan names no classes of its own.
func DefaultClasses() []Class {
	return []Class{{Name: "broadleaf", Group: "broadleaf"}, {Name: "grass", Group: "grass"}, {Name: "sedge", Group: "sedge"}}
}

// PlantClasses are the classes of the plan, or the default ones.
func (t *Trial) PlantClasses() []Class {
	if len(t.Classes) > 0 {
		return t.Classes
	}
	return DefaultClasses()
}

// FindClass finds a class by its name, as [NameKey] compares names. looksLike
// is the class that a reader could not tell from it in print, though it is
// written in other letters.
func FindClass(list []Class, name string) (found, looksLike Class, ok bool) {
	k := NameKey(name)
	if i := slices.IndexFunc(list, func(c Class) bool { return NameKey(c.Name) == k }); i >= 0 {
		return list[i], Class{}, true
	}
	s := Skeleton(name)
	if i := slices.IndexFunc(list, func(c Class) bool { return Skeleton(c.Name) == s }); i >= 0 {
		return Class{}, list[i], false
	}
	return Class{}, Class{}, false
}

// CountedClasses are the names of the classes of plants that the plan has
// counted.
func (t *Trial) CountedClasses() []string {
	var out []string
	for _, c := range t.PlantClasses() {
		out = append(out, c.Name)
	}
	return out
}
