# Values for worked_test.go, by R from its own functions (lm, glm, aov, qt, qf,
# qchisq, qbeta) and the published formulas that doc.go names:
#
#   Rscript worked.R > worked.json
#
# written with R 4.2.2 and jsonlite. The numbers are invented.
library(jsonlite)
options(digits = 17)
set.seed(20)
level <- 0.95

# A trial: 3 treatments of 4, 4 and 3 plots, 2 visits, up to 4 photos a plot, up
# to 3 of them counted by hand; one plot of the first treatment is counted nowhere.
d <- do.call(rbind, lapply(1:11, function(p) do.call(rbind, lapply(1:2, function(v) {
  t <- (p - 1) %/% 4 + 1
  n <- 2 + (p + v) %% 3
  h <- 0.1 + 0.12 * t + 0.05 * v + 0.04 * sin(3 * p) + rnorm(n, sd = 0.06)
  hands <- if (p == 3) 0 else if (p == 7 && v == 2) 0 else 1 + (p + 2 * v) %% 3
  data.frame(plot = sprintf("p%02d", p), visit = paste0("v", v), treatment = c("bare", "rye", "oats")[t],
    quadrat = paste0("q", 1:n), hand = round(h, 3),
    image = round(0.03 + 0.85 * h + 0.02 * cos(5 * p) + rnorm(n, sd = 0.03), 3), counted = seq_len(n) <= hands)
}))))
full <- d[d$counted, ]
interv <- function(est, se, df) est + c(-1, 1) * qt(0.5 + level / 2, df) * se

# --- double sampling -------------------------------------------------------
slope_of <- function(f) {
  f$cell <- paste(f$visit, f$treatment)
  unname(coef(if (length(unique(f$cell)) > 1) lm(hand ~ image + cell, f) else lm(hand ~ image, f))["image"])
}
slope <- slope_of(full)
cell_means <- function(x) {
  k <- split(x, paste(x$plot, x$visit))
  do.call(rbind, lapply(k, function(c) data.frame(plot = c$plot[1], visit = c$visit[1], treatment = c$treatment[1],
    photos = nrow(c), hands = sum(c$counted), all = mean(c$image),
    image = mean(c$image[c$counted]), hand = mean(c$hand[c$counted]))))
}
cells <- cell_means(d)
within <- lm(hand ~ paste(plot, visit), full)
s2y <- deviance(within) / df.residual(within)
rx <- resid(lm(image ~ paste(plot, visit), full))
ry <- resid(within)
s2yx <- sum((ry - slope * rx)^2) / (df.residual(within) - 1)
within_df <- df.residual(within) - 1
plots <- lapply(split(cells, seq_len(nrow(cells))), function(c) {
  r <- list(name = c$plot, visit = c$visit, image_only = c$all)
  if (c$hands > 0) {
    reg <- c$hand + slope * (c$all - c$image)
    se <- sqrt(s2yx * (1 / c$hands - 1 / c$photos) + s2y / c$photos)
    r <- c(r, list(regression = reg, regression_se = se, regression_ci = interv(reg, se, within_df),
      hand_only = c$hand, hand_se = sqrt(s2y / c$hands), ratio = c$hand / c$image * c$all, gain = s2y / c$hands / se^2))
  }
  r
})
means_of <- function(c) c(all = mean(c$all), image = mean(c$image, na.rm = TRUE), hand = mean(c$hand, na.rm = TRUE))
stratum <- tapply(cells$treatment, cells$plot, function(x) x[1])
size <- table(stratum)
treatments <- list()
for (t in unique(cells$treatment)) for (v in c("v1", "v2")) {
  inside <- cells[cells$treatment == t & cells$visit == v, ]
  m <- means_of(inside)
  own <- nrow(inside); with <- sum(inside$hands > 0)
  shrink <- sqrt((with - 1) / with / ((own - 1) / own))
  V <- c(regression = 0, ratio = 0, hand = 0, image = 0)
  reg <- unname(m["hand"] + slope * (m["all"] - m["image"]))
  rat <- unname(m["hand"] / m["image"] * m["all"])
  for (p in unique(cells$plot)) {
    h <- size[[stratum[[p]]]]
    j <- means_of(inside[inside$plot != p, ])
    j["hand"] <- m["hand"] + shrink * (j["hand"] - m["hand"])
    j["image"] <- m["image"] + shrink * (j["image"] - m["image"])
    b <- slope_of(full[full$plot != p, ])
    V <- V + (h - 1) / h * c(j["hand"] + b * (j["all"] - j["image"]) - reg, j["hand"] / j["image"] * j["all"] - rat,
      j["hand"] - m["hand"], j["all"] - m["all"])^2
  }
  se <- sqrt(V)
  treatments[[length(treatments) + 1]] <- list(name = t, visit = v, plots = own, plots_with_hand = with,
    regression = reg, regression_se = se[[1]], regression_ci = interv(reg, se[[1]], with - 1),
    ratio = rat, ratio_se = se[[2]], hand_only = m[["hand"]], hand_se = se[[3]], image_only = m[["all"]], image_se = se[[4]],
    image_ci = interv(m[["all"]], se[[4]], own - 1), gain = V[["hand"]] / V[["regression"]])
}
g_hand <- sum(sapply(treatments, function(r) r$hand_se^2)); g_reg <- sum(sapply(treatments, function(r) r$regression_se^2))
# Photos of counted quadrats against the others of their plots, plots as units:
# the mean of a gap over plots of unequal numbers of visits (Cochran 1977).
cluster_mean <- function(y, k) {
  total <- tapply(y - mean(y), k, sum); g <- length(total)
  list(mean = mean(y), se = sqrt(sum(total^2) * g / (g - 1)) / length(y), df = g - 1)
}
picked <- cells[cells$hands > 0 & cells$hands < cells$photos, ]
gap <- picked$image - (picked$photos * picked$all - picked$hands * picked$image) / (picked$photos - picked$hands)
gm <- cluster_mean(gap, picked$plot)

