package classes

import (
	"fmt"
	"strings"
)

// Role is what a class of plants is to the trial.
type Role string

// The roles. Regrowth is a cover crop that grows again after it was ended.
const (
	Weed     Role = "weed"
	Crop     Role = "crop"
	Regrowth Role = "regrowth"
	NotPlant Role = "not a plant"
)

// Roles lists every role.
func Roles() []Role { return []Role{Weed, Crop, Regrowth, NotPlant} }

// Class is a kind of plant as a person names it. The class of a role as a whole
// has the role's name; others lie under a role, as grasses under weeds.
type Class struct {
	Name string `json:"name"`
	Role Role   `json:"role"`
}

// kinds of weed that need not be said to be weeds.
var kinds = []string{"broadleaf", "grass", "sedge"}

// ParseClass reads a class as a person writes it: a role ("weed", "crop",
// "regrowth", "not a plant"), a usual kind of weed ("broadleaf", "grass",
// "sedge"), or a role and a name ("weed: chickweed").
func ParseClass(text string) (Class, error) {
	clean := strings.Join(strings.Fields(strings.ToLower(text)), " ")
	role, name, named := strings.Cut(clean, ":")
	role, name = strings.TrimSpace(role), strings.TrimSpace(name)
	for _, r := range Roles() {
		if role != string(r) {
			continue
		}
		if !named || name == "" || name == role {
			return Class{string(r), r}, nil
		}
		return Class{name, r}, nil
	}
	for _, k := range kinds {
		if clean == k {
			return Class{k, Weed}, nil
		}
	}
	return Class{}, fmt.Errorf("class %q is not known: write weed, crop, regrowth or not a plant, or a role and a name such as weed: %s", text, orName(clean))
}

func orName(s string) string {
	if s == "" {
		return "chickweed"
	}
	_, after, ok := strings.Cut(s, ":")
	if ok {
		return strings.TrimSpace(after)
	}
	return s
}
