package season

import (
	"encoding/json"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// Unanswered tells of a photo in use what measuring it left in doubt and nobody
// has answered: look for a doubt that wants a person's eye, glance where there are
// lesser ones alone.
func Unanswered(p *record.Photo) (look, glance bool) {
	if !p.InUse() || p.Accepted {
		return false, false
	}
	var m struct{ Flags []vision.Flag }
	if json.Unmarshal(p.Doc, &m) != nil {
		return false, false
	}
	for _, f := range m.Flags {
		look = look || f.Severity == vision.MustLook
	}
	return look, !look && len(m.Flags) > 0
}
