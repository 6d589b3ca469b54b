// Package stats compares treatments in field trials laid out in plots: the
// design is recognised from the rows, quadrats are averaged to plots, blocks
// and treatments are fitted, and the treatments compared in pairs and with the
// control. It computes only: values in, values out, with the caveats inside the
// results.
//
// The steps of [Analyse], each usable on its own:
//
//  1. [CleanLabels] unites spellings; [PlotMeans] forms plots (plots.go).
//  2. [Recognise] names the design (design.go).
//  3. [NewTransform] carries plot values to a scale (scale.go).
//  4. [FitLinear] fits by Householder reflections, with sums of squares of
//     types I, II and III (fit.go); [Fit.MeansOf] gives adjusted means.
//  5. [Means.Pairs], [Means.VsControlContext], [Means.Contrast] and
//     [Means.Suppression] compare them; [Letters] displays the pairs.
//  6. Checks, rank tests, the randomisation test and what the trial could have
//     seen stand beside the comparison and never change it (assess.go).
//
// [AnalyseSeason] does the same for a season of visits; visits, like quadrats,
// are never replicates. Distributions are in package dist below this one.
//
// Beside it stand, for designs people plant: [ParseContrast] and
// [Analysis.AnswerContrasts] for single questions, [Analysis.Trend] for ordered
// rates, [AnalyseFactorial], [AnalyseStrataContext] for split and strip plots,
// [CombineContext] for several trials, and [AnalyseYieldLoss] for weeds against yield.
//
// An error means that there is no answer. A trial that is in order but cannot
// answer gives an [Analysis] in which the undefined numbers are left out and
// the verdict says why.
package stats
