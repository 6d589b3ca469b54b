package rscript

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Column is a named column of labels, one a plot.
type Column struct {
	Name   string
	Labels []string
}

// Factorial is a trial with several factors; values are on the scale of the
// analysis.
type Factorial struct {
	Head
	Values  []float64
	Blocks  []string // empty for none
	Factors []Column
	Alpha   float64
}

// Factors writes the script of a factorial. Its means are those of a factorial
// without absent combinations.
func Factors(f Factorial) (string, error) {
	var s script
	if len(f.Factors) < 2 {
		return "", errors.New("a factorial has 2 or more factors")
	}
	s.head(f.Head)
	s.numbers("y", f.Values)
	data := []string{"y = y"}
	before := ""
	if len(f.Blocks) > 0 {
		s.factor("block", f.Blocks)
		data = append(data, "block = block")
		before = "block + "
	}
	var vars, names []string
	for i, c := range f.Factors {
		if len(c.Labels) != len(f.Values) {
			return "", fmt.Errorf("factor %s has %d labels for %d plots", c.Name, len(c.Labels), len(f.Values))
		}
		v := fmt.Sprintf("f%d", i+1)
		s.line("# %s is %s.", v, comment(c.Name))
		s.factor(v, c.Labels)
		vars, names = append(vars, v), append(names, c.Name)
		data = append(data, v+" = "+v)
	}
	s.line("d <- data.frame(%s)", strings.Join(data, ", "))
	s.texts("called", names)
	s.texts("vars", vars)
	s.WriteString(adjustedMeans)
	s.line("")
	s.line("alpha <- %s", number(f.Alpha))
	s.line("model <- lm(y ~ %s%s, d)", before, strings.Join(vars, " * "))
	s.line("before <- %s", text(before))
	s.WriteString(`
# Each effect adjusted for all that do not contain it (type II).
effects <- attr(terms(model), "term.labels")
effects <- effects[effects != "block"]
parts <- strsplit(effects, ":")
named <- function(p) paste(called[match(p, vars)], collapse = ":")
mse <- summary(model)$sigma^2
for (i in seq_along(effects)) {
  free <- effects[!vapply(parts, function(q) all(parts[[i]] %in% q), TRUE)]
  rhs <- function(x) as.formula(paste("y ~", before, paste(c("1", x), collapse = " + ")))
  small <- lm(rhs(free), d)
  large <- lm(rhs(c(free, effects[i])), d)
  df <- df.residual(small) - df.residual(large)
  n <- paste0("anova[", named(parts[[i]]), "].")
  say(paste0(n, "df"), df)
  if (df == 0) next
  ss <- deviance(small) - deviance(large)
  say(paste0(n, "ss"), ss)
  say(paste0(n, "f"), ss / df / mse)
  say(paste0(n, "p"), pf(ss / df / mse, df, df.residual(model), lower.tail = FALSE))
}
say("mse", mse)
say("residual_df", df.residual(model))

t0 <- qt(1 - alpha / 2, df.residual(model))
if (!anyNA(coef(model))) for (i in seq_along(effects)) {
  m <- means_of(model, parts[[i]])
  for (x in m$labels) {
    n <- paste0("means[", named(parts[[i]]), "|", x, "].")
    say(paste0(n, "mean"), m$mean[x])
    say(paste0(n, "se"), sqrt(m$V[x, x]))
  }
  for (a in seq_along(m$labels)) for (b in seq_along(m$labels)) if (a < b) {
    n <- paste0("pairs[", named(parts[[i]]), "|", m$labels[a], "|", m$labels[b], "].")
    sed <- sqrt(m$V[a, a] + m$V[b, b] - 2 * m$V[a, b])
    say(paste0(n, "difference"), m$mean[a] - m$mean[b])
    say(paste0(n, "sed"), sed)
    say(paste0(n, "p"), 2 * pt(-abs((m$mean[a] - m$mean[b]) / sed), m$df))
  }
}
`)
	return s.done()
}

// Strata is a split plot or, with Strip, a strip plot; values are on the scale
// of the analysis. Balanced has every combination once in every block.
type Strata struct {
	Head
	Values     []float64
	Blocks     []string
	Whole, Sub Column
	Strip      bool
	Balanced   bool
}

