package demo

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"image"
	"math"
	"math/rand/v2"
	"runtime"
	"sort"
	"sync"
	"time"
)

// Plot is one plot of the layout, as the caller drew it.
type Plot struct {
	ID        string `json:"id"`
	Block     string `json:"block"`
	Treatment string `json:"treatment"` // a code of Treatments
}

// Config says what season to invent.
type Config struct {
	Seed  uint64
	Plots []Plot
	// Visits are the survey days; only the date and the zone are used.
	Visits []time.Time
	// Quadrats is the number of permanent quadrats in a plot.
	Quadrats int
	// CropQuadrats lists the quadrats (from 1) laid over a leek row; the
	// others lie between two rows.
	CropQuadrats []int
	Frame        Frame
	// CardText gives the text coded on the card of a plot's quadrat.
	CardText func(plot string, quadrat int) string
	// Marks puts printed marks on the frame; nil for a plain frame.
	Marks *Marks
	// Size is the picture held level; some photos are taken upright.
	Size image.Point
	// BigPhotos of the first visit are rendered at 4000 x 3000.
	BigPhotos int
	// Troubles adds the damage that real folders hold.
	Troubles bool
	// Flat lays leaves and pipe on the ground plane, so that what the lens
	// sees is exactly the cover of the ground.
	Flat bool
	// SameWeeds gives all treatments the weeds of the control, while regrowth
	// and crop go on differing: a trial without any true difference in weeds.
	SameWeeds bool
	// Workers is how many goroutines work at a time; 0 for all processors.
	Workers int
}

// DefaultConfig returns the season of the demonstration: four visits a
// fortnight apart, three quadrats of 500 mm a plot, 1600 x 1200 pixels.
func DefaultConfig(plots []Plot, cardText func(plot string, quadrat int) string) Config {
	zone := time.FixedZone("", -4*3600)
	c := Config{
		Seed: 20250614, Plots: plots, Quadrats: 3, CropQuadrats: []int{3},
		Frame: Frame{InnerMM: 500, PipeMM: 25, Make: "white pvc"}, CardText: cardText,
		Size: image.Pt(1600, 1200), BigPhotos: 2, Troubles: true,
	}
	for i := range 4 {
		c.Visits = append(c.Visits, time.Date(2025, 6, 14+14*i, 0, 0, 0, 0, zone))
	}
	return c
}

// Validate reports the first thing in c that no season can be made of.
func (c Config) Validate() error {
	switch {
	case len(c.Plots) == 0:
		return errors.New("demo: no plots given; draw the layout first")
	case len(c.Visits) == 0:
		return errors.New("demo: no visits given; name at least one survey day")
	case c.Quadrats < 1 || c.Quadrats > 20:
		return fmt.Errorf("demo: %d quadrats a plot; 1 to 20 can be rendered", c.Quadrats)
	case c.CardText == nil:
		return errors.New("demo: no card text given; without it no photo names its plot")
	case c.Size.X < 320 || c.Size.Y < 240 || c.Size.X > 8000 || c.Size.Y > 6000:
		return fmt.Errorf("demo: photo size %d x %d; choose 320 x 240 to 8000 x 6000", c.Size.X, c.Size.Y)
	case c.Frame.InnerMM < 200 || c.Frame.InnerMM > 520:
		return fmt.Errorf("demo: frame of %g mm; the scenes hold 200 to 520 mm", c.Frame.InnerMM)
	case c.Frame.PipeMM < 5 || c.Frame.PipeMM > 40:
		return fmt.Errorf("demo: frame pipe of %g mm; choose 5 to 40 mm", c.Frame.PipeMM)
	}
	if _, ok := frameColours[c.Frame.Make]; !ok {
		return fmt.Errorf("demo: frame make %q; choose white pvc, orange pvc or wood", c.Frame.Make)
	}
	for _, p := range c.Plots {
		if _, ok := treatmentByCode(p.Treatment); !ok {
			return fmt.Errorf("demo: plot %s: treatment %q is not in the scenario; see Treatments", p.ID, p.Treatment)
		}
	}
	if m := c.Marks; m != nil && (m.Bits == nil || m.SizeMM <= 0 || m.SizeMM > 80 || m.Border < 0 || m.Border > 2) {
		return errors.New("demo: frame marks need their bits, a side of up to 80 mm and a border of 0 to 2 cells")
	}
	return nil
}

