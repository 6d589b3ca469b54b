package demo

import (
	"math"
	"math/rand/v2"
)

// Class is what a plant is to the trial.
type Class uint8

// The classes. Bare is ground, stones, straw and all else that does not live.
const (
	Bare      Class = iota
	Broadleaf       // broadleaf weed, green
	Red             // broadleaf weed with red leaves: no green index sees it
	Grass           // grass weed
	Crop            // leek
	Regrowth        // rolled cereal that lives on
	classes
)

var classNames = [classes]string{"bare", "broadleaf", "red", "grass", "crop", "regrowth"}

// String returns the class in one lower-case word.
func (c Class) String() string { return classNames[c] }

// MarshalText makes a class its word in JSON.
func (c Class) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// Plant is one plant of a quadrat scene on one visit.
type Plant struct {
	Class Class  `json:"class"`
	Kind  string `json:"kind"`
	// XMM and YMM are where it is rooted, from the frame's centre.
	XMM        float64 `json:"x_mm"`
	YMM        float64 `json:"y_mm"`
	DiameterMM float64 `json:"diameter_mm"`
	// Inside says that it is rooted inside the frame's inner edges.
	Inside bool `json:"inside"`

	seed uint64
}

// Shapes of leaves, base to tip. The petiole is part of the profile.
var (
	strapLeaf = newProfile(func(u float64) float64 { return min(0.7+1.5*u, 1) * math.Pow(max(1-u, 0), 0.45) })
	grassLeaf = newProfile(func(u float64) float64 { return min(0.7+2*u, 1) * math.Pow(max(1-u, 0), 0.6) })
	ovateLeaf = newProfile(func(u float64) float64 {
		return max(0.09*ramp(u, 0.97, 0.9), math.Pow(max(math.Sin(math.Pi*math.Pow(ramp(u, 0.18, 1), 0.75)), 0), 0.8))
	})
	roundLeaf = newProfile(func(u float64) float64 {
		t := ramp(u, 0.38, 1)*2 - 1
		return max(0.13*ramp(u, 0.8, 0.7), math.Sqrt(max(1-t*t, 0)))
	})
	spoonLeaf = newProfile(func(u float64) float64 {
		return max(0.16*ramp(u, 0.97, 0.9), math.Pow(max(math.Sin(math.Pi*math.Pow(ramp(u, 0.1, 1), 1.5)), 0), 0.9))
	})
	lobedLeaf = newProfile(func(u float64) float64 {
		body := max(math.Sin(math.Pi*math.Pow(ramp(u, 0.12, 1), 1.25)), 0)
		lobes := 0.62 + 0.38*math.Sin(2*math.Pi*5*math.Pow(u, 1.2)-0.8)
		if u > 0.82 {
			lobes = max(lobes, 0.8)
		}
		return max(0.14*ramp(u, 0.97, 0.9), body*lobes)
	})
	stalk = newProfile(func(u float64) float64 { return 1 })
)

// ramp is 0 at a, 1 at b, linear between and level outside.
func ramp(u, a, b float64) float64 { return min(max((u-a)/(b-a), 0), 1) }

// foliage returns the plant's blades, lowest first. The same plant on a later
// visit keeps its turn, its number of leaves growing with its size. flat lays
// all leaves on the ground.
func (p Plant) foliage(flat bool) []blade {
	rng := rand.New(rand.NewPCG(p.seed, 0x6c656166))
	r := p.DiameterMM / 2
	var out []blade
	switch p.Kind {
	case "seedling":
		out = p.rosette(rng, r, ovateLeaf, 0.62, 0.36, true)
	case "lobed":
		out = p.rosette(rng, r, lobedLeaf, 0.34, 0.5, r < 14)
	case "spoon":
		out = p.rosette(rng, r, spoonLeaf, 0.36, 0.5, r < 12)
	case "amaranth":
		out = p.rosette(rng, r, ovateLeaf, 0.58, 0.42, r < 10)
	case "creeper":
		out = p.creeper(rng, r)
	case "tuft", "regrowth":
		out = p.tuft(rng, r)
	case "leek":
		out = p.leek(rng, r)
	}
	if flat {
		for i := range out {
			out[i].z0, out[i].z1 = 0, 0
		}
	}
	return out
}

func (p Plant) leaf(rng *rand.Rand, tone float64) look {
	var rgb [3]float64
	l := look{tip: 0.12 * rng.NormFloat64(), rib: 0.45, roll: 0.35, mottle: 0.10}
	switch p.Class {
	case Broadleaf:
		rgb = [3]float64{74, 118, 48}
		// Some kinds are yellower, some bluer, plant by plant.
		h := min(max(rand.New(rand.NewPCG(p.seed, 3)).NormFloat64(), -1.5), 2)
		rgb[0] += 12 * h
		rgb[2] -= 3 * h
		l.gloss = 0.05 + 0.12*rng.Float64()
	case Red:
		rgb = [3]float64{112, 58, 66}
		l.rib = 0.2
		l.gloss = 0.08
	case Grass:
		rgb = [3]float64{92, 130, 58}
		l.rib, l.roll = 0.2, 0.25
	case Crop:
		rgb = [3]float64{88, 117, 86}
		l.rib, l.roll, l.gloss, l.mottle = 0.25, 0.5, 0.10, 0.06
	case Regrowth:
		rgb = [3]float64{138, 148, 78}
		l.rib, l.roll = 0.15, 0.25
	}
	k := tone * math.Exp(0.10*rng.NormFloat64())
	yellow := 9 * rng.NormFloat64()
	l.rgb = [3]float64{k * (rgb[0] + yellow), k * (rgb[1] + 0.3*yellow), k * rgb[2]}
	return l
}