# --- agreement by plots ----------------------------------------------------
diff <- full$image - full$hand
cm <- cluster_mean(diff, full$plot)
k <- table(full$plot); g <- length(k); n <- nrow(full)
pm <- tapply(diff, full$plot, mean)
a <- anova(lm(diff ~ plot, full))
msw <- a["Residuals", "Mean Sq"]; msb <- a["plot", "Mean Sq"]
n0 <- (n - sum(k^2) / n) / (g - 1)
between <- max(0, (msb - msw) / n0)
part <- c(var(pm), (1 - mean(1 / k)) * msw); dfs <- c(g - 1, n - g)
total <- sum(part)
lo <- sqrt(max(0, total - sqrt(sum((part * (1 - dfs / qchisq(0.975, dfs)))^2))))
hi <- sqrt(total + sqrt(sum((part * (dfs / qchisq(0.025, dfs) - 1))^2)))
bias_ci <- interv(cm$mean, cm$se, cm$df)
sd <- sqrt(total); z <- 1.96
ll <- cm$mean - z * sd; ul <- cm$mean + z * sd
limits <- c(ll - sqrt((cm$mean - bias_ci[1])^2 + (z * (hi - sd))^2), ll + sqrt((bias_ci[2] - cm$mean)^2 + (z * (sd - lo))^2),
  ul - sqrt((cm$mean - bias_ci[1])^2 + (z * (sd - lo))^2), ul + sqrt((bias_ci[2] - cm$mean)^2 + (z * (hi - sd))^2))
mid <- (full$hand + full$image) / 2
sb <- lm(diff ~ mid); ss <- lm(abs(resid(sb)) ~ mid)
spearman <- cor(full$hand, full$image, method = "spearman")
zr <- qnorm(0.975) * sqrt((1 + spearman^2 / 2) / (n - 3))

# What values off a line share: by plot and visit, and by plot over the visits, from
# the means of plots on visits. Parts of one-way analyses of unequal sizes.
one_way <- function(e, k) {
  n <- table(k); tab <- anova(lm(e ~ k)); w <- tab["Residuals", "Mean Sq"]
  c(max(0, (tab["k", "Mean Sq"] - w) / ((length(e) - sum(n^2) / length(e)) / (length(n) - 1))), w)
}
split_of <- function(e, plot, visit, total) {
  place <- paste(plot, visit); s <- one_way(e, place)
  m <- tapply(e, place, mean); lasting <- if (length(unique(place)) > length(unique(plot))) one_way(as.vector(m), sub(" .*", "", names(m)))[1] else s[1]
  total * c(s[1], s[2], min(s[1], lasting)) / sum(s)
}

