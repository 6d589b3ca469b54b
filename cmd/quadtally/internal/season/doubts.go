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
	flags := Doubts(p)
	for _, f := range flags {
		look = look || f.Severity == vision.MustLook
	}
	return look, !look && len(flags) > 0
}

// Doubts are the flags of a photo: those of its measurement and those of its
// result, which only the threshold of its visit shows. What cannot be read is
// left out.
func Doubts(p *record.Photo) []vision.Flag {
	var m struct{ Flags []vision.Flag }
	if json.Unmarshal(p.Doc, &m) != nil {
		return nil
	}
	if p.Result != nil && len(p.Result.Flags) > 0 {
		var atThreshold []vision.Flag
		if json.Unmarshal(p.Result.Flags, &atThreshold) == nil {
			m.Flags = append(m.Flags, atThreshold...)
		}
	}
	return m.Flags
}