// Split writes the script of a split or strip plot: error strata where it is
// balanced, else a mixed model with Kenward and Roger's degrees of freedom.
func Split(f Strata) (string, error) {
	var s script
	n := len(f.Values)
	if len(f.Blocks) != n || len(f.Whole.Labels) != n || len(f.Sub.Labels) != n {
		return "", errors.New("blocks and both factors need one label a plot")
	}
	if f.Balanced {
		s.head(f.Head)
	} else {
		s.head(f.Head, "lmerTest", "pbkrtest")
	}
	s.numbers("y", f.Values)
	s.factor("block", f.Blocks)
	s.line("# A is %s, B is %s.", comment(f.Whole.Name), comment(f.Sub.Name))
	s.factor("A", f.Whole.Labels)
	s.factor("B", f.Sub.Labels)
	a, b := f.Whole.Name, f.Sub.Name
	s.line("called <- c(A = %s, B = %s, \"A:B\" = %s)", text(a), text(b), text(a+":"+b))
	if !f.Balanced {
		random := "(1 | block:A)"
		if f.Strip {
			random += " + (1 | block:B)"
		}
		s.line("options(contrasts = c(\"contr.sum\", \"contr.poly\"))")
		s.line("suppressPackageStartupMessages(library(lmerTest))")
		s.line("model <- lmer(y ~ block + A * B + %s, control = lmerControl(optimizer = \"bobyqa\", optCtrl = list(rhoend = 1e-12, maxfun = 1e5)))", random)
		s.line("t3 <- anova(model, ddf = \"Kenward-Roger\", type = 3)")
		s.line("print(t3)")
		s.WriteString(`for (term in c("A", "B", "A:B")) {
  n <- paste0("tests[", called[term], "].")
  say(paste0(n, "num_df"), t3[term, "NumDF"])
  say(paste0(n, "den_df"), t3[term, "DenDF"])
  say(paste0(n, "f"), t3[term, "F value"])
  say(paste0(n, "p"), t3[term, "Pr(>F)"])
}
`)
		return s.done()
	}
	strips := ""
	if f.Strip {
		strips = " + block:B"
	}
	s.line("a <- anova(lm(y ~ block + A + block:A + B%s + A:B))", strips)
	s.line("print(a)")
	errorOfB := "Residuals"
	if f.Strip {
		errorOfB = "block:B"
	}
	s.line("error <- c(A = \"block:A\", B = %q, \"A:B\" = \"Residuals\")", errorOfB)
	s.WriteString(`ms <- setNames(a[["Mean Sq"]], rownames(a))
df <- setNames(a[["Df"]], rownames(a))
for (term in c("A", "B", "A:B")) {
  e <- error[[term]]
  n <- paste0("tests[", called[term], "].")
  f <- ms[[term]] / ms[[e]]
  say(paste0(n, "num_df"), df[[term]])
  say(paste0(n, "den_df"), df[[e]])
  say(paste0(n, "f"), f)
  say(paste0(n, "p"), pf(f, df[[term]], df[[e]], lower.tail = FALSE))
}

# Standard errors of differences; where they mix errors, Satterthwaite's df.
nb <- nlevels(block); na <- nlevels(A); ns <- nlevels(B)
sed <- function(name, ...) {
  w <- c(...)
  v <- w * ms[names(w)]
  say(paste0("seds[", name, "].sed"), sqrt(sum(v)))
  say(paste0("seds[", name, "].df"), sum(v)^2 / sum(v^2 / df[names(w)]))
}
`)
	s.line(`sed("means of the whole-plot factor", "block:A" = 2 / (nb * ns))`)
	s.line(`sed("whole-plot levels at one sub-plot level", Residuals = 2 * (ns - 1) / (nb * ns), "block:A" = 2 / (nb * ns))`)
	if f.Strip {
		s.line(`sed("means of the sub-plot factor", "block:B" = 2 / (nb * na))`)
		s.line(`sed("sub-plot levels at one whole-plot level", Residuals = 2 * (na - 1) / (nb * na), "block:B" = 2 / (nb * na))`)
	} else {
		s.line(`sed("means of the sub-plot factor", Residuals = 2 / (nb * na))`)
		s.line(`sed("sub-plot levels at one whole-plot level", Residuals = 2 / nb)`)
	}
	return s.done()
}

// Reading is a plot at a visit. Day counts from any origin.
type Reading struct {
	Plot, Block, Treatment string
	Day, Value             float64
}