// PhotoPlan is one photo: what is in it and how it was taken.
type PhotoPlan struct {
	File      string    `json:"file"`
	Taken     time.Time `json:"taken"`
	Visit     int       `json:"visit"` // from 1
	Plot      string    `json:"plot"`
	Block     string    `json:"block"`
	Treatment string    `json:"treatment"`
	Quadrat   int       `json:"quadrat"` // from 1
	Seed      uint64    `json:"seed"`

	Surface Surface `json:"surface"`
	Age     float64 `json:"age"` // 0 at the first visit, 1 at the last
	Plants  []Plant `json:"plants"`
	Frame   Frame   `json:"frame"`
	View    View    `json:"view"`
	Light   Light   `json:"light"`

	CardText    string  `json:"card_text"`
	CardX       float64 `json:"card_x_mm"`
	CardY       float64 `json:"card_y_mm"`
	CardTurnDeg float64 `json:"card_turn_deg"`
	NoCard      bool    `json:"no_card,omitempty"`
	Marks       *Marks  `json:"frame_marks,omitempty"`
	Flat        bool    `json:"flat,omitempty"`

	// Width and Height are those of the upright picture; Orientation is the
	// EXIF tag, 1, 6 or 8, which says how the stored pixels lie to it.
	Width       int  `json:"width"`
	Height      int  `json:"height"`
	Orientation int  `json:"orientation"`
	NoEXIF      bool `json:"no_exif,omitempty"`
	WithOffset  bool `json:"with_offset"` // EXIF states the hours from UTC
	Quality     int  `json:"quality"`     // JPEG

	Truth Truth `json:"truth"`
}

// HandCount is one quadrat counted by eye and hand on one visit.
type HandCount struct {
	Visit     int       `json:"visit"`
	Date      time.Time `json:"date"`
	Plot      string    `json:"plot"`
	Quadrat   int       `json:"quadrat"`
	Observer  string    `json:"observer"`
	Broadleaf int       `json:"broadleaf"` // green and red
	Grass     int       `json:"grass"`
	// TrueBroadleaf and TrueGrass are what a faultless counter would write.
	TrueBroadleaf int `json:"true_broadleaf"`
	TrueGrass     int `json:"true_grass"`
}

// EyeCover is cover estimated by eye, in whole percent, for some quadrats.
type EyeCover struct {
	Visit    int       `json:"visit"`
	Date     time.Time `json:"date"`
	Plot     string    `json:"plot"`
	Quadrat  int       `json:"quadrat"`
	Observer string    `json:"observer"`
	CoverPct float64   `json:"cover_pct"`
	TruePct  float64   `json:"true_pct"`
}

// Yield is the harvest of one plot.
type Yield struct {
	Plot         string  `json:"plot"`
	BedLengthM   float64 `json:"bed_length_m"`
	Planted      int     `json:"planted"`
	Stand        int     `json:"stand"`
	Pieces       int     `json:"pieces"` // marketable leeks
	MarketableKG float64 `json:"marketable_kg"`
	CullKG       float64 `json:"cull_kg"`
}

// SeasonPlan is an invented season with all its truth.
type SeasonPlan struct {
	Seed       uint64      `json:"seed"`
	Frame      Frame       `json:"frame"`
	Plots      []Plot      `json:"plots"`
	Treatments []Treatment `json:"treatments"`
	Operations []Operation `json:"operations"`
	Photos     []PhotoPlan `json:"photos"` // in the order they were taken
	Counts     []HandCount `json:"counts"`
	EyeCovers  []EyeCover  `json:"eye_covers"`
	Yields     []Yield     `json:"yields"`
	Troubles   []Trouble   `json:"troubles"`
	workers    int
}

