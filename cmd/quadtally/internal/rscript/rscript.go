// Package rscript writes a comparison as a script for R: the data, the calls
// that analyse them, and lines "name = number" with the names of the results
// of package stats, so that a statistician can run and check them. Scripts use
// base R; where a mixed model is needed lme4, lmerTest and pbkrtest, and
// mvtnorm for Dunnett's test where plots are missing.
//
// It takes plain values and knows nothing of trials, records or packages of
// statistics.
package rscript

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Head says what a script is of; it is printed as comments.
type Head struct {
	Title    string // "weed cover, visit 3"
	Response string
	Unit     string
}

// Plot is a plot of a comparison. Value is as measured. Block and Column are
// empty where the layout has none, and Covariate is nil or set for every plot.
type Plot struct {
	Name, Block, Column, Treatment string
	Value                          float64
	Covariate                      *float64
}

// Scale says what is done to values before they are analysed: raw,
// arcsine_sqrt, logit, sqrt (of the value plus 0.5 One), log1p or log10 (of the
// value plus One, as a multiple of One), where One is 1 if it is 0. Whole is the value of a whole (100 for percent, 1 for
// proportions, else 0); Nudge stands for 0 and 1 on the logit scale.
type Scale struct {
	Name  string
	Whole float64
	Nudge float64
	One   float64
}

// Contrast is a weighted sum of treatment means.
type Contrast struct {
	Name    string
	Weights map[string]float64
}

// Comparison is treatments compared in complete or incomplete blocks, in rows
// and columns, or without either.
type Comparison struct {
	Head
	Plots []Plot
	Scale Scale
	// Method adjusts the pairs: tukey, lsd, bonferroni, sidak, holm, bh or
	// scheffe. Control may be empty; Side is both, below or above.
	Method, Control, Side string
	Alpha                 float64
	Contrasts             []Contrast
	// Rates are the rates of treatments, for a trend; nil for none.
	Rates map[string]float64
	// Randomised adds the randomisation test: every arrangement of treatments
	// within blocks where they are few, else 20 000 random ones.
	Randomised bool
}

// script collects the lines of a script.
type script struct {
	strings.Builder
	err error
}

func (s *script) line(format string, args ...any) { fmt.Fprintf(s, format+"\n", args...) }

func (s *script) fail(format string, args ...any) {
	s.err = errors.Join(s.err, fmt.Errorf(format, args...))
}

