package vision

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// TestFadedColours: behind a sepia filter no leaf looks green, which is
// told, and most often asked about; in full colour it is not asked about.
func TestFadedColours(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 7))
	asked := 0
	for i := range 8 {
		s := anyStand(rng)
		s.Exposure, s.Cover = within(rng, .75, 1), pick(rng, .15, .3, .5)
		rgb, truth := s.Render()
		for _, sepia := range []bool{false, true} {
			if sepia {
				for k := 0; k < len(rgb); k += 3 {
					l := .299*float64(rgb[k]) + .587*float64(rgb[k+1]) + .114*float64(rgb[k+2])
					for c, gain := range [3]float64{1.1, .95, .72} {
						rgb[k+c] = clampByte(gain*l + .5)
					}
				}
			}
			photo := (&scene{standSide, standSide, rgb}).jpeg(t, 85)
			m, r := alone(t, photo, standOptions())
			told := slices.ContainsFunc(m.Flags, func(f Flag) bool { return f.Code == FlagFaded })
			faded := slices.ContainsFunc(m.Flags, func(f Flag) bool { return f.Code == FlagFaded && f.Severity == MustLook })
			if faded {
				asked++
			}
			if sepia && !told || faded && !sepia {
				t.Errorf("scene %d, %s leaves on %s, sepia %v: faded %v, spreads %.3f and %.3f; cover %.2f, there is %.2f",
					i, s.Leaf, s.Ground, sepia, faded, m.Quality.GreenSpread, m.Quality.WarmSpread, r.CoverFrac, truth.Plants)
			}
		}
	}
	if asked < 7 {
		t.Errorf("%d of 8 photos behind a sepia filter were asked about, want 7", asked)
	}
}

// TestRedLeaves: leaves as red as beet are seen by no greenness index. Where
// there are enough of them to matter an eye is asked for.
func TestRedLeaves(t *testing.T) {
	rng := rand.New(rand.NewPCG(62, 7))
	for i := range 8 {
		s := anyStand(rng)
		s.Cover = pick(rng, .15, .3, .5)
		red := [3]float64{within(rng, 85, 115), within(rng, 38, 48), within(rng, 58, 78)}
		rgb, truth := s.Render()
		for k, leaf := range truth.Mask {
			if p := rgb[3*k:][:3]; leaf {
				light := float64(int(p[0])+int(p[1])+int(p[2])) / 240
				for c := range p {
					p[c] = clampByte(light*red[c] + .5)
				}
			}
		}
		m, r := alone(t, (&scene{standSide, standSide, rgb}).jpeg(t, 88), standOptions())
		if off := math.Abs(r.CoverFrac - truth.Plants); off > .1 && !NeedsEye(m.Flags) && !NeedsEye(r.Flags) {
			t.Errorf("scene %d, on %s: cover %.2f, there is %.2f, and no eye is asked for: red %.3f, far below the ground %.3f",
				i, s.Ground, r.CoverFrac, truth.Plants, m.Quality.RedFrac, m.Quality.BelowFrac)
		}
	}
}