// Season is plots over visits. Areas and period means are of the values as
// measured, period means then on Scale; the split plot in time is on Scale.
// BlockByVisit takes blocks by visit out of its error. Mixed adds the mixed
// model of the season with plots random, and blocks by visit where that is
// taken out.
type Season struct {
	Head
	Readings     []Reading
	Scale        Scale
	BlockByVisit bool
	Mixed        bool
}

// Visits writes the script of a season.
func Visits(f Season) (string, error) {
	var s script
	if len(f.Readings) == 0 {
		return "", errors.New("a season needs readings")
	}
	if f.Mixed {
		s.head(f.Head, "lmerTest", "pbkrtest")
	} else {
		s.head(f.Head)
	}
	var plot, block, treatment []string
	var day, value []float64
	for _, r := range f.Readings {
		plot, block, treatment = append(plot, r.Block+" / "+r.Plot), append(block, r.Block), append(treatment, r.Treatment)
		day, value = append(day, r.Day), append(value, r.Value)
	}
	s.factor("plot", plot)
	s.factor("block", block)
	s.factor("treatment", treatment)
	s.numbers("day", day)
	s.numbers("value", value)
	s.scale(f.Scale)
	s.WriteString(adjustedMeans)
	s.line("options(contrasts = c(\"contr.sum\", \"contr.poly\"))")
	blocks := distinct(block) > 1
	left := ""
	if blocks {
		left = "block + "
	}
	s.WriteString(`
o <- order(plot, day)
plot <- plot[o]; block <- block[o]; treatment <- treatment[o]; day <- day[o]; value <- value[o]
days <- sort(unique(day))
# One value a plot: the area by the trapezoid rule and the mean over the period.
each <- split(seq_along(day), plot)
whole <- vapply(each, function(i) min(day[i]) == days[1] && max(day[i]) == max(days), TRUE)
area <- vapply(each, function(i) sum(diff(day[i]) * (head(value[i], -1) + tail(value[i], -1)) / 2), 0)
u <- data.frame(block = block[vapply(each, "[", 0L, 1L)], treatment = treatment[vapply(each, "[", 0L, 1L)],
  area = area, period = forward(area / diff(range(days))))[whole, ]
u <- droplevels(u)
`)
	s.line(`say_anova("area", anova(lm(area ~ %streatment, u)))`, left)
	s.line(`say_anova("period_mean", anova(lm(period ~ %streatment, u)))`, left)
	byVisit := ""
	if f.BlockByVisit && blocks {
		byVisit = " + block:visit"
	}
	s.WriteString(`
y <- forward(value)
visit <- factor(day)
if (all(table(plot) == length(days))) {
  # Split plot in time: plots are the main units.
  pm <- tapply(y, plot, mean)
  first <- match(levels(plot), plot)
`)
	s.line("  between <- anova(lm(pm ~ %st1, data.frame(pm = as.vector(pm), block = block[first], t1 = treatment[first])))", left)
	s.line(`  rownames(between) <- sub("^t1", "treatment", rownames(between))`)
	s.line(`  between[["Sum Sq"]] <- between[["Sum Sq"]] * length(days)`)
	s.line(`  say_anova("in_time.plot", between)`)
	s.line("  w <- anova(lm(y ~ plot + visit%s + treatment:visit))", byVisit)
	s.line(`  w <- w[rownames(w) != "plot", ]`)
	s.line(`  rownames(w) <- sub("^visit:treatment", "treatment:visit", rownames(w))`)
	s.line(`  rownames(w) <- sub("^visit:block", "block:visit", rownames(w))`)
	s.line(`  say_anova("in_time.within", w)`)
	s.line("  Y <- matrix(y, ncol = length(days), byrow = TRUE)")
	s.line("  E <- residuals(lm(Y ~ %st1, data.frame(block = block[first], t1 = treatment[first])))", left)
	s.WriteString(`  C <- contr.poly(length(days), scores = days)
  S <- crossprod(E %*% C)
  eps <- sum(diag(S))^2 / (ncol(C) * sum(S^2))
  say("in_time.epsilon_gg", eps)
  e <- nrow(w)
  f <- w["treatment:visit", "F value"]
  say("in_time.within[treatment:visit].p_gg", pf(f, eps * w["treatment:visit", "Df"], eps * w[e, "Df"], lower.tail = FALSE))
}
`)
	if f.Mixed {
		random := "(1 | plot)"
		if byVisit != "" {
			random += " + (1 | block:visit)"
		}
		s.line("")
		s.line("suppressPackageStartupMessages(library(lmerTest))")
		s.line("model <- lmer(y ~ %streatment * visit + %s, control = lmerControl(optimizer = \"bobyqa\", optCtrl = list(rhoend = 1e-12, maxfun = 1e5)))", left, random)
		s.WriteString(`v <- as.data.frame(VarCorr(model))
for (i in seq_len(nrow(v))) say(paste0("mixed.variance[", tolower(v$grp[i]), "]"), v$vcov[i])
t3 <- anova(model, ddf = "Kenward-Roger", type = 3)
print(t3)
for (term in rownames(t3)) {
  n <- paste0("mixed.tests[", term, "].")
  say(paste0(n, "num_df"), t3[term, "NumDF"])
  say(paste0(n, "den_df"), t3[term, "DenDF"])
  say(paste0(n, "f"), t3[term, "F value"])
  say(paste0(n, "p"), t3[term, "Pr(>F)"])
}
`)
	}
	return s.done()
}