// text is a string of R.
func text(x string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range x {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f || r == 0xfffd:
			b.WriteByte(' ')
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// comment keeps a text on one line.
func comment(x string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, x)
}

func number(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "NA"
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

func (s *script) numbers(name string, xs []float64) {
	s.vector(name, len(xs), func(i int) string { return number(xs[i]) })
}

func (s *script) texts(name string, xs []string) {
	s.vector(name, len(xs), func(i int) string { return text(xs[i]) })
}

// vector writes c(...) in lines of a readable length.
func (s *script) vector(name string, n int, at func(int) string) {
	fmt.Fprintf(s, "%s <- c(", name)
	width := len(name) + 6
	for i := range n {
		v := at(i)
		if i < n-1 {
			v += ","
		}
		if width+len(v) > 78 {
			s.WriteString("\n  ")
			width = 2
		} else if i > 0 {
			s.WriteByte(' ')
			width++
		}
		s.WriteString(v)
		width += len(v)
	}
	s.line(")")
}

// factor writes a column of labels; levels are in order of appearance, which
// changes no number but the signs of differences.
func (s *script) factor(name string, labels []string) {
	s.texts(name, labels)
	s.line("%s <- factor(%s, levels = unique(%s))", name, name, name)
}

func (s *script) head(h Head, needs ...string) {
	s.line("# %s", comment(strings.TrimSpace(h.Title)))
	if h.Response != "" {
		unit := ""
		if h.Unit != "" {
			unit = " (" + h.Unit + ")"
		}
		s.line("# Response: %s%s", comment(h.Response), comment(unit))
	}
	s.line("# Data and calls that give the printed numbers. Run it with: Rscript FILE.R")
	for _, n := range needs {
		s.line("# Needs the package %s.", n)
	}
	s.line("")
	s.line("say <- function(name, value) cat(sprintf(\"%%s = %%.13g\\n\", name, value), sep = \"\")")
	s.line("")
}

func (s *script) done() (string, error) {
	if s.err != nil {
		return "", s.err
	}
	return s.String(), nil
}

// forward and back are the scale as functions of R.
func (s *script) scale(c Scale) {
	w := number(c.Whole)
	forward, back := "v", "z"
	one, over, times := 1.0, "", ""
	if c.One > 0 && c.One != 1 {
		one, over, times = c.One, " / "+number(c.One), number(c.One)+" * "
	}
	switch c.Name {
	case "", "raw":
	case "arcsine_sqrt":
		forward, back = "asin(sqrt(v / "+w+"))", w+" * sin(pmin(pmax(z, 0), pi / 2))^2"
	case "logit":
		n := number(c.Nudge)
		forward, back = "qlogis(pmin(pmax(v / "+w+", "+n+"), 1 - "+n+"))", w+" * plogis(z)"
	case "sqrt":
		half := number(0.5 * one)
		forward, back = "sqrt(v + "+half+")", "pmax(pmax(z, 0)^2 - "+half+", 0)"
	case "log1p":
		forward, back = "log1p(v"+over+")", "pmax("+times+"expm1(z), 0)"
	case "log10":
		forward, back = "log1p(v"+over+") / log(10)", "pmax("+times+"expm1(z * log(10)), 0)"
	default:
		s.fail("scale %q is not known", c.Name)
	}
	if (c.Name == "arcsine_sqrt" || c.Name == "logit") && !(c.Whole > 0) {
		s.fail("scale %s needs the value of a whole", c.Name)
	}
	s.line("forward <- function(v) %s", forward)
	s.line("back <- function(z) %s", back)
}

// adjustedMeans is a function of R: means of the factors by, averaged with
// equal weight over the other factors and at the mean covariate.
const adjustedMeans = `
# Means averaged with equal weight over the other factors, at mean covariates.
means_of <- function(model, by) {
  lev <- model$xlevels
  grid <- expand.grid(lev, stringsAsFactors = FALSE)
  for (f in names(lev)) grid[[f]] <- factor(grid[[f]], levels = lev[[f]])
  tt <- delete.response(terms(model))
  for (v in setdiff(all.vars(tt), names(lev))) grid[[v]] <- mean(model$model[[v]])
  X <- model.matrix(tt, grid, xlev = lev, contrasts.arg = model$contrasts)
  key <- do.call(paste, c(grid[by], sep = ":"))
  keys <- unique(key)
  L <- t(sapply(keys, function(k) colMeans(X[key == k, , drop = FALSE])))
  keep <- !is.na(coef(model))
  L <- L[, keep, drop = FALSE]
  V <- L %*% vcov(model, complete = FALSE) %*% t(L)
  list(labels = keys, mean = setNames(as.vector(L %*% coef(model)[keep]), keys),
       V = V, L = L, df = df.residual(model))
}
say_anova <- function(prefix, a) for (term in rownames(a)) {
  n <- paste0(prefix, "[", if (trimws(term) == "Residuals") "residual" else trimws(term), "].")
  say(paste0(n, "df"), a[term, "Df"])
  say(paste0(n, "ss"), a[term, "Sum Sq"])
  if (!is.na(a[term, "F value"])) {
    say(paste0(n, "f"), a[term, "F value"])
    say(paste0(n, "p"), a[term, "Pr(>F)"])
  }
}
`

const pairFunctions = `
# Compact letters: two share one if and only if they do not differ.
letters_of <- function(differ) {
  n <- nrow(differ)
  within <- function(a, b) all(!a | b)
  groups <- list(rep(TRUE, n))
  for (i in seq_len(n - 1)) for (j in (i + 1):n) if (differ[i, j]) {
    keep <- list(); split <- list()
    for (g in groups) {
      if (!g[i] || !g[j]) { keep <- c(keep, list(g)); next }
      a <- g; a[i] <- FALSE; b <- g; b[j] <- FALSE
      split <- c(split, list(a), list(b))
    }
    old <- keep
    for (s in seq_along(split)) {
      g <- split[[s]]
      gone <- any(vapply(keep, function(h) within(g, h), TRUE))
      for (r in seq_along(split)) {
        h <- split[[r]]
        if (r != s && within(g, h) && (r < s || !within(h, g))) gone <- TRUE
      }
      if (!gone) keep <- c(keep, list(g))
    }
    groups <- keep
  }
  pairs_in <- function(g) outer(g, g, "&") & upper.tri(diag(n), diag = TRUE)
  cover <- Reduce("+", lapply(groups, pairs_in))
  repeat {
    best <- 0; top <- 0
    for (k in seq_along(groups)) {
      w <- cover[pairs_in(groups[[k]])]
      if (min(w) > 1 && sum(w) > top) { best <- k; top <- sum(w) }
    }
    if (best == 0) break
    cover <- cover - pairs_in(groups[[best]])
    groups <- groups[-best]
  }
  groups <- groups[order(vapply(groups, function(g) paste(ifelse(g, 0, 1), collapse = ""), ""))]
  vapply(seq_len(n), function(i) paste(c(letters, LETTERS)[which(vapply(groups, function(g) g[i], TRUE))], collapse = ""), "")
}
`

const dunnettFunction = `
# Chance that the largest of correlated t statistics is beyond t.
dunnett <- function(t, R, df, two) {
  k <- nrow(R)
  if (k == 1) return(if (two) 2 * pt(-t, df) else pt(t, df, lower.tail = FALSE))
  l <- if (k == 2) rep(sqrt(max(R[1, 2], 0)), 2) else sapply(1:k, function(i) {
    j <- (1:k)[-i]
    sqrt(R[i, j[1]] * R[i, j[2]] / R[j[1], j[2]])
  })
  P <- outer(l, l); diag(P) <- 1
  if (!anyNA(l) && max(abs(P - R)) < 1e-9 && all(l < 1)) {
    q <- sqrt(1 - l^2)
    below <- function(c) integrate(function(z) {
      p <- dnorm(z)
      for (i in 1:k) p <- p * (pnorm((c - l[i] * z) / q[i]) - if (two) pnorm((-c - l[i] * z) / q[i]) else 0)
      p
    }, -9, 9, rel.tol = 1e-10, subdivisions = 1000)$value
    f <- function(s) vapply(s, function(s) below(t * s), 0) * 2 * s * df * dchisq(df * s^2, df)
    return(1 - integrate(f, 0, 1 + 9 / sqrt(df), rel.tol = 1e-9, subdivisions = 1000)$value)
  }
  if (!requireNamespace("mvtnorm", quietly = TRUE)) return(NA)
  set.seed(1)
  1 - as.numeric(mvtnorm::pmvt(lower = rep(if (two) -t else -Inf, k), upper = rep(t, k), df = df, corr = R,
    algorithm = mvtnorm::GenzBretz(maxpts = 2e6, abseps = 1e-6)))
}
`

// Compare writes the script of a comparison. It refuses plots without a
// treatment, covariates of some plots only, and settings that are not known.
func Compare(c Comparison) (string, error) {
	var s script
	if len(c.Plots) < 2 {
		return "", errors.New("a script needs 2 or more plots with a value")
	}
	s.head(c.Head)
	var values, covariate []float64
	var treatment, block, column, name []string
	for _, p := range c.Plots {
		if p.Treatment == "" {
			return "", fmt.Errorf("plot %s has no treatment", p.Name)
		}
		if math.IsNaN(p.Value) || math.IsInf(p.Value, 0) {
			return "", fmt.Errorf("plot %s: the value is not a finite number; leave the plot out", p.Name)
		}
		values, treatment, name = append(values, p.Value), append(treatment, p.Treatment), append(name, p.Name)
		block, column = append(block, p.Block), append(column, p.Column)
		if p.Covariate != nil {
			covariate = append(covariate, *p.Covariate)
		}
	}
	if len(covariate) != 0 && len(covariate) != len(values) {
		return "", errors.New("a covariate is given for some plots only")
	}
	var before []string
	s.texts("plot", name)
	if distinct(block) > 1 {
		name := "block"
		if distinct(column) > 1 {
			name = "row"
		}
		s.factor(name, block)
		before = append(before, name)
	}
	if distinct(column) > 1 {
		s.factor("column", column)
		before = append(before, "column")
	}
	s.factor("treatment", treatment)
	s.numbers("value", values)
	if len(covariate) > 0 {
		s.numbers("covariate", covariate)
		before = append(before, "covariate")
	}
	s.scale(c.Scale)
	s.line("y <- forward(value)")
	s.WriteString(adjustedMeans)
	s.WriteString(pairFunctions)
	s.line("")
	s.line("alpha <- %s", number(c.Alpha))
	s.line("model <- lm(y ~ %s)", strings.Join(append(slices.Clone(before), "treatment"), " + "))
	s.line("a <- anova(model)")
	s.line("print(a)")
	s.line(`say_anova("anova", a)`)
	s.line(`say("mse", summary(model)$sigma^2)`)
	s.line(`say("residual_df", df.residual(model))`)
	s.WriteString(`
m <- means_of(model, "treatment")
t0 <- qt(1 - alpha / 2, m$df)
for (x in m$labels) {
  se <- sqrt(m$V[x, x])
  n <- paste0("treatments[", x, "].")
  say(paste0(n, "mean"), mean(value[treatment == x]))
  say(paste0(n, "adjusted"), m$mean[x])
  say(paste0(n, "se"), se)
  say(paste0(n, "lower"), m$mean[x] - t0 * se)
  say(paste0(n, "upper"), m$mean[x] + t0 * se)
  say(paste0(n, "back"), back(m$mean[x]))
  say(paste0(n, "back_lower"), back(m$mean[x] - t0 * se))
  say(paste0(n, "back_upper"), back(m$mean[x] + t0 * se))
}
`)
	s.pairs(c.Method)
	if c.Control != "" {
		s.control(c)
	}
	for _, q := range c.Contrasts {
		s.contrast(q)
	}
	if len(c.Rates) > 0 {
		s.trend(c.Rates, before)
	}
	if c.Randomised {
		if slices.Contains(before, "column") || slices.Contains(before, "covariate") {
			s.fail("a randomisation test re-allots treatments within blocks alone")
		}
		s.randomised(slices.Contains(before, "block"))
	}
	return s.done()
}

// randomised exchanges values within blocks in place of treatments, which comes
// to the same, so that one decomposition of the design serves every
// arrangement.
func (s *script) randomised(blocks bool) {
	within := "factor(rep(1, length(y)))"
	if blocks {
		within = "block"
	}
	s.line("")
	s.line("# Randomisation test: values exchanged within blocks. The sum of squares of")
	s.line("# treatments orders the arrangements as F does.")
	s.line("within <- %s", within)
	s.WriteString(`inside <- split(seq_along(y), within)
X <- model.matrix(if (nlevels(within) > 1) ~ within + treatment else ~ treatment)
B <- qr(if (nlevels(within) > 1) model.matrix(~ within) else matrix(1, length(y), 1))
D <- qr(X)
Q <- qr.Q(D)[, seq_len(D$rank), drop = FALSE]
R <- qr.Q(B)[, seq_len(B$rank), drop = FALSE]
centred <- y - mean(y)
ss <- function(Y) colSums(crossprod(Q, Y)^2) - colSums(crossprod(R, Y)^2)
total <- sum(qr.resid(B, centred)^2)
observed <- ss(as.matrix(centred))
limit <- observed - 1e-10 * observed - 1e-13 * total
ways <- prod(vapply(inside, function(i) factorial(length(i)), 0))
orders <- function(n) {
  if (n < 2) return(matrix(1, 1, n))
  p <- orders(n - 1)
  do.call(rbind, lapply(1:n, function(i) cbind(i, p + (p >= i))))
}
if (ways <= 2e4) {
  each <- lapply(inside, function(i) orders(length(i)))
  which_ <- as.matrix(expand.grid(lapply(each, function(o) seq_len(nrow(o)))))
  Y <- matrix(0, length(y), nrow(which_))
  for (k in seq_along(inside)) Y[inside[[k]], ] <- centred[inside[[k]]][t(each[[k]][which_[, k], , drop = FALSE])]
  say("randomisation.p", mean(ss(Y) >= limit))
  say("randomisation.std_err", 0)
} else {
  set.seed(1)
  beyond <- 0
  for (part in 1:20) {
    Y <- matrix(0, length(y), 1000)
    for (i in inside) Y[i, ] <- replicate(1000, centred[i][sample.int(length(i))])
    beyond <- beyond + sum(ss(Y) >= limit)
  }
  p <- (beyond + 1) / 20001
  say("randomisation.p", p)
  say("randomisation.std_err", sqrt(p * (1 - p) / 2e4))
}
`)
}

func distinct(labels []string) int {
	seen := map[string]bool{}
	for _, l := range labels {
		seen[l] = true
	}
	return len(seen)
}

func (s *script) pairs(method string) {
	var adjust, crit string
	switch method {
	case "tukey":
		adjust = "if (k > 2) ptukey(sqrt(2) * abs(tt), k, m$df, lower.tail = FALSE) else p0"
		crit = "if (k > 2) qtukey(1 - alpha, k, m$df) / sqrt(2) else t0"
	case "lsd":
		adjust, crit = "p0", "t0"
	case "bonferroni", "holm":
		adjust, crit = fmt.Sprintf("p.adjust(p0, %q)", method), "qt(1 - alpha / 2 / length(p0), m$df)"
	case "bh":
		adjust, crit = `p.adjust(p0, "BH")`, "t0"
	case "sidak":
		adjust, crit = "1 - (1 - p0)^length(p0)", "qt(0.5 + (1 - alpha)^(1 / length(p0)) / 2, m$df)"
	case "scheffe":
		adjust, crit = "pf(tt^2 / (k - 1), k - 1, m$df, lower.tail = FALSE)", "sqrt((k - 1) * qf(1 - alpha, k - 1, m$df))"
	default:
		s.fail("method %q for pairs is not known", method)
		return
	}
	s.line("")
	s.line("# Pairs, adjusted by: %s.", method)
	s.line("k <- length(m$labels)")
	s.line("pr <- t(combn(m$labels, 2))")
	s.line("d <- m$mean[pr[, 1]] - m$mean[pr[, 2]]")
	s.line("sed <- apply(pr, 1, function(x) sqrt(m$V[x[1], x[1]] + m$V[x[2], x[2]] - 2 * m$V[x[1], x[2]]))")
	s.line("tt <- d / sed")
	s.line("p0 <- 2 * pt(-abs(tt), m$df)")
	s.line("p <- %s", adjust)
	s.line("crit <- %s", crit)
	s.WriteString(`for (i in seq_along(d)) {
  n <- paste0("pairs[", pr[i, 1], "|", pr[i, 2], "].")
  say(paste0(n, "difference"), d[i])
  say(paste0(n, "sed"), sed[i])
  say(paste0(n, "t"), tt[i])
  say(paste0(n, "p_lsd"), p0[i])
  say(paste0(n, "p"), p[i])
  say(paste0(n, "lower"), d[i] - crit * sed[i])
  say(paste0(n, "upper"), d[i] + crit * sed[i])
}
o <- m$labels[order(-m$mean)]
differ <- matrix(FALSE, k, k, dimnames = list(o, o))
for (i in seq_along(p)) differ[pr[i, 1], pr[i, 2]] <- differ[pr[i, 2], pr[i, 1]] <- p[i] <= alpha
cat(sprintf("letters[%s] = %s\n", o, letters_of(differ)), sep = "")
`)
}

func (s *script) control(c Comparison) {
	two, sign := "TRUE", "abs(tt)"
	switch c.Side {
	case "", "both":
	case "below":
		two, sign = "FALSE", "-tt"
	case "above":
		two, sign = "FALSE", "tt"
	default:
		s.fail("side %q is not known", c.Side)
	}
	s.WriteString(dunnettFunction)
	s.line("")
	s.line("# Each treatment less the control, by Dunnett's test.")
	s.line("control <- %s", text(c.Control))
	s.line(`stopifnot(control %%in%% m$labels)`)
	s.line("others <- setdiff(m$labels, control)")
	s.line("C <- t(sapply(others, function(x) (m$labels == x) - (m$labels == control)))")
	s.line("d <- as.vector(C %%*%% m$mean)")
	s.line("V <- C %%*%% m$V %%*%% t(C)")
	s.line("sed <- sqrt(diag(V))")
	s.line("tt <- d / sed")
	s.line("p <- vapply(%s, function(t) dunnett(t, cov2cor(V), m$df, %s), 0)", sign, two)
	s.line("crit <- uniroot(function(t) dunnett(t, cov2cor(V), m$df, %s) - alpha, c(1, 30), tol = 1e-7)$root", two)
	s.line("for (i in seq_along(d)) {")
	s.line(`  n <- paste0("vs_control[", others[i], "].")`)
	s.line(`  say(paste0(n, "difference"), d[i])`)
	s.line(`  say(paste0(n, "sed"), sed[i])`)
	s.line(`  say(paste0(n, "t"), tt[i])`)
	s.line(`  say(paste0(n, "p"), p[i])`)
	if c.Side != "below" {
		s.line(`  say(paste0(n, "lower"), d[i] - crit * sed[i])`)
	}
	if c.Side != "above" {
		s.line(`  say(paste0(n, "upper"), d[i] + crit * sed[i])`)
	}
	s.line("}")
}

func (s *script) contrast(q Contrast) {
	var names []string
	var weights []float64
	for t := range q.Weights {
		names = append(names, t)
	}
	slices.Sort(names)
	for _, t := range names {
		weights = append(weights, q.Weights[t])
	}
	s.line("")
	s.line("# Contrast %s.", comment(q.Name))
	s.line("w <- setNames(rep(0, length(m$labels)), m$labels)")
	s.texts("named", names)
	s.numbers("weights", weights)
	s.line(`stopifnot(named %%in%% m$labels)`)
	s.line("w[named] <- weights")
	s.line("e <- sum(w * m$mean)")
	s.line("se <- sqrt(as.vector(t(w) %%*%% m$V %%*%% w))")
	n := "contrasts[" + q.Name + "]."
	s.line("say(%s, e)", text(n+"estimate"))
	s.line("say(%s, se)", text(n+"se"))
	s.line("say(%s, e / se)", text(n+"t"))
	s.line("say(%s, 2 * pt(-abs(e / se), m$df))", text(n+"p"))
	s.line("say(%s, e - t0 * se)", text(n+"lower"))
	s.line("say(%s, e + t0 * se)", text(n+"upper"))
	s.line("say(%s, (e / se)^2 * summary(model)$sigma^2)", text(n+"ss"))
}

func (s *script) trend(rates map[string]float64, before []string) {
	var names []string
	for t := range rates {
		names = append(names, t)
	}
	slices.Sort(names)
	var values []float64
	for _, t := range names {
		values = append(values, rates[t])
	}
	s.line("")
	s.line("# Trend over rates: each degree adjusted for the lower ones.")
	s.texts("named", names)
	s.numbers("rates", values)
	s.line("rate <- rates[match(as.character(treatment), named)]")
	s.line("scores <- sort(unique(rates))")
	s.line("degree <- min(3, length(scores) - 1)")
	s.line("P <- contr.poly(length(scores), scores = scores)[match(rate, scores), seq_len(degree), drop = FALSE]")
	s.line("P[is.na(rate), ] <- 0")
	s.line(`apart <- factor(ifelse(is.na(rate), as.character(treatment), "rated"))`)
	formula := slices.Clone(before)
	s.line("steps <- list()")
	base := strings.Join(append(formula, "1"), " + ")
	s.line("fits <- list(if (nlevels(apart) > 1) lm(y ~ %s + apart) else lm(y ~ %s))", base, base)
	s.line("for (j in seq_len(degree)) {")
	s.line("  Q <- P[, seq_len(j), drop = FALSE]")
	s.line("  fits[[j + 1]] <- if (nlevels(apart) > 1) lm(y ~ %s + apart + Q) else lm(y ~ %s + Q)", base, base)
	s.line("}")
	s.line("fits[[degree + 2]] <- model")
	s.line(`terms_ <- c("linear trend", "quadratic trend", "cubic trend")[seq_len(degree)]`)
	s.WriteString(`mse <- summary(model)$sigma^2
for (j in seq_len(degree + 1)) {
  df <- df.residual(fits[[j]]) - df.residual(fits[[j + 1]])
  if (df == 0) next
  ss <- deviance(fits[[j]]) - deviance(fits[[j + 1]])
  n <- paste0("trend[", c(terms_, "lack of fit")[j], "].")
  say(paste0(n, "df"), df)
  say(paste0(n, "ss"), ss)
  say(paste0(n, "f"), ss / df / mse)
  say(paste0(n, "p"), pf(ss / df / mse, df, df.residual(model), lower.tail = FALSE))
}
`)
}
