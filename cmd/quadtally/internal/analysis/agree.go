package analysis

import (
	"cmp"
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
//
// With a class, pieces sorted into it stand against hand counts of that class,
// group or life form.
func pairsOf(snap *record.Snapshot, photos Key, class string) ([]calibrate.Pair, error) {
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
	r, err := Find(snap, string(photos), class)
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
	if len(image) == 0 && (photos == WeedCover || photos == WeedPieces) {
		return nil, r.notClassified(snap)
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
	byHand, err := Find(snap, string(hand.by), class)
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

// Against is the response of photos that is held against the hand.
type Against struct {
	Of    Key    // WeedCover or WeedPieces; "" for what suits the kind
	Class string // of pieces: a class of weeds; "" all
}

// Agree is the one way from the record to a study of camera against hand. opt
// says which kind; where it states no margin, the one of the plan holds.
func Agree(snap *record.Snapshot, opt calibrate.Options, a Against) (calibrate.Report, error) {
	if a.Class != "" && opt.Kind != calibrate.Count {
		return calibrate.Report{}, misuse("--class goes with counts: `quadtally agree --of count --class %s`", a.Class)
	}
	if a.Class != "" { // pieces of everything green have no class
		a.Of = WeedPieces
	}
	if opt.Margin == nil && opt.Kind == calibrate.Cover && snap.Trial.AgreementMargin != nil {
		m := *snap.Trial.AgreementMargin / 100
		opt.Margin = &m
	}
	photos := cmp.Or(a.Of, photoSide(snap, opt.Kind))
	pairs, err := pairsOf(snap, photos, a.Class)
	if err != nil {
		return calibrate.Report{}, err
	}
	return agreeOn(snap, opt, Against{photos, a.Class}, pairs)
}

// agreeOn studies some of the pairs of a response of photos.
func agreeOn(snap *record.Snapshot, opt calibrate.Options, a Against, pairs []calibrate.Pair) (calibrate.Report, error) {
	opt.Unit = calibrate.UnitFraction
	// Weeds that touch are one piece, and what is sorted wrongly comes from where
	// there is much: by class a straight line was worse than none.
	opt.Logs = a.Of == WeedPieces
	if a.Of == WeedPieces || a.Of == WeedCover {
		image, err := Find(snap, string(a.Of), a.Class)
		if err != nil {
			return calibrate.Report{}, err
		}
		hand, err := Find(snap, string(handSide[a.Of].by), a.Class)
		if err != nil {
			return calibrate.Report{}, err
		}
		opt.ImageName, opt.HandName = image.Label, hand.Label
	}
	if opt.Enough.Treatments == nil {
		for _, t := range snap.Trial.Treatments {
			opt.Enough.Treatments = append(opt.Enough.Treatments, t.Code)
		}
	}
	r, err := calibrate.Study(pairs, opt)
	if err != nil {
		hand := "cover judged by eye (a column cover_% in the count sheet)"
		switch a.Of {
		case WeedCover:
			hand = "weed cover judged by eye (a column weed_cover_% in the count sheet)"
		case GreenPieces, WeedPieces:
			hand = "hand counts"
			if a.Class != "" {
				hand += " of " + a.Class
			}
		}
		return r, fmt.Errorf("the camera cannot be held against the hand yet: %w; it needs photos in use and %s of the same quadrats", err, hand)
	}
	return r, nil
}
