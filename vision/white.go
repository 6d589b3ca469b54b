package vision

import "fmt"

// gains are what red and blue are multiplied by so that a white reference
// comes out without colour, green being left as it is (von Kries 1902, as
// camera channels are usually balanced).
type gains struct{ red, blue float64 }

var noGains = gains{1, 1}

// Limits of a white reference: paper darker than that lies in deep shadow, and
// brighter paper is blown out, so that its colour is lost. A cast beyond the
// largest gain is no white balance of a camera.
const (
	darkPaper, brightPaper = 60.0, 245.0
	leastGain, mostGain    = 0.6, 1.7
)

// paperGains are the gains that make paper of median Y, Cb, Cr white. A
// reference that cannot be used leaves the photo as it is and says why.
func paperGains(white [3]float64) (g gains, note string) {
	y, cb, cr := white[0], white[1]-128, white[2]-128
	r, green, b := y+1.402*cr, y-0.344136*cb-0.714136*cr, y+1.772*cb // ITU-T T.871
	switch brightest := max(r, green, b); {
	case y < darkPaper:
		return noGains, "card lies in the dark: its paper was not taken as white"
	case brightest > brightPaper:
		return noGains, "card is blown out: its paper was not taken as white"
	}
	g = gains{green / r, green / b}
	if !(min(g.red, g.blue) >= leastGain && max(g.red, g.blue) <= mostGain) {
		return noGains, fmt.Sprintf("card's paper is far from white (red x %.2f, blue x %.2f would make it so): it was not taken as white", g.red, g.blue)
	}
	return g, ""
}

// weights of Y, Cb and Cr from neutral in the default index's weighted sum of
// G - R and G - B. With a white reference luma no longer cancels.
func (g gains) weights() (onY, onCb, onCr float64) {
	const all = softRed + softBlue
	onY = (softRed*(1-g.red) + softBlue*(1-g.blue)) / all
	onCb = -0.344136 - softBlue*1.772*g.blue/all
	onCr = -0.714136 - softRed*1.402*g.red/all
	return onY, onCb, onCr
}