// Count is a plot's count, with the area it comes from (0 for equal areas).
type Count struct {
	Block, Column, Treatment string
	Count, Area              float64
	Covariate                *float64 // nil or set for every plot
}

// Counted is counts compared by quasi-Poisson regression, or shares (Count
// from 0 to 1) by quasi-binomial where Shares is set.
type Counted struct {
	Head
	Plots  []Count
	Shares bool
	// Control may be empty; Alpha 0 stands for 0.05.
	Control string
	Alpha   float64
	// Permuted draws the test of treatments anew by re-allotting them within
	// blocks.
	Permuted bool
}

// Counts writes the script of counts or shares: the analysis of deviance,
// ratios of treatments, means on all plots with a spread for patches, and where
// asked for a p value by re-allotment. It refuses a treatment or block whose
// plots all hold nothing or are full, for which no estimate is finite.
func Counts(f Counted) (string, error) {
	var s script
	if len(f.Plots) < 2 {
		return "", errors.New("a script needs 2 or more plots with a count")
	}
	s.head(f.Head)
	var block, column, treatment []string
	var y, area, covariate []float64
	for _, p := range f.Plots {
		block, column, treatment = append(block, p.Block), append(column, p.Column), append(treatment, p.Treatment)
		y, area = append(y, p.Count), append(area, p.Area)
		if p.Covariate != nil {
			covariate = append(covariate, *p.Covariate)
		}
	}
	var before []string
	for _, x := range []struct {
		name   string
		labels []string
	}{{"block", block}, {"column", column}, {"treatment", treatment}} {
		if distinct(x.labels) < 2 {
			continue
		}
		for of, ends := range ends(x.labels, y) {
			if ends[1] == 0 || f.Shares && ends[0] == 1 {
				return "", fmt.Errorf("%s %s holds nothing or is full in every plot, so a generalised linear model has no finite estimate of it", x.name, of)
			}
		}
		s.factor(x.name, x.labels)
		if x.name != "treatment" {
			before = append(before, x.name)
		}
	}
	s.numbers("y", y)
	if len(covariate) == len(y) {
		s.numbers("covariate", covariate)
		before = append(before, "covariate")
	}
	offset := "rep(0, length(y))"
	if area[0] != 0 {
		s.numbers("area", area)
		offset = "log(area)"
	}
	s.line("off <- %s", offset)
	family, ratios := "quasipoisson", "ratios"
	if f.Shares {
		family, ratios = "quasibinomial", "odds_ratios"
	}
	alpha := f.Alpha
	if alpha == 0 {
		alpha = 0.05
	}
	s.line("alpha <- %s", number(alpha))
	s.line("options(contrasts = c(\"contr.treatment\", \"contr.poly\"))")
	s.line("exactly <- glm.control(epsilon = 1e-12, maxit = 100)")
	s.line("model <- glm(y ~ %s, family = %s, offset = off, control = exactly)", strings.Join(append(slices.Clone(before), "treatment"), " + "), family)
	s.line("a <- anova(model, test = \"F\")")
	s.line("print(a)")
	s.line(`for (term in rownames(a)[-1]) {`)
	s.line(`  n <- paste0("tests[", term, "].")`)
	s.line(`  say(paste0(n, "df"), a[term, "Df"])`)
	s.line(`  say(paste0(n, "deviance"), a[term, "Deviance"])`)
	s.line(`  say(paste0(n, "f"), a[term, "F"])`)
	s.line(`  say(paste0(n, "p"), a[term, "Pr(>F)"])`)
	s.line("}")
	s.line(`say("dispersion", summary(model)$dispersion)`)
	s.WriteString(`lev <- levels(treatment)
b <- coef(model); V <- vcov(model)
at <- function(x) { w <- setNames(rep(0, length(b)), names(b)); if (x != lev[1]) w[paste0("treatment", x)] <- 1; w }
for (i in seq_along(lev)) for (j in seq_along(lev)) if (i < j) {
  w <- at(lev[i]) - at(lev[j])
  e <- sum(w * b)
  se <- sqrt(as.vector(t(w) %*% V %*% w))
`)
	s.line(`  n <- paste0("%s[", lev[i], "|", lev[j], "].")`, ratios)
	s.WriteString(`  say(paste0(n, "log_ratio"), e)
  say(paste0(n, "se"), se)
  say(paste0(n, "p"), 2 * pt(-abs(e / se), df.residual(model)))
}

# Means that each treatment would have on all plots, with a spread that falls
# less with the mean than the family's, as where weeds stand in patches. For
# whole counts the variance is mu + mu^2/k.
`)
	s.line("shares <- %s", map[bool]string{true: "TRUE", false: "FALSE"}[f.Shares])
	s.WriteString(`mu <- fitted(model)
v <- if (shares) mu * (1 - mu) else mu
h <- hatvalues(model)
tells <- h <= 1 - 1e-8
left <- (y - mu)^2 / (1 - h)
vbar <- mean(v[tells])
spread <- function(s, w) s * ((1 - w) * v + w * v^2 / vbar)
pearson <- function(s, w) mean((left / spread(s, w))[tells])
if (!shares && all(y == trunc(y))) {
  if (pearson(1, 0) <= 1) { s <- pearson(1, 0); w <- 0 } else {
    s <- exp(uniroot(function(l) pearson(exp(l), 1 - exp(-l)) - 1, c(0, 27), tol = 1e-13, maxiter = 1e4)$root)
    w <- 1 - 1 / s
  }
} else {
  w <- if (shares) 0.5 else 0.85
  s <- pearson(1, w)
}
say("spread.scale", s)
say("spread.weight", w)
X <- model.matrix(model)
bread <- solve(crossprod(X, X * v))
P <- bread %*% crossprod(X, X * spread(s, w)) %*% bread
t0 <- qt(1 - alpha / 2, df.residual(model))
m <- setNames(rep(NA, length(lev)), lev)
G <- matrix(0, length(lev), length(b), dimnames = list(lev, NULL))
for (x in lev) {
  d <- model$model
  d$treatment <- factor(rep(x, length(y)), levels = lev)
  Z <- model.matrix(delete.response(terms(model)), d)
  e <- as.vector(Z %*% b)
  z <- if (shares) plogis(e) else exp(e)
  m[x] <- mean(z)
  G[x, ] <- colSums(Z * (if (shares) z * (1 - z) else z)) / sum(z)
  se <- sqrt(as.vector(G[x, ] %*% P %*% G[x, ]))
  n <- paste0("standard[", x, "].")
  say(paste0(n, "mean"), m[x])
  if (shares) {
    say(paste0(n, "lower"), plogis(qlogis(m[x]) - t0 * se / (1 - m[x])))
    say(paste0(n, "upper"), plogis(qlogis(m[x]) + t0 * se / (1 - m[x])))
  } else {
    say(paste0(n, "lower"), m[x] * exp(-t0 * se))
    say(paste0(n, "upper"), m[x] * exp(t0 * se))
  }
}
`)
	if f.Control != "" {
		s.line("control <- %s", text(f.Control))
		s.line(`stopifnot(control %%in%% lev)`)
		s.WriteString(`for (x in setdiff(lev, control)) {
  g <- G[x, ] - G[control, ]
  se <- sqrt(as.vector(g %*% P %*% g))
  n <- paste0("over_control[", x, "].")
  say(paste0(n, "ratio"), m[[x]] / m[[control]])
  say(paste0(n, "lower"), m[[x]] / m[[control]] * exp(-t0 * se))
  say(paste0(n, "upper"), m[[x]] / m[[control]] * exp(t0 * se))
}
`)
	}
	if f.Permuted {
		within := "rep(1, length(y))"
		if slices.Contains(before, "block") {
			within = "block"
		}
		s.line("")
		s.line("# Treatments re-allotted among the plots of a block. The draws are not those of")
		s.line("# the printed p value: the two agree within their standard errors. Rows of a")
		s.line("# treatment that drew nothing but zeros say nothing about spread.")
		s.line("within <- %s", within)
		null := "1"
		if len(before) > 0 {
			null = strings.Join(before, " + ")
		}
		s.line("small <- glm(y ~ %s, family = %s, offset = off, control = exactly)", null, family)
		s.line("f_of <- function(allotted) {")
		s.line("  top <- function(by) if (length(by) == length(y)) ave(y, by, FUN = max) > 0 else TRUE")
		s.line("  kept <- top(allotted)%s", map[bool]string{true: " & ave(1 - y, allotted, FUN = max) > 0", false: ""}[f.Shares])
		s.line("  big <- suppressWarnings(glm(y ~ %s, family = %s, offset = off, subset = kept))", strings.Join(append(slices.Clone(before), "allotted"), " + "), family)
		s.WriteString(`  df <- nlevels(allotted) - 1
  (small$deviance - big$deviance) / df / (sum(residuals(big, "pearson")^2) / df.residual(big))
}
set.seed(1)
draws <- 999
observed <- f_of(treatment)
beyond <- replicate(draws, {
  i <- unsplit(lapply(split(seq_along(y), within), function(i) i[sample.int(length(i))]), within)
  f <- f_of(treatment[i])
  is.na(f) || f >= observed * (1 - 1e-9)
})
p <- (sum(beyond) + 1) / (draws + 1)
say("resampled.p", p)
say("resampled.std_err", sqrt(p * (1 - p) / draws))
`)
	}
	return s.done()
}

