package analysis

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// ObserverPair holds the counts of two observers of the same quadrats against
// each other: plants in the frame, of the classes that both looked for. It
// describes; nothing is inferred from it.
type ObserverPair struct {
	InForce  string `json:"in_force"` // whose counts go into comparisons
	Beside   string `json:"beside"`
	Quadrats int    `json:"quadrats"`
	// Means are the mean numbers of plants of the one and of the other, and
	// Difference the mean of beside less in force.
	MeanInForce float64 `json:"mean_in_force"`
	MeanBeside  float64 `json:"mean_beside"`
	Difference  float64 `json:"mean_difference"`
	// SD is the standard deviation of the differences, with n - 1; nil of fewer
	// than two quadrats.
	SD *float64 `json:"sd,omitempty"`
	// Most is the largest difference without its sign, and At where it is.
	Most float64          `json:"largest_difference"`
	At   record.QuadratAt `json:"at"`
}

// Observers compares counts that stand beside others with those in force, one
// row for each two people.
func Observers(snap *record.Snapshot) []ObserverPair {
	type both struct {
		people [2]string // by [trial.NameKey]: in force and beside
		at     record.QuadratAt
	}
	sums := map[both]*[2]float64{}
	var order []both
	pairs := map[[2]string]*ObserverPair{}
	force := map[record.Key]record.Observation{}
	for _, o := range snap.Observations {
		if o.IsCount() {
			force[o.Key()] = o
		}
	}
	for _, o := range snap.Beside {
		k := o.Key()
		k.Beside = ""
		was, ok := force[k]
		if !ok || !o.IsCount() {
			continue
		}
		inForce, beside := nameOf(was.Observer), nameOf(o.Observer)
		b := both{[2]string{trial.NameKey(inForce), trial.NameKey(beside)}, o.Spot()}
		if pairs[b.people] == nil {
			pairs[b.people] = &ObserverPair{InForce: inForce, Beside: beside, Most: -1}
		}
		if sums[b] == nil {
			sums[b] = &[2]float64{}
			order = append(order, b)
		}
		sums[b][0] += was.Value
		sums[b][1] += o.Value
	}
	differences := map[[2]string][]float64{}
	for _, b := range order {
		p, n := pairs[b.people], sums[b]
		p.Quadrats++
		p.MeanInForce += n[0]
		p.MeanBeside += n[1]
		d := n[1] - n[0]
		differences[b.people] = append(differences[b.people], d)
		if far := math.Abs(d); far > p.Most || far == p.Most && comparePlaces(Place(b.at), Place(p.At)) < 0 {
			p.Most, p.At = far, b.at
		}
	}
	var out []ObserverPair
	for k, p := range pairs {
		n := float64(p.Quadrats)
		p.MeanInForce /= n
		p.MeanBeside /= n
		p.Difference = p.MeanBeside - p.MeanInForce
		if list := differences[k]; len(list) > 1 {
			ss := 0.0
			for _, d := range list {
				ss += (d - p.Difference) * (d - p.Difference)
			}
			sd := math.Sqrt(ss / (n - 1))
			p.SD = &sd
		}
		out = append(out, *p)
	}
	slices.SortFunc(out, func(a, b ObserverPair) int {
		return cmp.Or(strings.Compare(a.InForce, b.InForce), strings.Compare(a.Beside, b.Beside))
	})
	return out
}

func nameOf(observer string) string { return cmp.Or(observer, "somebody unnamed") }
