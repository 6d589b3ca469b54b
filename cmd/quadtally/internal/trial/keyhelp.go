package trial

// keyHelp says what each key of the plan means.
var keyHelp = map[string]string{
	"trial":             "the trial's name",
	"tag":               "four of A-Z and 0-9 printed in every card's code (default: from the name)",
	"site":              "where it lies",
	"crop":              "what is grown",
	"cultivar":          "variety of the crop",
	"soil":              "in words, such as \"silt loam, pH 6.5\"",
	"previous crop":     "what grew there before",
	"weather":           "of the season, in words",
	"question":          "what the trial is to answer",
	"units":             "metric or us",
	"design":            "randomised complete blocks, completely randomised, latin square or incomplete blocks",
	"blocks":            "number of blocks (or replicates)",
	"block size":        "plots in a block, for incomplete blocks",
	"treatment":         `"CODE = name; control; rate 110 kg/ha; seeded DATE; terminated DATE"; once for each`,
	"contrast":          "treatments held against others; once for each",
	"factor":            "treatments as levels of a factor; once for each",
	"class":             `"barnyardgrass; grass; annual": a class that is counted; once for each`,
	"primary response":  "what the trial is mainly about, such as yield",
	"beds per plot":     "beds across one plot",
	"beds":              "number of beds in the field; plots wrap from one group of beds to the next",
	"sections":          `"3 x 30 ft": plots one behind the other along the beds, equal or not`,
	"spare":             `"beds 9 to 10 section 3": a slot that is left over`,
	"sample beds":       `beds of a plot that are sampled, such as "2" of three`,
	"rows per bed":      "rows of the crop on a bed",
	"row spacing":       "between the crop's rows",
	"drill row spacing": "between the drill's rows of the cover crop",
	"work":              `"mowing = other": what a word for work is taken for; once for each`,
	"bed spacing":       "centre to centre, path included, such as 1.5m or 5.5ft",
	"bed top":           "planted width of a bed",
	"plot length":       "along the bed, such as 10m or 30ft",
	"control length":    "of the control's plots, where shorter",
	"end border":        "not sampled at each end",
	"side border":       "not sampled at each side",
	"alley":             "between plots along the beds",
	"avoid":             `"0.6m to 0.9m; wheel track": a strip never sampled; once for each`,
	"gradient":          "in words, such as \"wetter towards the river\"",
	"gradient runs":     "along the beds, or across the beds; blocks are laid across it",
	"beds point to":     "compass direction along the beds from the zero flag",
	"quadrat":           "inner size across x along the bed, such as 500x500mm",
	"frame pipe":        "outer diameter of the frame's round pipe, such as 25mm or 1in; its height is then taken into account",
	"quadrats per plot": "at each visit",
	"quadrat spots":     "fresh (drawn anew for each visit) or permanent",
	"count rule":        "what counts as a plant",
	"season":            `"2026-05-20 to 2026-09-30"`,
	"visits":            `"every 14 days from 2026-05-25 to 2026-09-01", or dates with commas`,
	"visit tolerance":   "days a photo may be off a planned visit",
	"agreement margin":  "points of cover within which photo and hand are to agree, stated beforehand",
	"seed":              "whole number for the randomisation (default: drawn, and saved)",
}

// KeyHelp says in a few words what a key of the plan holds.
func KeyHelp(key string) string { return keyHelp[key] }

// KeyGroup is the heading under which a key of the plan is listed.
func KeyGroup(key string) string {
	switch key {
	case "design", "blocks", "block size", "treatment", "contrast", "factor", "seed", "gradient", "gradient runs":
		return "Design and treatments, as in a plan"
	case "quadrat", "quadrats per plot", "quadrat spots", "frame pipe", "sample beds", "avoid", "end border", "side border", "visits", "visit tolerance",
		"class", "count rule", "agreement margin", "season":
		return "Visits and quadrats"
	case "trial", "tag", "site", "crop", "cultivar", "soil", "previous crop", "weather", "question", "primary response", "units", "work":
		return "About the trial"
	}
	return "Field"
}