// stream returns the random stream named by the parts, the same for one seed
// whatever else is drawn.
func stream(seed uint64, parts ...any) *rand.Rand {
	h := fnv.New64a()
	fmt.Fprintln(h, parts...)
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// Season invents the season of c. It takes about a second for 240 photos; ctx
// stops it early.
func Season(ctx context.Context, c Config) (*SeasonPlan, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if c.Workers < 1 {
		c.Workers = runtime.GOMAXPROCS(0)
	}
	s := &SeasonPlan{
		Seed: c.Seed, Frame: c.Frame, Plots: append([]Plot(nil), c.Plots...), Treatments: Treatments(),
		Operations: operations(c.Visits[0]), workers: c.Workers,
	}
	// Blocks are walked one after the other, plots in the order of the layout.
	walk := append([]Plot(nil), c.Plots...)
	sort.SliceStable(walk, func(i, j int) bool { return walk[i].Block < walk[j].Block })
	for v, day := range c.Visits {
		sky := newSky(c.Seed, v)
		clock := time.Date(day.Year(), day.Month(), day.Day(), 8, 20, 0, 0, day.Location())
		for _, plot := range walk {
			rng := stream(c.Seed, "walk", v, plot.ID)
			clock = clock.Add(time.Duration(150+rng.IntN(150)) * time.Second)
			for q := 1; q <= c.Quadrats; q++ {
				clock = clock.Add(time.Duration(25+rng.IntN(50)) * time.Second)
				p := c.photo(plot, v, q, clock, sky)
				s.Photos = append(s.Photos, p)
			}
		}
	}
	if c.Troubles {
		s.plantTroubles()
	}
	for i := 0; i < len(s.Photos) && i < c.BigPhotos; i++ {
		p := &s.Photos[i*len(s.Photos)/max(c.BigPhotos*len(c.Visits), 1)]
		p.Width, p.Height = p.Width*4000/max(p.Width, p.Height), p.Height*4000/max(p.Width, p.Height)
	}
	err := s.each(ctx, len(s.Photos), nil, func() func(i int) error {
		return func(i int) error {
			p := &s.Photos[i]
			p.Truth = p.truth(p.blades())
			return nil
		}
	})
	if err != nil {
		return nil, err
	}
	s.count(c)
	s.harvest(c)
	return s, nil
}

// each runs work(i) for i in 0..n-1 on the season's workers. start is called
// once a worker. The first error stops it.
func (s *SeasonPlan) each(ctx context.Context, n int, progress func(done, total int), start func() func(i int) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	jobs := make(chan int)
	var wg sync.WaitGroup
	var mu sync.Mutex
	done := 0
	for range max(s.workers, 1) {
		wg.Go(func() {
			work := start()
			for i := range jobs {
				if err := work(i); err != nil {
					cancel(err)
					return
				}
				mu.Lock()
				done++
				if progress != nil {
					progress(done, n)
				}
				mu.Unlock()
			}
		})
	}
feed:
	for i := range n {
		select {
		case jobs <- i:
		case <-ctx.Done():
			break feed
		}
	}
	close(jobs)
	wg.Wait()
	return context.Cause(ctx)
}

// sky is the weather of one visit.
type sky struct {
	overcast float64 // chance that a photo falls under cloud
	half     float64 // chance of a shadow's edge in the picture
	warm     float64 // white balance drift of the day
	exposure float64
	moist    float64
}

func newSky(seed uint64, visit int) sky {
	rng := stream(seed, "sky", visit)
	cloudy := []float64{0.35, 0.9, 0.15, 0.55}[visit%4]
	return sky{
		overcast: cloudy, half: 0.10,
		warm:     0.05 * rng.NormFloat64(),
		exposure: math.Exp(0.06 * rng.NormFloat64()),
		moist:    []float64{0.15, 0.6, 0.05, 0.3}[visit%4],
	}
}

// photo plans one photo, its truth not yet measured.
func (c *Config) photo(plot Plot, visit, quadrat int, taken time.Time, day sky) PhotoPlan {
	t, _ := treatmentByCode(plot.Treatment)
	rng := stream(c.Seed, "photo", visit, plot.ID, quadrat)
	p := PhotoPlan{
		File:  "IMG_" + taken.Format("20060102_150405") + ".jpg",
		Taken: taken, Visit: visit + 1, Plot: plot.ID, Block: plot.Block, Treatment: plot.Treatment, Quadrat: quadrat,
		Seed: rng.Uint64(), Surface: t.surface, Frame: c.Frame, Marks: c.Marks, Flat: c.Flat,
		CardText: c.CardText(plot.ID, quadrat), Quality: 88 + rng.IntN(5), Orientation: 1, WithOffset: visit%2 == 0,
		Width: c.Size.X, Height: c.Size.Y,
	}
	if n := len(c.Visits); n > 1 {
		p.Age = float64(visit) / float64(n-1)
	}
	if c.SameWeeds {
		bare := treatments[0]
		t.broadleaf, t.grass, t.vigour = bare.broadleaf, bare.grass, bare.vigour
		t.regrowth *= 3
	}
	p.Plants = c.plants(plot, t, visit, quadrat)
	p.take(rng, taken, day)
	return p
}

// take decides how the phone is held and what the light is like.
func (p *PhotoPlan) take(rng *rand.Rand, taken time.Time, day sky) {
	v := View{
		HeightMM: 1130 + 230*rng.Float64(), TiltDeg: min(math.Abs(5*rng.NormFloat64()), 15),
		TiltToDeg: 360 * rng.Float64(), RollDeg: 5 * rng.NormFloat64(),
		AimX: 22 * rng.NormFloat64(), AimY: 16 * rng.NormFloat64(), FocalPerLong: 1, Barrel: 0.003 * rng.Float64(),
	}
	quarter := float64(rng.IntN(4)) * 90
	v.RollDeg += quarter
	if p.Marks == nil && rng.Float64() < 0.12 {
		// Laid down any way; stand back so that its corners stay in view.
		v.RollDeg = 360 * rng.Float64()
		v.HeightMM = 1280 + 120*rng.Float64()
		v.TiltDeg *= 0.5
	}
	if p.Marks != nil {
		v.HeightMM = 1250 + 150*rng.Float64()
		v.TiltDeg *= 0.7
	}
	switch rng.IntN(8) {
	case 0, 1:
		p.Orientation = 6
	case 2:
		p.Orientation = 8
	}
	if p.Orientation != 1 {
		p.Width, p.Height = p.Height, p.Width
	}
	p.View = v

	// The card lies beside the frame towards an end of the picture's long
	// side, where there is room, its text about upright.
	roll := v.RollDeg * math.Pi / 180
	along := vec{math.Cos(roll), -math.Sin(roll), 0} // picture right, on the ground
	half := cardWide / 2
	if p.Orientation != 1 {
		along = vec{math.Sin(roll), math.Cos(roll), 0}
		half = cardHigh / 2
	}
	if rng.IntN(2) == 0 {
		along = along.scale(-1)
	}
	// Distance along that direction which clears the turned frame.
	reach := p.Frame.InnerMM/2 + p.Frame.PipeMM
	if m := p.Marks; m != nil {
		reach = max(reach, p.Frame.InnerMM/2+m.OffsetMM+0.75*m.SizeMM)
	}
	free := reach / max(math.Abs(along.X), math.Abs(along.Y))
	side := vec{-along.Y, along.X, 0}
	slide := 90 * (2*rng.Float64() - 1)
	if math.Abs(math.Remainder(v.RollDeg, 90)) > 14 {
		slide = 0
		free += 0.25 * half * math.Abs(math.Sin(2*roll))
	}
	lean := 7 * rng.NormFloat64()
	lean = min(max(lean, -16), 16)
	dist := free + half + 14 + 20*rng.Float64() + math.Abs(slide)*math.Abs(math.Tan(math.Remainder(roll, math.Pi/2)))
	at := along.scale(dist).add(side.scale(slide))
	p.CardX, p.CardY = at.X, at.Y
	p.CardTurnDeg = lean - v.RollDeg

	l := Light{
		Kind: Sun, SunAzimuthDeg: 360 * rng.Float64(), AmbientShare: 0.26 + 0.08*rng.Float64(),
		Exposure: day.exposure * math.Exp(0.07*rng.NormFloat64()), Vignette: 0.06 + 0.12*rng.Float64(),
		BlurPX: 0.55 + 0.25*rng.Float64(), ShotNoise: 0.00025 + 0.0003*rng.Float64(), ReadNoise: 0.0015 + 0.0015*rng.Float64(),
		Moist: min(max(day.moist+0.1*rng.NormFloat64(), 0), 1),
	}
	// The sun climbs from 24 to 64 degrees between eight and noon.
	hours := float64(taken.Hour()) + float64(taken.Minute())/60
	l.SunElevationDeg = 24 + 40*math.Sin(min(max((hours-8)/10, 0), 1)*math.Pi)
	switch x := rng.Float64(); {
	case x < day.overcast:
		l.Kind, l.AmbientShare = Overcast, 0.5
		l.Exposure *= 0.95
	case x < day.overcast+day.half:
		l.Kind = HalfShadow
		l.ShadowMM = 130 * (2*rng.Float64() - 1)
		l.ShadowDeg = 360 * rng.Float64()
		l.ShadowSoftMM = 12 + 45*rng.Float64()
		l.AmbientShare = 0.30
	}
	warm := day.warm + 0.02*rng.NormFloat64()
	tint := 0.012 * rng.NormFloat64()
	l.WhiteBalance = [3]float64{1 + warm, 1 + tint, 1 - 1.2*warm}
	p.Light = l
}

// plants grows the plants of a permanent quadrat up to a visit. The scene
// reaches well beyond the frame, to the edge of any picture.
func (c *Config) plants(plot Plot, t Treatment, visit, quadrat int) []Plant {
	const reach = 900.0 // mm from the centre
	block := math.Exp(0.24 * stream(c.Seed, "block", plot.Block).NormFloat64())
	field := math.Exp(0.20 * stream(c.Seed, "plot", plot.ID).NormFloat64())
	rng := stream(c.Seed, "quadrat", plot.ID, quadrat)
	half := c.Frame.InnerMM / 2
	var out []Plant
	add := func(class Class, kind string, x, y, diameter float64, seed uint64) {
		out = append(out, Plant{
			Class: class, Kind: kind, XMM: x, YMM: y, DiameterMM: diameter,
			Inside: math.Abs(x) < half && math.Abs(y) < half, seed: seed,
		})
	}
	sow := func(class Class, perM2, k float64) {
		// Gamma-mixed Poisson, so counts are negative binomial; half of the
		// plants stand in patches.
		mean := perM2 * block * field * gamma(rng, k) / k * 4 * reach * reach / 1e6
		var patches [][2]float64
		for range 3 + int(mean/12) {
			patches = append(patches, [2]float64{reach * (2*rng.Float64() - 1), reach * (2*rng.Float64() - 1)})
		}
		for range poisson(rng, mean) {
			x, y := reach*(2*rng.Float64()-1), reach*(2*rng.Float64()-1)
			if rng.IntN(2) == 0 {
				at := patches[rng.IntN(len(patches))]
				x, y = at[0]+70*rng.NormFloat64(), at[1]+70*rng.NormFloat64()
			}
			born := [10]int{0, 0, 0, 0, 0, 1, 1, 2, 2, 3}[rng.IntN(10)]
			vigour := t.vigour * math.Exp(0.30*rng.NormFloat64())
			is, seed, which := class, rng.Uint64(), rng.Float64()
			if visit < born {
				continue
			}
			age := min(visit-born, 3)
			d := [4]float64{16, 42, 78, 112}[age] * vigour
			kind := "seedling"
			switch {
			case class == Grass:
				kind = "tuft"
				d *= 1.7
			case class == Regrowth:
				kind = "regrowth"
				d = (70 + 30*float64(age)) * vigour
			case which < 0.07:
				is, kind = Red, "amaranth"
			case which < 0.35:
				kind = "lobed"
				d *= 1.15
			case which < 0.55:
				kind = "spoon"
			case which < 0.68:
				kind = "creeper"
				d *= 1.5
			}
			add(is, kind, x, y, d, seed)
		}
	}
	sow(Broadleaf, t.broadleaf, 3)
	sow(Grass, t.grass, 1.8)
	if t.regrowth > 0 {
		sow(Regrowth, t.regrowth, 1.5)
	}
	// Leek rows run along y, 600 mm apart, plants 150 mm apart.
	first := 300 + 12*rng.NormFloat64()
	for _, q := range c.CropQuadrats {
		if q == quadrat {
			first = 20 * rng.NormFloat64()
		}
	}
	for x := first - 1200; x < reach; x += 600 {
		for y := -reach + 150*rng.Float64(); y < reach; y += 150 {
			dx, dy, size, seed, alive := 6*rng.NormFloat64(), 10*rng.NormFloat64(), math.Exp(0.12*rng.NormFloat64()), rng.Uint64(), rng.Float64()
			if x < -reach || alive > t.stand {
				continue
			}
			add(Crop, "leek", x+dx, y+dy, [4]float64{130, 190, 250, 310}[min(visit, 3)]*size*t.yield, seed)
		}
	}
	return out
}

// gamma draws from the gamma distribution of shape k >= 1 and scale 1
// (Marsaglia and Tsang 2000, ACM Trans. Math. Softw. 26(3) 363-372).
func gamma(rng *rand.Rand, k float64) float64 {
	d := k - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := rng.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(1-rng.Float64()) < x*x/2+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}

// poisson draws a Poisson count by summing exponential waiting times; the
// means here are a few hundred at most.
func poisson(rng *rand.Rand, mean float64) int {
	n := 0
	for t := rng.ExpFloat64(); t < mean; t += rng.ExpFloat64() {
		n++
	}
	return n
}