# --- lines, each plot left out in turn -------------------------------------
deming <- function(f) {
  x <- f$image; y <- f$hand; sxx <- var(x); syy <- var(y); sxy <- cov(x, y); r <- 0.5
  b <- (syy - r * sxx + sqrt((syy - r * sxx)^2 + 4 * r * sxy^2)) / (2 * sxy); c(mean(y) - b * mean(x), b)
}
theil <- function(f) {
  i <- combn(nrow(f), 2); dx <- f$image[i[2, ]] - f$image[i[1, ]]; dy <- f$hand[i[2, ]] - f$hand[i[1, ]]
  b <- median((dy / dx)[dx != 0]); c(median(f$hand) - b * median(f$image), b)
}
logs <- function(f) {
  x <- log(f$image + 0.5); y <- log(f$hand + 0.5); m <- lm(y ~ x)
  for (round in 1:10) {
    mu <- exp(fitted(m)); beyond <- max(0, sum((y - fitted(m))^2) - sum(1 / mu)) / length(x)
    w <- 1 / (1 / mu + beyond)
    m <- lm(y ~ x, weights = w); m$fitted.values <- coef(m)[1] + coef(m)[2] * x
  }
  unname(c(coef(m), mean((f$hand + 0.5) / exp(fitted(m)))))
}
line <- function(f, fit, at = function(p, x) p[1] + p[2] * x, spread = function(mu) rep(1, length(mu))) {
  p <- fit(f); names <- unique(f$plot); g <- length(names)
  parts <- sapply(names, function(k) fit(f[f$plot != k, ]))
  dev <- parts - p
  cov <- (g - 1) / g * dev %*% t(dev)
  left <- unlist(lapply(names, function(k) { own <- f[f$plot == k, ]; own$hand - at(parts[, k], own$image) }))
  mu <- at(p, f$image); e <- (f$hand - mu) / sqrt(spread(mu))
  n <- nrow(f)
  s <- sum(e^2) / (n - 2); p3 <- split_of(e, f$plot, f$visit, s)
  x <- c(0.2, 0.45) * (max(f$image) - min(f$image)) + min(f$image)
  moved <- sapply(names, function(k) at(parts[, k], x) - at(p, x))
  shared <- (g - 1) / g * moved %*% t(moved)
  all <- diag(shared) + s * spread(at(p, x)); t <- qt(0.975, g - 1)
  list(intercept = p[1], slope = p[2], cov = unname(cov[1:2, 1:2]), leave_one_plot = sqrt(mean(left^2)),
    slope_ci = interv(p[2], sqrt(cov[2, 2]), g - 1), plot_var = p3[1], quadrat_var = p3[2], lasting_var = p3[3],
    at = x, value = at(p, x), line_cov = unname(shared), prediction = unname(cbind(at(p, x) - t * sqrt(all), at(p, x) + t * sqrt(all))))
}
ols <- line(full, function(f) unname(coef(lm(hand ~ image, f))))
# Counts: a Poisson line with identity link, and the line on logarithms.
cnt <- full; cnt$hand <- round(60 * full$hand) + 1; cnt$image <- round(50 * full$image)
pois <- function(f) unname(coef(glm(hand ~ image, quasipoisson("identity"), f, start = c(1, 1), control = list(epsilon = 1e-15, maxit = 100))))
log_at <- function(p, x) p[3] * exp(p[1] + p[2] * log(x + 0.5)) - 0.5

