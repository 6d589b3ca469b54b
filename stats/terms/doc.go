// Package terms turns labelled columns into the matrix of a linear predictor:
// treatments, blocks and dates as labels, covariates as numbers, and the terms
// built from them ("treatment", "treatment:date").
//
// It is the shared front door of the mixed models (package mixed) and the
// generalised linear models (package glm). A factor is always a set of labels,
// never a number: a treatment coded 1 to 5 has 4 degrees of freedom.
//
// Columns that say nothing new (a confounded interaction, a cell never
// planted) are found while the matrix is orthogonalised and named in
// [Design.Aliased]; what can still be estimated is decided from them, so a
// mean that the data cannot give is refused instead of invented.
package terms
