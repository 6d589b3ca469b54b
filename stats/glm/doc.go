// Package glm fits generalised linear models to counts and cover: Poisson,
// quasi-Poisson and negative binomial with the area sampled as offset,
// binomial and quasi-binomial for hits out of points or cover as a share, and
// beta regression for cover strictly between 0 and 1, each with treatment and
// block as labels.
//
// [FitModel] gives coefficients on the link scale and the analysis of deviance
// (F for the quasi families, likelihood ratio otherwise); [Fit.Means] gives
// means on the response scale with intervals, and [Fit.Ratios] compares them.
//
// A treatment without a single plant has no finite log mean. Its rows are
// found, the rest is fitted without them (they fit exactly and add no
// deviance), its mean is reported as 0 and comparisons with it go through the
// deviance, which stays finite; a Wald estimate of it is never printed.
package glm