# Counts closer to their line than chance would have them: no scatter beyond it.
tight <- data.frame(plot = sprintf("p%02d", rep(1:6, each = 2)), visit = "v1", image = c(0, 1, 2, 3, 5, 6, 8, 11, 14, 17, 23, 30))
tight$hand <- round(1.7 * (tight$image + 0.5)^0.9 - 0.5)
tight_line <- line(tight, logs, log_at, function(mu) (mu + 0.5)^2)
# The mean of calibrated photos moves with each plot left out; two plots, on logarithms.
log_parts <- sapply(unique(cnt$plot), function(k) logs(cnt[cnt$plot != k, ])); log_all <- logs(cnt)
photos <- list(c(3, 9, 20), c(12, 15))
log_moved <- sapply(photos, function(x) apply(log_parts, 2, function(p) mean(log_at(p, x))) - mean(log_at(log_all, x)))
log_g <- ncol(log_parts)
# A line for each visit; the scatter is split over both together.
visits <- lapply(split(full, full$visit), function(f) {
  m <- lm(hand ~ image, f)
  list(p = unname(coef(m)), total = deviance(m) / df.residual(m), res = data.frame(plot = f$plot, visit = f$visit, e = resid(m)),
    parts = sapply(unique(f$plot), function(k) unname(coef(lm(hand ~ image, f[f$plot != k, ])))) - unname(coef(m)), g = length(unique(f$plot)))
})
res <- do.call(rbind, lapply(visits, function(v) v$res))
by_visit <- sapply(visits, function(v) split_of(res$e, res$plot, res$visit, v$total))
dev1 <- (visits$v1$parts[1, ] + 0.25 * visits$v1$parts[2, ]) * sqrt((visits$v1$g - 1) / visits$v1$g)
dev2 <- (visits$v2$parts[1, ] + 0.4 * visits$v2$parts[2, ]) * sqrt((visits$v2$g - 1) / visits$v2$g)
both <- intersect(names(dev1), names(dev2))

# --- tests of bias ---------------------------------------------------------
byplot <- do.call(rbind, lapply(split(full, full$plot), function(f) data.frame(treatment = f$treatment[1], hand = mean(f$hand), image = mean(f$image), diff = mean(f$image - f$hand))))
bt <- anova(lm(diff ~ treatment, byplot)); al <- anova(lm(hand ~ image, byplot), lm(hand ~ image + treatment, byplot))
byvisit <- aggregate(diff ~ plot + visit, transform(full, diff = image - hand), mean)
bv <- anova(lm(diff ~ plot + visit, byvisit))
ltr <- do.call(rbind, lapply(split(transform(cnt, lh = log(hand + 0.5), li = log(image + 0.5)), cnt$plot), function(f) data.frame(treatment = f$treatment[1], lh = mean(f$lh), li = mean(f$li))))
ll2 <- anova(lm(lh ~ li, ltr), lm(lh ~ li + treatment, ltr))

# --- a pair far off --------------------------------------------------------
off <- full; off$image[5] <- off$image[5] + 0.25
rs <- rstudent(lm(hand ~ image, off)); worst <- which.max(abs(rs))

# --- the line of check points ----------------------------------------------
set.seed(4)
pts <- data.frame(group = rep(c("bare", "oats", "rye"), each = 16), unit = rep(sprintf("u%02d", 1:12), each = 4))
pts$prob <- round(runif(48, 0.05, 0.95), 2)
pts$answer <- as.integer(runif(48) < pmin(1, pmax(0, pts$prob - c(bare = 0.4, oats = -0.35, rye = 0.05)[pts$group])))
sandwich <- function(X, y, unit) {
  XX <- t(X) %*% X; XX[1, 1] <- XX[1, 1] + 0.05; Xy <- t(X) %*% y; Xy[1] <- Xy[1] + 0.05
  b <- solve(XX, Xy); e <- as.vector(y - X %*% b); U <- rowsum(X * e, unit); m <- nrow(U); p <- ncol(X)
  list(b = as.vector(b), cov = m / (m - p) * solve(XX) %*% t(U) %*% U %*% solve(XX), df = m - p)
}
G <- sapply(c("bare", "oats", "rye"), function(k) as.numeric(pts$group == k))
apart <- sandwich(cbind(pts$prob, G), pts$answer, pts$unit)
one <- sandwich(cbind(pts$prob, 1), pts$answer, pts$unit)
L <- rbind(c(0, -1, 1, 0), c(0, -1, 0, 1))
T2 <- as.numeric(t(L %*% apart$b) %*% solve(L %*% apart$cov %*% t(L)) %*% (L %*% apart$b))
df2 <- apart$df - 1; F <- T2 / 2 * df2 / apart$df
green <- c(0.4, 0.25, 0.3); pm3 <- c(0.6, 0.3, 0.5)
R <- cbind(pm3, diag(3)) ; R1 <- cbind(pm3, 1)