// rosette is a whorl of leaves from one root. wide is leaf width over length,
// lift how steeply the leaves stand.
func (p Plant) rosette(rng *rand.Rand, r float64, shape *profile, wide, lift float64, cotyledons bool) []blade {
	turn := 2 * math.Pi * rng.Float64()
	n := 2 + int(r/7)
	n = min(max(n, 2), 11)
	var out []blade
	if cotyledons {
		rr := min(r*0.7, 11)
		for i := range 2 {
			a := turn + math.Pi*float64(i) + 0.15*rng.NormFloat64()
			b := p.spoke(a, rr*(0.95+0.1*rng.Float64()), 2, 5)
			b.half, b.shape, b.look = rr*0.33, roundLeaf, p.leaf(rng, 1.04)
			b.look.rib = 0.15
			out = append(out, b)
		}
		turn += math.Pi / 2
	}
	const golden = 2.39996322972865332 // radians, the angle between successive leaves
	for i := range n {
		age := 1 - float64(i)/float64(n) // outer leaves are older and lower
		a := turn + golden*float64(i) + 0.12*rng.NormFloat64()
		length := r * (0.45 + 0.55*age) * (0.9 + 0.2*rng.Float64())
		if i == 0 {
			length = r
		}
		z := r * lift * (1 - 0.6*age)
		b := p.spoke(a, length, 2+0.2*z, 3+z)
		b.half = length * wide * (0.42 + 0.12*rng.Float64())
		b.bend = 0.05 * rng.NormFloat64()
		b.shape, b.look = shape, p.leaf(rng, 0.88+0.22*(1-age))
		out = append(out, b)
	}
	return out
}

// spoke is a blade of given length from the root in direction a.
func (p Plant) spoke(a, length, z0, z1 float64) blade {
	return blade{
		x0: p.XMM, y0: p.YMM, z0: z0, class: p.Class,
		x1: p.XMM + length*math.Cos(a), y1: p.YMM + length*math.Sin(a), z1: z1,
	}
}

// tuft is a grass: narrow leaves that lean over, more of them with age.
func (p Plant) tuft(rng *rand.Rand, r float64) []blade {
	n := min(3+int(r/5), 22)
	var out []blade
	for range n {
		a := 2 * math.Pi * rng.Float64()
		length := r * (0.55 + 0.45*math.Sqrt(rng.Float64()))
		b := p.spoke(a, length, 2, min(4+0.35*length, 55))
		b.half = min(0.9+r*0.035, 3.4) * (0.75 + 0.5*rng.Float64())
		b.bend = 0.12 * rng.NormFloat64()
		b.shape, b.look = grassLeaf, p.leaf(rng, 0.9+0.2*rng.Float64())
		out = append(out, b)
	}
	return out
}

// creeper is a prostrate weed: two to five runners with small leaves.
func (p Plant) creeper(rng *rand.Rand, r float64) []blade {
	runners := min(2+int(r/25), 5)
	var out []blade
	turn := 2 * math.Pi * rng.Float64()
	for k := range runners {
		a := turn + 2*math.Pi*float64(k)/float64(runners) + 0.3*rng.NormFloat64()
		length := r * (0.6 + 0.4*rng.Float64())
		stem := p.spoke(a, length*0.92, 2, 4)
		stem.half, stem.shape = 0.8, stalk
		stem.look = p.leaf(rng, 1)
		stem.look.rgb = [3]float64{128, 112, 66}
		out = append(out, stem)
		nodes := max(int(length/7), 2)
		for i := range nodes {
			t := (float64(i) + 0.6) / float64(nodes)
			at := p
			at.XMM += (stem.x1 - stem.x0) * t
			at.YMM += (stem.y1 - stem.y0) * t
			side := 1.1 + 0.3*rng.NormFloat64()
			if i%2 == 1 {
				side = -side
			}
			l := min(length*0.22, 15) * (0.75 + 0.5*rng.Float64()) * (1.1 - 0.4*t)
			b := at.spoke(a+side, l, 3, 4+3*rng.Float64())
			b.half, b.shape, b.look = l*0.26, ovateLeaf, p.leaf(rng, 0.9+0.2*rng.Float64())
			out = append(out, b)
		}
	}
	return out
}

// leek is a fan of strap leaves in two ranks across the row.
func (p Plant) leek(rng *rand.Rand, r float64) []blade {
	n := min(3+int(r/45), 7)
	fan := 0.5 * rng.NormFloat64() // rows run along y; the fan spreads across or along at will
	var out []blade
	for i := range n {
		a := fan + 0.25*rng.NormFloat64()
		if i%2 == 1 {
			a += math.Pi
		}
		age := 1 - float64(i)/float64(n)
		length := r * (0.5 + 0.5*age) * (0.85 + 0.15*rng.Float64())
		top := 0.55 * r * (1.2 - age)
		b := p.spoke(a, length, 5, 10+min(top, 110))
		b.half = min(3.5+r*0.034, 12) * (0.85 + 0.3*rng.Float64())
		b.bend = 0.10 * rng.NormFloat64()
		b.shape, b.look = strapLeaf, p.leaf(rng, 0.88+0.2*rng.Float64())
		out = append(out, b)
	}
	// The shank in the middle.
	b := p.spoke(fan+math.Pi/2, min(3+r*0.09, 22), 8, 12)
	b.half, b.shape, b.look = min(2+r*0.04, 11), strapLeaf, p.leaf(rng, 1.15)
	return append(out, b)
}
