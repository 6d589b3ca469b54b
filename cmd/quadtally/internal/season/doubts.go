package season

import (
	"encoding/json"
	"slices"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

// Unanswered tells of a photo in use what measuring it left in doubt and nobody
// has answered: look for a doubt that wants a person's eye, glance where there are
// lesser ones alone.
func Unanswered(p *record.Photo) (look, glance bool) {
	if !p.InUse() || Answered(p) {
		return false, false
	}
	flags := Doubts(p)
	for _, f := range flags {
		look = look || f.Severity == vision.MustLook
	}
	return look, !look && len(flags) > 0
}

// Answered tells that a person has said a photo's number may be trusted, and that
// no grave doubt has come up since: another threshold can show one.
func Answered(p *record.Photo) bool {
	return p.Accepted && (p.AcceptedFor == nil || !slices.ContainsFunc(Doubts(p), func(f vision.Flag) bool {
		return f.Severity == vision.MustLook && !slices.Contains(p.AcceptedFor, string(f.Code))
	}))
}

// unreadable is the doubt of a photo whose doubts cannot be read.
var unreadable = vision.Flag{Code: "unreadable", Severity: vision.MustLook,
	Text: "what is doubtful about its number cannot be read in the record: look at its outline, or set a threshold and take it back to have it worked out again"}

// Doubts are the flags of a photo: those of its measurement and those of its
// result, which only its threshold shows. Ones that cannot be read are a doubt
// themselves.
func Doubts(p *record.Photo) []vision.Flag {
	var m struct{ Flags []vision.Flag }
	if len(p.Doc) > 0 && json.Unmarshal(p.Doc, &m) != nil {
		return []vision.Flag{unreadable}
	}
	if p.Result != nil && len(p.Result.Flags) > 0 {
		var atThreshold []vision.Flag
		if json.Unmarshal(p.Result.Flags, &atThreshold) != nil {
			atThreshold = []vision.Flag{unreadable}
		}
		m.Flags = append(m.Flags, atThreshold...)
	}
	return m.Flags
}

// Outdated counts, by visit, the photos in use that were measured by another
// quadtally or with other settings than those in force: their numbers and doubts
// follow no threshold until they are measured again.
func Outdated(snap *record.Snapshot) (map[int]int, error) {
	opt, err := VisionOptions(snap)
	if err != nil {
		return nil, err
	}
	now, out := opt.Fingerprint(), map[int]int{}
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() && p.Fingerprint != now {
			out[p.Place.Visit]++
		}
	}
	return out, nil
}
