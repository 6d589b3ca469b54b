package demo

import "math"

// LightKind is where the light comes from.
type LightKind string

const (
	Sun        LightKind = "sun"
	Overcast   LightKind = "overcast"
	HalfShadow LightKind = "half shadow" // sun, with the edge of a shadow across the frame
)

// Light is the light of one photo and how the phone took it.
type Light struct {
	Kind            LightKind  `json:"kind"`
	SunAzimuthDeg   float64    `json:"sun_azimuth_deg"` // ground direction towards the sun, from x to y
	SunElevationDeg float64    `json:"sun_elevation_deg"`
	AmbientShare    float64    `json:"ambient_share"` // of the light on level open ground, 0..1
	ShadowMM        float64    `json:"shadow_mm"`     // signed distance of the shadow's edge from the centre
	ShadowDeg       float64    `json:"shadow_deg"`    // direction into the shadow
	ShadowSoftMM    float64    `json:"shadow_soft_mm"`
	Exposure        float64    `json:"exposure"`
	WhiteBalance    [3]float64 `json:"white_balance"` // gains of linear red, green and blue
	Vignette        float64    `json:"vignette"`      // light lost in the corners, 0..1
	BlurPX          float64    `json:"blur_px"`       // standard deviation at a long side of 1600 px; grows as its root
	ShotNoise       float64    `json:"shot_noise"`    // variance per unit of linear signal
	ReadNoise       float64    `json:"read_noise"`    // standard deviation, linear signal 0..1
	Moist           float64    `json:"moist"`         // wetness of the earth, 0..1
}

// sunlight is Light as the painters use it.
type sunlight struct {
	x, y   float64 // horizontal direction towards the sun times its slant
	depth  float64 // how dark a shadow is, 0..1
	soft   float64 // width of a shadow's edge, mm
	dx, dy float64 // fall of a shadow per mm of height
	dir    vec     // unit vector towards the sun
}

func (l Light) sunlight() sunlight {
	az, el := l.SunAzimuthDeg*math.Pi/180, l.SunElevationDeg*math.Pi/180
	s := sunlight{
		x: math.Cos(az) * math.Cos(el), y: math.Sin(az) * math.Cos(el),
		dx: -math.Cos(az) / math.Tan(el), dy: -math.Sin(az) / math.Tan(el),
		depth: 0.96, soft: 1.5,
	}
	s.dir = vec{s.x, s.y, math.Sin(el)}
	if l.Kind == Overcast {
		// Light from the whole sky: wide faint shadows almost straight below.
		s.x, s.y = 0.25*s.x, 0.25*s.y
		s.dx, s.dy = 0.15*s.dx, 0.15*s.dy
		s.depth, s.soft = 0.55, 9
	}
	return s
}

// fall moves a point at height z to where its shadow lies.
func (s sunlight) fall(x, y, z float64) (float64, float64) { return x + z*s.dx, y + z*s.dy }

// lit returns the share of direct light which the large shadow leaves at a
// ground place.
func (l *Light) lit(x, y float64) float64 {
	if l.Kind != HalfShadow {
		return 1
	}
	a := l.ShadowDeg * math.Pi / 180
	d := x*math.Cos(a) + y*math.Sin(a) - l.ShadowMM
	t := min(max(0.5-d/l.ShadowSoftMM, 0), 1)
	return t * t * (3 - 2*t)
}

var toLinear = func() (t [256]float32) {
	for i := range t {
		v := float64(i) / 255
		if v <= 0.04045 {
			t[i] = float32(v / 12.92)
		} else {
			t[i] = float32(math.Pow((v+0.055)/1.055, 2.4))
		}
	}
	return t
}()

const codeSteps = 8192

// toCode is the sRGB code (IEC 61966-2-1) of linear light 0..1 in steps.
var toCode = func() (t [codeSteps + 1]uint8) {
	for i := range t {
		v := float64(i) / codeSteps
		if v <= 0.0031308 {
			v *= 12.92
		} else {
			v = 1.055*math.Pow(v, 1/2.4) - 0.055
		}
		t[i] = uint8(v*255 + 0.5)
	}
	return t
}()

func code(v float32) uint8 {
	if v <= 0 {
		return 0
	}
	if v >= 1 {
		return 255
	}
	return toCode[int(v*codeSteps+0.5)]
}
