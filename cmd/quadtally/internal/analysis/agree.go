package analysis

import (
	"fmt"
	"slices"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
)

// photoSide is the response of photos that is held against the hand: of weeds
// alone where crop was told from weed in every photo in use, else of
// everything green.
func photoSide(snap *record.Snapshot, kind calibrate.Kind) Key {
	told, all := photosTold(snap)
	weeds := all > 0 && told == all
	switch {
	case kind == calibrate.Count && weeds:
		return WeedPieces
	case kind == calibrate.Count:
		return GreenPieces
	case weeds:
		return WeedCover
	}
	return GreenCover
}

// Pairs holds every photo's value of a response against the hand value of the
// same quadrat at the same visit: cover as a fraction, numbers in the frame.
// Values missing on one side are NaN, as calibrate.Pair asks.
func Pairs(snap *record.Snapshot, kind calibrate.Kind) ([]calibrate.Pair, error) {
	return pairsOf(snap, kind, photoSide(snap, kind))
}

func pairsOf(snap *record.Snapshot, kind calibrate.Kind, photos Key) ([]calibrate.Pair, error) {
	hands, stored := HandCover, VarCover
	if kind == calibrate.Count {
		hands, stored = HandCount, VarCount
	}
	at := map[Place]*calibrate.Pair{}
	var order []Place
	get := func(x Reading) *calibrate.Pair {
		k := x.Place()
		p := at[k]
		if p == nil {
			plot, _ := snap.Plot(x.Plot)
			p = &calibrate.Pair{Plot: x.Plot, Quadrat: fmt.Sprint(x.Quadrat), Visit: fmt.Sprint(x.Visit), Treatment: plot.Treatment,
				Hand: calibrate.Missing(), Image: calibrate.Missing(), Source: x.Source}
			at[k] = p
			order = append(order, k)
		}
		return p
	}
	image, err := readingsOf(snap, photos)
	if err != nil {
		return nil, err
	}
	for _, x := range image {
		get(x).Image = x.Value
	}
	observers := map[Place]string{}
	for _, o := range snap.Observations {
		if o.Observer != "" && o.Variable == stored {
			observers[Place{o.Plot, o.Quadrat, o.Visit}] = o.Observer
		}
	}
	hand, err := readingsOf(snap, hands)
	if err != nil {
		return nil, err
	}
	for _, x := range hand {
		p := get(x)
		p.Hand, p.Observer = x.Value, observers[x.Place()]
	}
	slices.SortFunc(order, comparePlaces)
	out := make([]calibrate.Pair, 0, len(order))
	for _, k := range order {
		out = append(out, *at[k])
	}
	return out, nil
}

func readingsOf(snap *record.Snapshot, key Key) ([]Reading, error) {
	r, err := Find(snap, string(key), "")
	if err != nil {
		return nil, err
	}
	rs, _, err := r.Readings(snap)
	return rs, err
}

// Agree is the one way from the record to a study of camera against hand. opt
// says which kind; where it states no margin, the one of the plan holds.
func Agree(snap *record.Snapshot, opt calibrate.Options) (calibrate.Report, error) {
	if opt.Margin == nil && opt.Kind == calibrate.Cover && snap.Trial.AgreementMargin != nil {
		m := *snap.Trial.AgreementMargin / 100
		opt.Margin = &m
	}
	return agreeBy(snap, opt, photoSide(snap, opt.Kind))
}

func agreeBy(snap *record.Snapshot, opt calibrate.Options, photos Key) (calibrate.Report, error) {
	opt.Unit = calibrate.UnitFraction
	pairs, err := pairsOf(snap, opt.Kind, photos)
	if err != nil {
		return calibrate.Report{}, err
	}
	r, err := calibrate.Study(pairs, opt)
	if err != nil {
		hand := "cover judged by eye (a column cover_% in the count sheet)"
		if opt.Kind == calibrate.Count {
			hand = "hand counts"
		}
		return r, fmt.Errorf("the camera cannot be held against the hand yet: %w; it needs photos in use and %s of the same quadrats", err, hand)
	}
	return r, nil
}
