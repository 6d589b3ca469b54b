package vision

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"quadtally/vision/raster"
)

// algorithm changes whenever a number could come out differently for the same
// photo and options.
const algorithm = "2026-11r"

// chosenOn is what the defaults of that algorithm were chosen on; it is part of
// the fingerprint, as other photos would have given others.
const chosenOn = "203 open field photos (peanut, Da Nang; winter wheat, Eschikon) and drawn stands"

// Options are the settings of a measurement. Start from DefaultOptions.
type Options struct {
	// Index is the greenness index.
	Index Index `json:"index"`

	// FrameMM is the inner size of the quadrat frame, along and across, in
	// millimetres. Zero means there is none: the whole photo is measured and
	// there is no scale unless MMPerPx gives one.
	FrameMM [2]float64 `json:"frame_mm"`
	// FrameByMarks takes the frame and its size from its corner marks where
	// FrameMM is not given.
	FrameByMarks bool `json:"frame_by_marks"`
	// PipeDiameterMM is the outer diameter of a round-pipe frame, 0 for a flat
	// one; FocalPx is the focal length in pixels of the full photo, 0 where
	// unknown.
	PipeDiameterMM float64 `json:"pipe_diameter_mm"`
	FocalPx        float64 `json:"focal_px"`
	// ReadCard looks for the plot card; CardCodeMM is the printed side of its
	// code, which makes it the scale where there is no frame, 0 if unknown.
	ReadCard   bool    `json:"read_card"`
	CardCodeMM float64 `json:"card_code_mm"`
	// CardWhite takes the plot card's paper as white where its card was read
	// and is neither in the dark nor blown out. Print the cards on plain white
	// paper; it needs ReadCard.
	CardWhite bool `json:"card_white,omitempty"`
	// Corners are the inner corners of the frame in pixels of the upright
	// full-size photo, clockwise from its top-left one, where a person has
	// marked them; nil means the frame is looked for.
	Corners *[4]raster.Point `json:"corners,omitempty"`
	// Exclude are polygons left out of the ground, in pixels of the upright
	// full-size photo.
	Exclude [][]raster.Point `json:"exclude,omitempty"`
	// MMPerPx is the scale of a photo without frame, in millimetres per pixel
	// of the full-size photo; 0 where unknown.
	MMPerPx float64 `json:"mm_per_px,omitempty"`

	// NeedLongSide is the least long side of the decoded photo, in pixels:
	// the coarsest decode that keeps it is taken.
	NeedLongSide int `json:"need_long_side"`
	// WorkCells is the greatest side of the working picture, in cells.
	WorkCells int `json:"work_cells"`
	// Smooth is the standard deviation of the smoothing in cells where the
	// ground has a million cells; it grows with the side of the ground.
	Smooth float64 `json:"smooth"`

	// MaxWeight is the say of the pooled histogram in the threshold of a large
	// visit, the prior having the rest; Shrink is the number of photos at
	// which it is half of that.
	Shrink    float64 `json:"shrink"`
	MaxWeight float64 `json:"max_weight"`
	// Prior replaces the index's typical threshold where not nil.
	Prior *float64 `json:"prior,omitempty"`

	// Looks keeps what the green looks like, so that plants can be told apart;
	// it changes nothing else.
	Looks bool `json:"looks,omitempty"`

	// Pieces says what counts as a piece.
	Pieces PieceOptions `json:"pieces"`
}

// DefaultOptions is the one set of settings for every kind of photo.
func DefaultOptions() Options {
	return Options{
		Index:        IndexSoftExG,
		ReadCard:     true,
		NeedLongSide: 1600,
		WorkCells:    1400,
		Smooth:       2,
		Shrink:       0.1,
		MaxWeight:    1,
		Pieces:       DefaultPieceOptions(),
	}
}

// Validate tells in one sentence what is wrong with the options.
func (o Options) Validate() error {
	if _, err := o.Index.scale(); err != nil {
		return err
	}
	switch {
	case o.FrameMM[0] < 0 || o.FrameMM[1] < 0 || (o.FrameMM[0] == 0) != (o.FrameMM[1] == 0):
		return fmt.Errorf("frame of %g x %g mm: give both inner sides in millimetres", o.FrameMM[0], o.FrameMM[1])
	case o.Corners != nil && o.FrameMM[0] == 0:
		return errors.New("corners are marked but the frame's inner size is not given")
	case o.CardWhite && !o.ReadCard:
		return errors.New("the card's paper cannot be taken as white where the card is not read: read the card too")
	case !(o.MMPerPx >= 0):
		return fmt.Errorf("scale of %g mm per pixel: give a positive number, or 0 where unknown", o.MMPerPx)
	case o.NeedLongSide < 0:
		return fmt.Errorf("long side of %d pixels: give a positive number, or 0 for full size", o.NeedLongSide)
	case o.WorkCells < 64 || o.WorkCells > 4096:
		return fmt.Errorf("working picture of %d cells: give 64 to 4096", o.WorkCells)
	case !(o.Smooth >= 0 && o.Smooth <= 10):
		return fmt.Errorf("smoothing of %g cells: give 0 to 10", o.Smooth)
	case !(o.Shrink >= 0):
		return fmt.Errorf("shrinkage of %g photos: give 0 or more", o.Shrink)
	case !(o.MaxWeight >= 0 && o.MaxWeight <= 1):
		return fmt.Errorf("histogram weight of %g: give 0 to 1", o.MaxWeight)
	}
	for i, p := range o.Exclude {
		if len(p) < 3 {
			return fmt.Errorf("excluded area %d has %d corners: give at least 3", i+1, len(p))
		}
	}
	return o.Pieces.Validate()
}

// Fingerprint names the settings and the algorithm: two measurements with one
// fingerprint differ only by their photos. Marked corners, excluded areas, crop
// marks and focal length belong to a photo, not to the settings, and are left
// out, and so is whether looks are kept.
func (o Options) Fingerprint() string {
	o.Corners, o.Exclude, o.FocalPx, o.Looks = nil, nil, 0, false
	o.Pieces.Crop = nil
	b, err := json.Marshal(struct {
		Algorithm string  `json:"algorithm"`
		ChosenOn  string  `json:"chosen_on"`
		Options   Options `json:"options"`
	}{algorithm, chosenOn, o})
	if err != nil { // only NaN or Inf in an unvalidated struct
		return "invalid"
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:8])
}
