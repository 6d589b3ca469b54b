package analysis

import "quadtally/cmd/quadtally/internal/trial"

// Leading says which outcomes of a trial are told first, each as an index into
// the list of outcomes; -1 where the list has none. Whatever chooses between
// responses for a reader asks here.
type Leading struct {
	// Primary answers the trial's question: the response that the plan names,
	// else Weeds, else the first that can be compared.
	Primary int
	// Weeds is what stands for weeds where one response is wanted: the primary
	// one where less of it is better, else weeds as counted, in photos or by
	// eye, else everything green. -1 where none of them can be compared.
	Weeds int
	// Count is the hand count, Cover the cover that stands for weeds: that of
	// weeds alone where it can be compared, else that of everything green.
	Count, Cover int
	Yield        int
}

// Lead finds the leading outcomes.
func Lead(t *trial.Trial, list []Outcome) Leading {
	at := func(key Key) int {
		for i, x := range list {
			if x.Key == key && x.Class == "" {
				return i
			}
		}
		return -1
	}
	// first is the first of several that can be compared, else the first that
	// is there at all.
	first := func(keys ...Key) (compared, there int) {
		compared, there = -1, -1
		for _, key := range keys {
			i := at(key)
			if i < 0 {
				continue
			}
			if there < 0 {
				there = i
			}
			if compared < 0 && list[i].Overall.Main() != nil {
				compared = i
			}
		}
		return compared, there
	}
	out := Leading{Primary: -1, Count: at(HandCount), Yield: at(Yield)}
	compared, there := first(WeedCover, HandWeedCover, GreenCover, HandCover)
	if out.Cover = compared; compared < 0 {
		out.Cover = there
	}
	out.Weeds, _ = first(HandCount, WeedCover, HandWeedCover, GreenCover, HandCover)
	if named := Named(t.Primary); named != "" {
		out.Primary = at(named)
	}
	if p := out.Primary; p >= 0 && list[p].Role.LessIsBetter() && list[p].Overall.Main() != nil {
		out.Weeds = p
	}
	if out.Primary < 0 {
		out.Primary = out.Weeds
	}
	for i := 0; out.Primary < 0 && i < len(list); i++ {
		if list[i].Overall.Main() != nil {
			out.Primary = i
		}
	}
	if out.Primary < 0 && len(list) > 0 {
		out.Primary = 0
	}
	return out
}

// Main lists cover, count and yield, as far as they are there: the responses
// that the next season is planned by.
func (l Leading) Main() []int {
	var out []int
	for _, i := range []int{l.Cover, l.Count, l.Yield} {
		if i >= 0 {
			out = append(out, i)
		}
	}
	return out
}
