package status

import (
	"fmt"
	"strconv"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
)

// waiting says what is in use and still wants a person's eye: photos with
// doubts that nobody answered, and visits whose weeds cannot be told from crop
// and regrowth, once plants are named or photos ready for it at all.
func waiting(snap *record.Snapshot) []string {
	look, glance := map[int]int{}, map[int]int{}
	inUse := map[int]bool{}
	for i := range snap.Photos {
		p := &snap.Photos[i]
		if !p.InUse() {
			continue
		}
		inUse[p.Place.Visit] = true
		switch wantsLook, lesser := season.Unanswered(p); {
		case wantsLook:
			look[p.Place.Visit]++
		case lesser:
			glance[p.Place.Visit]++
		}
	}
	var out []string
	byVisit := func(count map[int]int) string {
		var parts []string
		for v := range len(snap.Trial.Visits) + 1 {
			if count[v] > 0 {
				parts = append(parts, fmt.Sprintf("%d at visit %d", count[v], v))
			}
		}
		return strings.Join(parts, ", ")
	}
	// What cannot be told of the settings is said where photos are measured.
	if old, err := season.Outdated(snap); err == nil && len(old) > 0 {
		out = append(out, "photos in use measured by another quadtally or with other settings: "+byVisit(old)+" (run `quadtally photos` over their folders again)")
	}
	if len(look) > 0 {
		out = append(out, "photos in use with a doubt that wants a look: "+byVisit(look)+" (`quadtally review`)")
	}
	if len(glance) > 0 {
		out = append(out, "photos in use with a lesser doubt: "+byVisit(glance))
	}
	unnamed := map[record.PlantsLacking][]string{}
	var order []record.PlantsLacking
	for v := 1; v <= len(snap.Trial.Visits); v++ {
		if !inUse[v] {
			continue
		}
		if lack := snap.PlantsLack(v); len(lack) > 0 {
			if unnamed[lack[0]] == nil {
				order = append(order, lack[0])
			}
			unnamed[lack[0]] = append(unnamed[lack[0]], strconv.Itoa(v))
		}
	}
	for _, l := range order {
		out = append(out, fmt.Sprintf("weeds are not told apart at visit %s: %s", strings.Join(unnamed[l], ", "), l.Words()))
	}
	return out
}
