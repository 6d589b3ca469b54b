// Package calibrate holds image estimates against hand counts of the same
// quadrats: agreement, the calibration line, double sampling and the verdict
// whether hand counting may stop.
//
// # Input and units
//
// The unit of input is the Pair: one quadrat on one visit, assessed by a person
// (Hand) and measured from the photo (Image). Cover is a fraction of the frame
// in [0, 1] inside the package; a table in percent is converted once, on entry,
// and the conversion is noted in the report. Counts are pieces per quadrat.
// NaN marks a value that was not recorded, which is never the same as zero: a
// photographed quadrat without a hand count is the first-phase sample of the
// double-sampling estimators.
//
// # Quadrats are not replicates
//
// Quadrats of a plot, and visits to it, resemble each other. Intervals
// therefore treat the plot, with all its visits and quadrats, as the sampling
// unit: t intervals of clusters for the bias, variance components for the limits
// of agreement, a seeded bootstrap of whole plots for other statistics, a
// delete-one-plot jackknife for lines and double sampling. The formula intervals
// that treat pairs as independent stand beside them, named as such. Simulated
// with 12 plots of 4 quadrats whose error is mostly shared, the 95 % intervals
// hold the truth in 96 % (limits), 93 % (concordance) and 91 % (RMSE) of trials,
// where the formula interval of a limit holds it in 72 %.
//
// # Output
//
// Results are plain values with JSON tags. A number that does not exist is
// absent (nil), never NaN or infinite, and a sentence in Warnings says why.
// Figures need no further computing: points, lines, limits and bands are in the
// Report.
//
// # Sources
//
// Bland & Altman 1986 (Lancet i: 307-310), 1999 (Stat. Methods Med. Res. 8:
// 135-160) and 2007 (J. Biopharm. Stat. 17: 571-582) for limits of agreement;
// Lin 1989 (Biometrics 45: 255-268; correction Biometrics 56: 324-325, 2000)
// for concordance; Shrout & Fleiss 1979 (Psychol. Bull. 86: 420-428) for ICC;
// Deming 1943, Sen 1968 (JASA 63: 1379-1389) and Passing & Bablok 1983 (J.
// Clin. Chem. Clin. Biochem. 21: 709-720) for lines; Fieller 1954 (JRSS B 16:
// 175-185) for inverse prediction; Cochran 1977 (Sampling Techniques, 3rd ed.,
// chapter 12) and de Vries 1986 (Sampling Theory for Forest Inventory) for
// double sampling; Schuirmann 1987 (J. Pharmacokinet. Biopharm. 15: 657-680)
// for two one-sided tests; Graybill & Wang 1980 (JASA 75: 869-873) and Zou 2013
// (Stat. Methods Med. Res. 22: 630-642), the name and year
// of the method of variance estimates recovery confirmed, its formula checked here
// by simulation only, for limits with several quadrats a plot;
// Hesterberg 2015 (Am. Stat. 69: 371-386) on the bootstrap with few units.
package calibrate
