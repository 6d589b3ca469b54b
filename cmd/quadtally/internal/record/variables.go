package record

// What a stored value is of, as the sheets and the review page write it. Any
// other name is an assessment of the user's own.
const (
	VarCount     = "count"            // plants in a quadrat, by class
	VarCover     = "cover"            // fraction of a quadrat, judged by eye
	VarYield     = "yield"            // kg from a length of bed, by class
	VarStand     = "stand"            // crop plants along a length of bed
	VarHarvested = "harvested pieces" // heads, roots or fruits taken from a length of bed
)

// Classes of a yield.
const (
	ClassMarketable = "marketable"
	ClassCull       = "cull"
	ClassTotal      = "total" // marketable and culled weight together
)
