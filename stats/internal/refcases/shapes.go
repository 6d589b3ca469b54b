package refcases

import "strings"

// A Shape is a sort of case that a test knows how to serve, told from the
// columns and expected entries it has and never from its name.
type Shape string

// The shapes, by kind.
const (
	OneWay             Shape = "one-way"
	OneWayCertified    Shape = "one-way certified"
	OneWayEdge         Shape = "one-way edge"
	Blocks             Shape = "blocks"
	BlocksEdge         Shape = "blocks edge"
	Factorial          Shape = "factorial"
	SplitPlot          Shape = "split plot"
	MissingPlots       Shape = "missing plots"
	Disconnected       Shape = "disconnected"
	MissingTreatment   Shape = "missing treatment"
	Pairs              Shape = "pairs"
	Dunnett            Shape = "dunnett"
	Letters            Shape = "letters"
	Contrasts          Shape = "contrasts"
	AdjustedP          Shape = "adjusted p"
	RangeCDF           Shape = "studentized range, p"
	RangeQuantile      Shape = "studentized range, q"
	BasicDistributions Shape = "basic distributions"
	DunnettEqual       Shape = "dunnett points, equal replication"
	DunnettUnequal     Shape = "dunnett points, unequal replication"
	NoncentralF        Shape = "noncentral F"
	NoncentralT        Shape = "noncentral t"
	PowerGrid          Shape = "power"
	BlocksNeeded       Shape = "blocks needed"
	Quadrats           Shape = "quadrats"
	OneQuadrat         Shape = "one quadrat a plot"
	Season             Shape = "season"
	SeasonZeroDate     Shape = "season with a date of zeros"
	Counts             Shape = "counts"
	CountsZero         Shape = "counts with a treatment of zeros"
	Binomial           Shape = "binomial"
	Beta               Shape = "beta"
	Transforms         Shape = "transforms"
	Normality          Shape = "normality"
	Homogeneity        Shape = "homogeneity"
	Outlier            Shape = "outlier"
	BlockChecks        Shape = "block checks"
	BlockRanks         Shape = "ranks in blocks"
	GroupRanks         Shape = "ranks in groups"
	SignedRank         Shape = "signed ranks"
	RankSum            Shape = "rank sum"
	Agreement          Shape = "agreement"
	Area               Shape = "area under a curve"
	IncompleteBlocks   Shape = "incomplete blocks"
	LatinSquare        Shape = "Latin square"
)

// shapes lists what a case of a kind must have to be of a shape: columns or
// entries of its data, and expected entries. The first that fits is taken.
var shapes = []struct {
	kind, data, expected string
	shape                Shape
}{
	{"k01", "treatment y", "certified", OneWayCertified},
	{"k01", "treatment y", "anova mean", OneWay},
	{"k01", "treatment y", "", OneWayEdge},
	{"k02", "block whole sub y", "strata", SplitPlot},
	{"k02", "row col treatment y", "anova", LatinSquare},
	{"k02", "block treatment y", "anova", Blocks},
	{"k02", "block treatment y", "", BlocksEdge},
	{"k02", "y", "anova residuals", Factorial},
	{"k03", "block treatment y", "type2", MissingPlots},
	{"k03", "block treatment y", "estimable", Disconnected},
	{"k03", "block treatment y", "lsmean", MissingTreatment},
	{"k04", "treatment y", "diff_minus_control", Dunnett},
	{"k04", "treatment y", "coefficients", Contrasts},
	{"k04", "treatment y", "pairs", Pairs},
	{"k04", "a b significant", "", Letters},
	{"k04", "p", "holm", AdjustedP},
	{"k05", "k df q", "p", RangeCDF},
	{"k05", "k df p", "q", RangeQuantile},
	{"k05", "t f chisq normal", "t_upper_tail", BasicDistributions},
	{"k05", "k df alpha", "two_sided", DunnettEqual},
	{"k05", "n_control n_treatment df", "lambda", DunnettUnequal},
	{"k05", "q df1 df2 ncp", "p", NoncentralF},
	{"k05", "q df ncp", "p", NoncentralT},
	{"k05", "t b delta_sd", "lambda power", PowerGrid},
	{"k05", "t b delta_sd power alpha", "blocks_needed", BlocksNeeded},
	{"k06", "block treatment y", "nested_anova_sequential", Quadrats},
	{"k06", "block treatment y", "within_df", OneQuadrat},
	{"k07", "treatment day y", "complete", Season},
	{"k07", "treatment day y", "day0 day14", SeasonZeroDate},
	{"k08", "treatment y n", "emm_logit", Binomial},
	{"k08", "y", "phi", Beta},
	{"k08", "treatment y", "dispersion_pearson", Counts},
	{"k08", "treatment y", "lr_deviance_trt", CountsZero},
	{"k08", "treatment y", "none levels", Transforms},
	{"k09", "samples", "w", Normality},
	{"k09", "g y", "bartlett_k2", Homogeneity},
	{"k09", "x", "g index_1based", Outlier},
	{"k09", "block treatment y", "nonadditivity", BlockChecks},
	{"k10", "block treatment y", "rank_sums", BlockRanks},
	{"k10", "g y", "mean_rank", GroupRanks},
	{"k10", "x y", "v", SignedRank},
	{"k10", "x y", "w", RankSum},
	{"k11", "x y", "", Agreement},
	{"k11", "ratings", "icc", Agreement},
	{"k12", "treatment day plot y", "per_plot", Area},
	{"k13", "row col treatment y", "anova", LatinSquare},
	{"k13", "block treatment y", "anova_treatments_adjusted", IncompleteBlocks},
}

// Shape tells what sort of case it is; "" where the kind is unknown or no
// sort of it fits.
func (c *Case) Shape() Shape {
	for _, s := range shapes {
		if s.kind == c.Kind && all(s.data, c.HasData) && all(s.expected, c.Has) {
			return s.shape
		}
	}
	return ""
}

func all(names string, has func(string) bool) bool {
	for name := range strings.FieldsSeq(names) {
		if !has(name) {
			return false
		}
	}
	return true
}

func knownKind(kind string) bool {
	for _, s := range shapes {
		if s.kind == kind {
			return true
		}
	}
	return false
}
