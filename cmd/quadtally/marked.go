package main

import (
	"fmt"

	"quadtally/cmd/quadtally/internal/record"
)

// mixedKinds tells that only some photos in use have crop told from weed. All
// green is then compared, so that one kind of cover is held against itself.
func mixedKinds(snap *record.Snapshot, r response) []string {
	if r.name != "cover" && r.name != "pieces" {
		return nil
	}
	told, all := 0, 0
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			all++
			if p.Result.WeedsOnly() {
				told++
			}
		}
	}
	if told == 0 || told == all {
		return nil
	}
	return []string{fmt.Sprintf("crop was told from weed in %d of %d photos in use: until it is in all, everything green is compared", told, all)}
}
