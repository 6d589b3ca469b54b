// Package dist holds the probability distributions a block-design comparison
// needs: Student t, F, chi-square and normal with their upper tails computed
// directly, the studentized range (Tukey), the maximum of correlated t values
// (Dunnett), and the non-central F and t behind power.
//
// # Conventions
//
// SF is the survival function P(X > x), always computed as such and never as
// 1 - CDF, so that small p values keep their digits. Quantile takes the lower
// probability p in (0, 1): the 5 % critical value is Quantile(0.95, ...).
// Degrees of freedom are positive real numbers; +Inf is allowed wherever a
// known error variance makes sense.
//
// Every function returns an error for arguments outside its domain and for
// NaN; a returned number is never NaN.
//
// # How the integrals are done
//
// The studentized distributions are averages over the scale
// s = sqrt(chi-square(df)/df). On u = log s the integrands are smooth and die
// off on both sides, where the plain trapezoid rule converges geometrically
// (Trefethen and Weideman 2014, SIAM Review 56, 385-458). The step is fixed
// by the narrowest feature of the integrand, and the sum runs outwards from
// the peak until terms stop counting, so a far tail is reached with the same
// relative accuracy as the middle.
package dist