// ends gives the least and the largest value of each label.
func ends(labels []string, y []float64) map[string][2]float64 {
	out := map[string][2]float64{}
	for i, l := range labels {
		e, ok := out[l]
		if !ok {
			e = [2]float64{y[i], y[i]}
		}
		out[l] = [2]float64{min(e[0], y[i]), max(e[1], y[i])}
	}
	return out
}

// TrialPlot is a plot of one of several trials. Place and Year are used where
// places and years are told apart.
type TrialPlot struct {
	Trial, Block, Treatment string
	Place, Year             string
	Value                   float64
}

// Trials are several trials combined; values are on the scale of the analysis.
// Blocks says that some trial has several blocks, Interaction that trials
// repeat treatments, Crossed that places and years are told apart.
type Trials struct {
	Head
	Plots                        []TrialPlot
	Blocks, Interaction, Crossed bool
}

// Combine writes the script of trials combined.
func Combine(f Trials) (string, error) {
	var s script
	if len(f.Plots) == 0 {
		return "", errors.New("combining needs plots")
	}
	s.head(f.Head, "lmerTest", "pbkrtest")
	var trial, block, treatment, place, year []string
	var y []float64
	for _, p := range f.Plots {
		trial, block, treatment = append(trial, p.Trial), append(block, p.Block), append(treatment, p.Treatment)
		place, year = append(place, p.Place), append(year, p.Year)
		y = append(y, p.Value)
	}
	s.factor("trial", trial)
	s.factor("block", block)
	s.factor("treatment", treatment)
	s.numbers("y", y)
	random := "(1 | trial)"
	if f.Crossed {
		s.factor("place", place)
		s.factor("year", year)
		random += " + (1 | place) + (1 | year) + (1 | place:treatment) + (1 | year:treatment)"
	}
	if f.Blocks {
		random += " + (1 | trial:block)"
	}
	if f.Interaction {
		random += " + (1 | trial:treatment)"
	}
	s.line("suppressPackageStartupMessages(library(lmerTest))")
	s.line("model <- lmer(y ~ treatment + %s, control = lmerControl(optimizer = \"bobyqa\", optCtrl = list(rhoend = 1e-12, maxfun = 1e5)))", random)
	s.WriteString(`v <- as.data.frame(VarCorr(model))
for (i in seq_len(nrow(v))) say(paste0("variance[", tolower(v$grp[i]), "]"), v$vcov[i])
a <- anova(model, ddf = "Kenward-Roger")
print(a)
say("test.num_df", a["treatment", "NumDF"])
say("test.den_df", a["treatment", "DenDF"])
say("test.f", a["treatment", "F value"])
say("test.p", a["treatment", "Pr(>F)"])
V <- pbkrtest::vcovAdj(model)
b <- fixef(model)
lev <- levels(treatment)
at <- function(x) { w <- setNames(rep(0, length(b)), names(b)); if (x != lev[1]) w[paste0("treatment", x)] <- 1; w }
for (i in seq_along(lev)) for (j in seq_along(lev)) if (i < j) {
  w <- at(lev[i]) - at(lev[j])
  n <- paste0("pairs[", lev[i], "|", lev[j], "].")
  e <- sum(w * b)
  sed <- sqrt(as.vector(w %*% V %*% w))
  df <- pbkrtest::Lb_ddf(w, vcov(model), V)
  say(paste0(n, "difference"), e)
  say(paste0(n, "sed"), sed)
  say(paste0(n, "df"), df)
  say(paste0(n, "p"), 2 * pt(-abs(e / sed), df))
}

# Treatment by trial, against plots within trials.
`)
	if f.Interaction {
		s.line("cell <- interaction(trial, block, drop = TRUE)")
		s.line("within <- anova(lm(y ~ cell + treatment), lm(y ~ cell + treatment + trial:treatment))")
		s.line(`say("interaction.num_df", within[2, "Df"])`)
		s.line(`say("interaction.den_df", within[2, "Res.Df"])`)
		s.line(`say("interaction.f", within[2, "F"])`)
		s.line(`say("interaction.p", within[2, "Pr(>F)"])`)
	}
	return s.done()
}

