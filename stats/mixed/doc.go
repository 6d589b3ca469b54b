// Package mixed fits linear mixed models by restricted maximum likelihood:
// fixed treatments, blocks and dates, random plots and blocks, and, for a
// season, residuals that correlate within a plot over true days.
//
// [FitModel] gives variance components bounded at zero, fixed effects and F
// tests with Kenward-Roger or Satterthwaite degrees of freedom; [Fit.Means]
// and [Fit.Differences] give adjusted means and their differences, each pair
// with its own standard error, over everything or within dates.
//
// The covariance matrix falls apart into blocks that share few patterns; each
// pattern is factored once (Cholesky). Fixed effects stand on an orthonormal
// basis of their columns, never on normal equations of the raw ones, so a
// large common offset of the response costs no digits.
package mixed
