package analysis

import (
	"fmt"
	"slices"

	"quadtally/calibrate"
	"quadtally/cmd/quadtally/internal/record"
)

// photoSide is the response of photos that is held against the hand: of weeds
// alone where weeds are told apart and the hand judged weeds alone as well, else
// of everything green. Hand counts are of weeds; pieces are held against them as
// weeds once these are told apart at every visit.
func photoSide(snap *record.Snapshot, kind calibrate.Kind) Key {
	separated, all := weedsSeparated(snap)
	weeds := all > 0 && separated == all
	byEye := slices.ContainsFunc(snap.Observations, func(o record.Observation) bool { return o.Variable == record.VarWeedCover && !o.Missing })
	switch {
	case kind == calibrate.Count && weeds:
		return WeedPieces
	case kind == calibrate.Count:
		return GreenPieces
	case separated > 0 && byEye:
		return WeedCover
	}
	return GreenCover
}

// handSide is what a response of photos is held against, with the name it is
// stored under.
var handSide = map[Key]struct {
	by     Key
	stored string
}{
	GreenCover: {HandCover, record.VarCover}, WeedCover: {HandWeedCover, record.VarWeedCover},
	GreenPieces: {HandCount, record.VarCount}, WeedPieces: {HandCount, record.VarCount},
}

// pairsOf holds every photo's value of a response against the hand value of the
// same quadrat at the same visit: cover as a fraction, numbers in the frame.
// Values missing on one side are NaN, as calibrate.Pair asks.
func pairsOf(snap *record.Snapshot, photos Key) ([]calibrate.Pair, error) {
	hand := handSide[photos]
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
	r, err := Find(snap, string(photos), "")
	if err != nil {
		return nil, err
	}
	if _, err := settingsOf(snap, r); err != nil {
		return nil, err
	}
	image, _, err := r.Readings(snap)
	if err != nil {
		return nil, err
	}
	for _, x := range image {
		get(x).Image = x.Value
	}
	observers := map[Place]string{}
	for _, o := range snap.Observations {
		if o.Observer != "" && o.Variable == hand.stored {
			observers[Place{o.Plot, o.Quadrat, o.Visit}] = o.Observer
		}
	}
	byHand, err := Find(snap, string(hand.by), "")
	if err != nil {
		return nil, err
	}
	counted, _, err := byHand.Readings(snap)
	if err != nil {
		return nil, err
	}
	for _, x := range counted {
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
	if opt.Enough.Treatments == nil {
		for _, t := range snap.Trial.Treatments {
			opt.Enough.Treatments = append(opt.Enough.Treatments, t.Code)
		}
	}
	pairs, err := pairsOf(snap, photos)
	if err != nil {
		return calibrate.Report{}, err
	}
	r, err := calibrate.Study(pairs, opt)
	if err != nil {
		hand := "cover judged by eye (a column cover_% in the count sheet)"
		switch photos {
		case WeedCover:
			hand = "weed cover judged by eye (a column weed_cover_% in the count sheet)"
		case GreenPieces, WeedPieces:
			hand = "hand counts"
		}
		return r, fmt.Errorf("the camera cannot be held against the hand yet: %w; it needs photos in use and %s of the same quadrats", err, hand)
	}
	return r, nil
}