// Loss is weeds against yield; Start holds where the search for the hyperbola
// begins (weed-free yield, I and A), nil for a straight line only.
type Loss struct {
	Head
	Weeds, Yields []float64
	Blocks        []string
	Confidence    float64
	Start         *[3]float64
}

// YieldLoss writes the script of weeds against yield.
func YieldLoss(f Loss) (string, error) {
	var s script
	if len(f.Weeds) != len(f.Yields) || len(f.Weeds) == 0 {
		return "", errors.New("weeds and yields need one value a plot")
	}
	s.head(f.Head)
	s.numbers("weeds", f.Weeds)
	s.numbers("y", f.Yields)
	blocked := distinct(f.Blocks) > 1
	if blocked {
		s.factor("block", f.Blocks)
		s.line("line <- lm(y ~ C(block, sum) + weeds)")
	} else {
		s.line("line <- lm(y ~ weeds)")
	}
	s.line("print(summary(line))")
	s.line("limits <- confint(line, level = %s)", number(f.Confidence))
	s.line(`say("linear.per_weed", -coef(line)["weeds"])`)
	s.line(`say("linear.per_weed.lower", -limits["weeds", 2])`)
	s.line(`say("linear.per_weed.upper", -limits["weeds", 1])`)
	s.line(`say("linear.weed_free", coef(line)[1])`)
	s.line(`say("linear.p", summary(line)$coefficients["weeds", 4])`)
	if f.Start == nil {
		return s.done()
	}
	free := "m"
	s.line("")
	s.line("# The rectangular hyperbola of Cousens 1985.")
	if blocked {
		s.line("g <- as.integer(block)")
		s.line("start <- list(m = rep(%s, nlevels(block)), I = %s, A = %s)", number(f.Start[0]), number(f.Start[1]), number(f.Start[2]))
		free = "m[g]"
	} else {
		s.line("start <- list(m = %s, I = %s, A = %s)", number(f.Start[0]), number(f.Start[1]), number(f.Start[2]))
	}
	s.line("curve <- nls(y ~ %s - mean(m) * (I * weeds / 100) / (1 + I * weeds / A), start = start,", free)
	s.line("  control = nls.control(maxiter = 200, scaleOffset = 1))")
	s.line("print(curve)")
	s.line(`say("hyperbola.i", coef(curve)["I"])`)
	s.line(`say("hyperbola.a", coef(curve)["A"])`)
	s.line(`say("hyperbola.ss", deviance(curve))`)
	return s.done()
}
