package record

// What a stored value is of, as the sheets and the review page write it. Any
// other name is an assessment of the user's own.
const (
	VarCount         = "count"            // plants in a quadrat, by class
	VarCover         = "cover"            // all green by eye, fraction of a quadrat
	VarWeedCover     = "weed cover"       // weeds alone by eye
	VarCropCover     = "crop cover"       // the crop alone by eye
	VarRegrowth      = "regrowth"         // plants of the cover crop that grow again
	VarRegrowthCover = "regrowth cover"   // the same by eye
	VarResidue       = "residue"          // dry mulch: kg in the frame, or kg/m2
	VarResidueCover  = "residue cover"    // mulch by eye
	VarBiomass       = "biomass"          // dry plants: kg in the frame, or kg/m2
	VarCropHeight    = "crop height"      // mm
	VarYield         = "yield"            // kg from a length of bed, by class
	VarStand         = "stand"            // crop plants along a length of bed, once a season
	VarPieces        = "harvested pieces" // heads, roots or fruits taken from a length of bed
)

// Classes of a yield.
const (
	ClassMarketable = "marketable"
	ClassCull       = "cull"
	ClassTotal      = "total" // marketable and culled weight together
)