# The share of green: the regression estimator of two classes and its range, the
# binomial interval of Jeffreys at the size that has its variance.
shares <- function(f, y, unit, all, level) {
  n <- length(f); m <- length(unique(unit)); df <- m - 2
  b <- sum((f - mean(f)) * (y - mean(y))) / sum((f - mean(f))^2); e <- y - mean(y) - b * (f - mean(f))
  x <- sum((f > 0.5) != (y == 1))
  v <- m / df * sum(tapply(e, unit, sum)^2) / n^2 * (1 + n * (all - mean(f))^2 / sum((f - mean(f))^2)) * (x + 0.5) / x
  s <- mean(y) + b * (all - mean(f)); size <- s * (1 - s) / (v * (qt(0.5 + level / 2, df) / qnorm(0.5 + level / 2))^2)
  c(s, sqrt(v), df, qbeta(c(0.5 - level / 2, 0.5 + level / 2), s * size + 0.5, size - s * size + 0.5), x, 1 - sum(e^2) / sum((y - mean(y))^2))
}

out <- list(
  source = R.version.string, pairs = d,
  double = list(slope = slope, within_var = s2y, within_corr = sum(rx * ry) / sqrt(sum(rx^2) * sum(ry^2)), gain = g_hand / g_reg,
    gap = gm$mean, gap_p = 2 * pt(-abs(gm$mean / gm$se), gm$df), plots = unname(plots), treatments = treatments),
  agreement = list(bias = cm$mean, bias_ci = bias_ci, between = sqrt(between), within = sqrt(msw), sd_ci = c(lo, hi), limits = limits,
    bias_line = unname(coef(sb)), bias_p = anova(sb)[1, "Pr(>F)"], spread_line = unname(coef(ss)), spread_p = anova(ss)[1, "Pr(>F)"],
    mae = mean(abs(diff)), mae_ci = interv(mean(abs(diff)), sd(abs(diff)) / sqrt(n), n - 1),
    spearman = spearman, spearman_ci = tanh(atanh(spearman) + c(-zr, zr)), pearson_ci = as.vector(cor.test(full$hand, full$image)$conf.int)),
  lines = list(ordinary_least_squares = ols, deming = line(full, deming), theil_sen = line(full, theil),
    quasi_poisson_identity = line(cnt, pois, spread = function(mu) mu),
    logs_with_smearing = line(cnt, logs, log_at, function(mu) (mu + 0.5)^2)),
  counts = cnt[, c("hand", "image")], tight = tight, tight_line = tight_line,
  logs_of_plots = list(photos = photos, cov = unname((log_g - 1) / log_g * t(log_moved) %*% log_moved)),
  visits = list(intercept = c(visits$v1$p[1], visits$v2$p[1]), slope = c(visits$v1$p[2], visits$v2$p[2]),
    plot_var = by_visit[1, ], quadrat_var = by_visit[2, ], lasting_var = by_visit[3, ],
    cov_at = c(0.25, 0.4), cov = sum(dev1[both] * dev2[both]), df = min(visits$v1$g, visits$v2$g) - 1),
  shares = shares(pts$prob, pts$answer, pts$unit, 0.45, 0.9),
  bias_tests = list(treatment = c(bt[1, "F value"], bt[1, "Df"], bt[2, "Df"], bt[1, "Pr(>F)"]),
    after_line = c(al[2, "F"], al[2, "Df"], al[2, "Res.Df"], al[2, "Pr(>F)"]),
    after_log_line = c(ll2[2, "F"], ll2[2, "Df"], ll2[2, "Res.Df"], ll2[2, "Pr(>F)"]),
    visit = c(bv["visit", "F value"], bv["visit", "Df"], bv["Residuals", "Df"], bv["visit", "Pr(>F)"])),
  outlier = list(at = unname(worst), p = unname(nrow(off) * 2 * pt(-abs(rs[worst]), nrow(off) - 3))),
  quantiles = list(of = full$image[1:9], at = c(0.1, 0.5, 0.9, 1), value = unname(quantile(full$image[1:9], c(0.1, 0.5, 0.9, 1), type = 7))),
  check = list(points = pts, apart = apart$b, common = one$b, f = c(F, 2, df2, pf(F, 2, df2, lower.tail = FALSE)),
    green = green, mean = pm3, apart_areas = as.vector(green * (R %*% apart$b)), apart_cov = unname(outer(green, green) * (R %*% apart$cov %*% t(R))),
    common_areas = as.vector(green * (R1 %*% one$b)), common_cov = unname(outer(green, green) * (R1 %*% one$cov %*% t(R1))), df = c(apart$df, one$df)))
cat(toJSON(out, auto_unbox = TRUE, digits = NA, na = "null", dataframe = "rows"))
