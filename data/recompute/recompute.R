# Compute the results of this study again, from the files in data/ alone.
#
#     Rscript recompute.R [FOLDER OF THE STUDY]
#
# Needs R 4.0 or later and no package; nothing of the software that made the study. It writes recomputed.csv into the
# current folder, compares each number with results.csv, and ends with 1 if one differs in its sixth digit.
#
# Values are positive, so all of it is done in logarithms; changes are given in percent: 100 (exp(change) - 1).

NUMBERS <- c("estimate", "low", "high", "p_value", "p_corrected")
TOLERANCE <- 2e-6

read_table <- function(file) {
  if (!file.exists(file)) return(NULL)
  read.csv(file, colClasses = "character", na.strings = character(0), encoding = "UTF-8", check.names = FALSE)
}
numbers <- function(rows, column) as.numeric(rows[[column]])
percent <- function(change) 100 * expm1(change)
row_of <- function(statistic, estimate, low = NA, high = NA, p_value = NA, primary = FALSE) {
  data.frame(statistic, estimate, low, high, p_value, primary)
}

# A t interval where a part of the standard error, that which all units share, counts as known (Satterthwaite).
interval <- function(mean, se, df, shared_se, level) {
  total <- sqrt(se^2 + shared_se^2)
  total_df <- df * (total / se)^4
  margin <- qt(0.5 + level / 2, total_df) * total
  list(low = mean - margin, high = mean + margin, se = total, df = total_df)
}
sums <- function(values, of) as.vector(rowsum(values, of, reorder = TRUE))

# --- Two stretches of the same runs ----------------------------------------------------------------------------------

# Logarithms of the early and the late level of each unit: of each run, or of an athlete's runs on average.
units <- function(rows, about) {
  early <- log(numbers(rows, "early"))
  late <- log(numbers(rows, "late"))
  if (about$unit == "run") return(list(early = early, late = late))
  list(early = as.vector(tapply(early, rows$athlete, mean)), late = as.vector(tapply(late, rows$athlete, mean)))
}

# Correction of a standardised difference for small samples.
hedges <- function(df) exp(lgamma(df / 2) - lgamma((df - 1) / 2)) / sqrt(df / 2)

# Interval of mean over standard deviation, by the noncentral t distribution.
standardised_interval <- function(difference) {
  n <- length(difference)
  t <- mean(difference) / sd(difference) * sqrt(n)
  # pt() takes a noncentrality of up to 37.6.
  reach <- 10 + 2 * abs(t) * (1 + 10 / (n - 1))
  ends <- pmax(pmin(c(t - reach, t + reach), 37), -37)
  shift <- function(probability) {
    below <- function(ncp) suppressWarnings(pt(t, n - 1, ncp)) - probability
    uniroot(below, ends, tol = 1e-12, maxiter = 10000)$root
  }
  c(shift(0.975), shift(0.025)) / sqrt(n)
}

signs_of <- function(patterns) do.call(rbind, lapply(strsplit(patterns, ""), function(p) ifelse(p == "p", 1, -1)))

# Share of patterns of signs with which the sum of changes is at least as far from zero as the one seen.
p_of_signs <- function(difference, draws) {
  size <- sort(abs(difference))
  far <- abs(sum(difference)) - 1e-9 * sum(size)
  n <- length(size)
  if (n <= 16) { # all patterns; turning all signs changes nothing, so that the first stays
    total <- size[1]
    for (value in size[-1]) total <- c(total + value, total - value)
    return(mean(abs(total) >= far))
  }
  signs <- signs_of(draws$pattern[draws$purpose == "change_signs" & numbers(draws, "n_units") == n])
  (sum(abs(signs %*% size) >= far) + 1) / (nrow(signs) + 1)
}

paired_windows <- function(rows, about, draws) {
  level <- units(rows, about)
  change <- level$late - level$early
  n <- length(change)
  shared_se <- as.numeric(about$shared_se)
  se <- 0
  limits <- list(low = NA, high = NA)
  d_z <- NA
  d_z_interval <- d_av_interval <- c(NA, NA)
  if (sd(change) > 1e-12 * max(abs(c(level$early, level$late)))) {
    se <- sd(change) / sqrt(n)
    limits <- interval(mean(change), se, n - 1, shared_se, 0.95)
    d_z_interval <- standardised_interval(change)
    if (n > 2) d_z <- hedges(n - 1) * mean(change) / sd(change)
  }
  if (shared_se > 0) { # it moves all changes the same way: no pattern of signs shows it
    unsure <- interval(mean(change), se, n - 1, shared_se, 0.95)
    p_value <- 2 * pt(-abs(mean(change)) / unsure$se, unsure$df)
  } else {
    p_value <- p_of_signs(change, draws)
  }
  early <- exp(level$early)
  late <- exp(level$late)
  between <- (sd(early) + sd(late)) / 2
  d_av <- NA
  if (n > 2 && min(sd(late - early), between) > 1e-12 * max(early)) {
    d_av <- hedges(n - 1) * mean(late - early) / between
    d_av_interval <- standardised_interval(late - early) * sd(late - early) / between
  }
  rbind(
    row_of("early_level", exp(mean(level$early))), row_of("late_level", exp(mean(level$late))),
    row_of("change_pct", percent(mean(change)), percent(limits$low), percent(limits$high), p_value, TRUE),
    row_of("d_z", d_z, d_z_interval[1], d_z_interval[2]), row_of("d_av", d_av, d_av_interval[1], d_av_interval[2])
  )
}

# Two one-sided t tests.
equivalence <- function(rows, about, draws) {
  level <- units(rows, about)
  change <- level$late - level$early
  n <- length(change)
  margin <- log1p(as.numeric(about$margin_pct) / 100)
  limits <- interval(mean(change), sd(change) / sqrt(n), n - 1, as.numeric(about$shared_se), 0.90)
  p_value <- pt((abs(mean(change)) - margin) / limits$se, limits$df)
  row_of("change_pct", percent(mean(change)), percent(limits$low), percent(limits$high), p_value, TRUE)
}

# --- A line over distance --------------------------------------------------------------------------------------------

# Logarithms with each run's level replaced by its athlete's, both taken along the athlete's slope within runs.
centred <- function(rows) {
  log_value <- log(numbers(rows, "value"))
  distance <- numbers(rows, "distance_km")
  athlete <- as.integer(factor(rows$athlete))
  run <- as.integer(factor(rows$run))
  rest <- log_value - ave(log_value, run)
  apart <- distance - ave(distance, run)
  product <- sums(rest * apart, athlete)
  square <- sums(apart^2, athlete)
  slope <- ifelse(square > 0, product / square, 0)[athlete]
  level <- log_value - slope * distance
  list(log = log_value - ave(level, run) + ave(level, athlete), distance = distance, athlete = athlete)
}

# Linear mixed model y = (1, d) b + (1, d) b(athlete) + error, by restricted maximum likelihood.
#
# An athlete's rows enter by sums of products alone; derivatives are exact, by a step in the imaginary direction.
restricted_likelihood <- function(y, d, athlete, with_slopes) {
  n <- sums(rep(1, length(d)), athlete)
  s <- sums(d, athlete)
  sd <- sums(d * d, athlete)
  cy <- sums(y, athlete)
  cd <- sums(y * d, athlete)
  yy <- sum(y * y)
  df <- length(y) - 2
  solved <- function(factor) {
    l <- c(factor, 0, 0)
    g11 <- l[1]^2 # covariance of athletes, in error variances
    g12 <- l[1] * l[2]
    g22 <- l[2]^2 + l[3]^2
    a <- 1 + n * g11 + s * g12 # 1 + Z'Z G
    b <- n * g12 + s * g22
    c <- s * g11 + sd * g12
    e <- 1 + s * g12 + sd * g22
    det <- a * e - b * c
    x11 <- (e * n - b * s) / det
    x12 <- (e * s - b * sd) / det
    x22 <- (a * sd - c * s) / det
    r1 <- (e * cy - b * cd) / det
    r2 <- (a * cd - c * cy) / det
    fixed <- sum(x11) * sum(x22) - sum(x12)^2
    b1 <- (sum(x22) * sum(r1) - sum(x12) * sum(r2)) / fixed
    b2 <- (sum(x11) * sum(r2) - sum(x12) * sum(r1)) / fixed
    explained <- sum(g11 * cy * r1 + g12 * (cy * r2 + cd * r1) + g22 * cd * r2)
    rest <- yy - explained - b1 * sum(r1) - b2 * sum(r2)
    list(
      deviance = sum(log(det)) + log(fixed) + df * log(rest), slope = b2,
      slope_variance = sum(x11) / fixed * rest / df, error = rest / df, g22 = g22
    )
  }
  gradient <- function(factor) {
    vapply(seq_along(factor), function(k) {
      Im(solved(replace(as.complex(factor), k, factor[k] + 1e-30i))$deviance) / 1e-30
    }, 0)
  }
  start <- if (with_slopes) c(1, 0, 0.3) else 1
  factor <- nlminb(start, function(x) solved(x)$deviance, gradient)$par
  for (step in 1:20) { # Newton's steps to the last digits
    hessian <- vapply(seq_along(factor), function(k) {
      (gradient(replace(factor, k, factor[k] + 1e-5)) - gradient(replace(factor, k, factor[k] - 1e-5))) / 2e-5
    }, factor)
    factor <- factor - qr.coef(qr(hessian), gradient(factor))
  }
  found <- solved(factor)
  list(slope = found$slope, se = sqrt(found$slope_variance), sd_slope = sqrt(found$g22 * found$error),
    sd_error = sqrt(found$error))
}

# A line by a mixed model; with random intercepts only, where athletes' slopes do not differ beyond error.
trend <- function(rows, about, draws) {
  given <- centred(rows)
  d <- given$distance / 10
  spread <- function(x) sqrt(mean((x - mean(x))^2))
  y <- (given$log - mean(given$log)) / spread(given$log)
  x <- (d - mean(d)) / spread(d)
  model <- restricted_likelihood(y, x, given$athlete, TRUE)
  if (model$sd_slope < 1e-2 * model$sd_error) model <- restricted_likelihood(y, x, given$athlete, FALSE)
  scale <- spread(given$log) / spread(d)
  slope <- model$slope * scale
  df <- length(unique(given$athlete)) - 1
  limits <- interval(slope, model$se * scale, df, as.numeric(about$shared_se), 0.95)
  p_value <- 2 * pt(-abs(slope) / limits$se, limits$df)
  rbind(
    row_of("slope_pct_per_10km", percent(slope), percent(limits$low), percent(limits$high), p_value, TRUE),
    row_of("sd_of_athletes_slopes_pct", percent(model$sd_slope * scale)),
    row_of("sd_of_splits_pct", percent(model$sd_error * spread(given$log)))
  )
}

# --- From which distance ---------------------------------------------------------------------------------------------

RHOS <- (0:9) / 10
RATIOS <- c(0, exp(seq(log(0.03), log(300), length.out = 14)))

# Mean logarithm of each athlete at each distance, athletes in order of their level, with errors that fade.
athletes_lines <- function(given) {
  level <- sums(given$log, given$athlete) / tabulate(given$athlete)
  rank <- rank(level)[given$athlete]
  means <- aggregate(list(y = given$log), list(km = given$distance, athlete = rank), mean)
  counts <- aggregate(list(n = given$log), list(km = given$distance, athlete = rank), length)$n
  gap <- c(Inf, diff(means$km))
  gap[c(TRUE, diff(means$athlete) != 0)] <- Inf
  lines <- list(y = means$y, d = means$km * 1000 / 10000, athlete = as.integer(means$athlete), gap = gap,
    weight = counts / median(counts))
  lines$used <- lines$weight
  lines <- fit_lines(lines, 0)
  lines$used <- lines$weight * huber(lines)
  fit_lines(lines, 4)
}

# Columns with equal and independent errors, each athlete's level taken out; squared length of the level.
whiten <- function(lines, columns, rho) {
  fade <- rho^lines$gap
  scaled <- cbind(columns, 1) * sqrt(lines$used)
  before <- rbind(0, scaled[-nrow(scaled), , drop = FALSE])
  white <- (scaled - fade * before) / sqrt(1 - fade^2)
  level <- white[, ncol(white)]
  white <- white[, -ncol(white), drop = FALSE]
  length <- sums(level^2, lines$athlete)
  shares <- rowsum(white * level, lines$athlete) / length
  list(white = white - level * shares[lines$athlete, , drop = FALSE], length = length)
}

# Restricted likelihood for each correlation of neighbours and each ratio of variances, of slopes to error.
likelihoods <- function(lines, rhos, ratios) {
  within <- cbind(lines$y - ave(lines$y, lines$athlete), lines$d - ave(lines$d, lines$athlete))
  m <- max(lines$athlete)
  df <- max(length(lines$y) - m - 1, 1)
  out <- matrix(0, length(rhos), length(ratios))
  for (i in seq_along(rhos)) {
    made <- whiten(lines, within, rhos[i])
    y <- made$white[, 1]
    d <- made$white[, 2]
    dd <- sums(d * d, lines$athlete)
    dy <- sums(d * y, lines$athlete)
    yy <- sums(y * y, lines$athlete)
    constant <- sum(log(made$length)) + sum(log1p(-(rhos[i]^(2 * lines$gap))))
    for (j in seq_along(ratios)) {
      shrink <- ratios[j] / (1 + ratios[j] * dd)
      a <- sum(dd - shrink * dd * dd)
      b <- sum(dy - shrink * dd * dy)
      rest <- max(sum(yy - shrink * dy * dy) - b * b / a, 1e-300)
      out[i, j] <- -0.5 * (df * log(rest) + constant + sum(log1p(ratios[j] * dd)) + log(a))
    }
  }
  out
}

# The straight line, by a search over a grid that is refined around its best ratio.
fit_lines <- function(lines, refinements) {
  on_grid <- t(likelihoods(lines, RHOS, RATIOS)) # the first of equal ones by correlation, then by ratio
  best <- which.max(on_grid) - 1
  lines$rho <- RHOS[best %/% length(RATIOS) + 1]
  j <- best %% length(RATIOS) + 1
  lines$ratio <- RATIOS[j]
  ends <- RATIOS[c(max(j - 1, 1), min(j + 1, length(RATIOS)))]
  for (step in seq_len(refinements)) {
    finer <- seq(ends[1], ends[2], length.out = 9)
    j <- which.max(likelihoods(lines, lines$rho, finer))
    lines$ratio <- finer[j]
    ends <- finer[c(max(j - 1, 1), min(j + 1, 9))]
  }
  lines
}

# Less weight for rows more than three standard deviations off the athlete's own line.
huber <- function(lines) {
  d <- lines$d - ave(lines$d, lines$athlete)
  y <- lines$y - ave(lines$y, lines$athlete)
  slope <- sums(d * y, lines$athlete) / sums(d * d, lines$athlete)
  residual <- (y - slope[lines$athlete] * d) * sqrt(lines$weight)
  scale <- median(abs(residual)) / 0.6744897501960817
  if (scale == 0) return(rep(1, length(residual)))
  pmin(1, 3 * scale / pmax(abs(residual), 1e-300))
}

# The best hinge, its p-value by random signs of athletes, its interval by resampling them.
onset <- function(rows, about, draws) {
  lines <- athletes_lines(centred(rows))
  n <- max(lines$athlete)
  # Distances with three rows on either side of three athletes.
  step <- (min(lines$d) + 0.02) - min(lines$d) # 0.02 as NumPy's arange() rounds it: places may be at a row's distance
  places <- min(lines$d) + (0:1e5) * step
  places <- places[places < max(lines$d)]
  beyond <- rowsum(outer(lines$d, places, ">") + 0, lines$athlete)
  within <- rowsum(outer(lines$d, places, "<=") + 0, lines$athlete)
  places <- places[colSums(beyond >= 3 & within >= 3) >= 3]
  # What each athlete says of each hinge, and of a parabola (the last column), next to the straight line.
  columns <- cbind(lines$y, lines$d, pmax(outer(lines$d, places, "-"), 0), lines$d^2)
  white <- whiten(lines, columns, lines$rho)$white
  y <- white[, 1]
  x <- white[, 2]
  bent <- white[, -(1:2), drop = FALSE]
  shrink <- lines$ratio / (1 + lines$ratio * sums(x * x, lines$athlete))
  product <- function(left, right) {
    rowsum(left * right, lines$athlete) - shrink * rowsum(left * x, lines$athlete) * rowsum(right * x, lines$athlete)
  }
  each <- function(values) matrix(values, length(values), ncol(bent))
  normal <- sum(product(cbind(x), cbind(x)))
  cross <- colSums(product(each(x), bent))
  slope <- sum(product(cbind(x), cbind(y))) / normal
  beside_line <- colSums(product(bent, bent)) - cross^2 / normal
  bent <- bent - outer(x, cross / normal)
  votes <- product(bent, each(y - x * slope))
  sizes <- product(bent, bent)
  curve <- ncol(bent)
  apart <- which((colSums(sizes) >= 0.1 * beside_line)[-curve])
  none <- row_of("onset_km", NA, primary = TRUE)
  if (!length(apart)) return(none)
  total <- colSums(votes)[apart]
  size <- colSums(sizes)[apart]
  best <- which.max(total^2 / size)
  bend <- total[best] / size[best]
  if (abs(bend) < 5e-6) return(none)
  before <- slope - (cross / normal)[apart][best] * bend
  drawn <- function(purpose) draws$pattern[draws$purpose == purpose & numbers(draws, "n_units") == n]
  signs <- signs_of(drawn("onset_signs"))
  scale <- sqrt(colSums(votes[, apart, drop = FALSE]^2))
  reached <- apply(abs(signs %*% votes[, apart, drop = FALSE]) / rep(scale, each = nrow(signs)), 1, max)
  # What all share is in the error of what was seen: no pattern of signs shows it.
  moved <- as.numeric(about$shared_se) * size[best] / scale[best]
  p_value <- mean(reached >= reached[1] / sqrt(1 + moved^2) * (1 - 1e-9))
  counts <- do.call(rbind, lapply(strsplit(drawn("onset_resamples"), " "), as.numeric))
  gains <- (counts %*% votes[, apart, drop = FALSE])^2 / (counts %*% sizes[, apart, drop = FALSE])
  tail <- pnorm(-qt(0.975, n - 1) * sqrt(n / (n - 1)))
  limits <- quantile(places[apart][apply(gains, 1, which.max)], c(tail, 1 - tail), names = FALSE)
  of_curve <- (counts %*% votes[, curve])^2 / (counts %*% sizes[, curve])
  is_given <- p_value <= 0.02 && abs(before + bend) > abs(before) && mean(apply(gains, 1, max) > of_curve) >= 0.9
  if (!is_given) return(row_of("onset_km", NA, p_value = p_value, primary = TRUE))
  row_of("onset_km", 10 * places[apart][best], 10 * limits[1], 10 * limits[2], p_value, TRUE)
}

# --- Measurement -----------------------------------------------------------------------------------------------------

# One-way random effects; what an error that an athlete's values share adds is taken out of the mean squares.
reliability_of <- function(values, athlete, shared_se, name) {
  n <- tabulate(athlete)
  m <- length(n)
  df <- length(values) - m
  size <- (sum(n) - sum(n^2) / sum(n)) / (m - 1)
  within_square <- function(x) sum((x - ave(x, athlete))^2) / df
  mean_of <- function(x) sums(x, athlete) / n
  within <- within_square(values)
  between <- sum(n * (mean_of(values) - weighted.mean(mean_of(values), n))^2) / (m - 1)
  shared <- mean_of(shared_se)
  shared_between <- (sum(n * shared^2) - sum(n^2 * shared^2) / sum(n)) / (m - 1)
  error <- max(within - within_square(shared_se), 1e-9 * within)
  ends <- pmax(c(between, between / qf(0.975, m - 1, df), between * qf(0.975, df, m - 1)) - shared_between, 0)
  icc <- (ends - error) / (ends + (size - 1) * error)
  typical <- sqrt(within)
  limits <- typical * sqrt(df / qchisq(c(0.975, 0.025), df))
  rbind(
    row_of(paste0(name, "_icc"), icc[1], icc[2], icc[3]),
    row_of(paste0(name, "_typical_error_pct"), typical, limits[1], limits[2]),
    row_of(paste0(name, "_smallest_detectable_change_pct"), 1.96 * sqrt(2) * typical)
  )
}

reliability <- function(rows, about, draws) {
  athlete <- as.integer(factor(rows$athlete))
  grown <- 1 + numbers(rows, "drift_pct") / 100
  rbind(
    reliability_of(100 * log(numbers(rows, "level")), athlete, rep(0, nrow(rows)), "level"),
    reliability_of(100 * log(grown), athlete, numbers(rows, "shared_se_pct") / grown, "slope")
  )
}

# Bias and limits of agreement; splits within runs within athletes, or splits within runs of one athlete.
agreement <- function(rows, about, draws) {
  difference <- 100 * log(numbers(rows, "here") / numbers(rows, "there"))
  athlete <- as.integer(factor(rows$athlete))
  run <- as.integer(factor(rows$run))
  subject <- if (max(athlete) > 1) athlete else run
  n <- length(difference)
  m <- max(subject)
  normal <- qnorm(0.975)
  if (m == n) {
    bias <- mean(difference)
    deviation <- sd(difference)
    se <- deviation / sqrt(n)
    margin <- qt(0.975, n - 1) * se
    ends <- qt(c(0.025, 0.975), n - 1, normal * sqrt(n)) * se
    lower <- c(bias - ends[2], bias - ends[1])
    upper <- c(bias + ends[1], bias + ends[2])
  } else {
    has_groups <- m < max(run) && max(run) < n
    levels <- c(list(rep(1L, n), subject), if (has_groups) list(run), list(seq_len(n)))
    counts <- lapply(levels, tabulate)
    means <- lapply(levels, function(of) ave(difference, of))
    k <- length(levels) - 1
    df <- diff(lengths(counts))
    square <- vapply(1:k, function(i) sum((means[[i + 1]] - means[[i]])^2), 0) / df
    size <- Map(function(count, of) count[of], counts, levels)
    expected <- outer(1:k, 1:k, Vectorize(function(i, j) {
      if (j < i) 0 else sum(size[[j + 1]] / size[[i + 1]] - size[[j + 1]] / size[[i]])
    }))
    inverse <- solve(expected / df)
    deviation <- sqrt(sum(pmax(inverse %*% square, 0)))
    share <- colSums(inverse) * square
    below <- share * (1 - df / qchisq(0.975, df))
    above <- share * (df / qchisq(0.025, df) - 1)
    narrower <- sqrt(sum(ifelse(share >= 0, below, above)^2))
    wider <- sqrt(sum(ifelse(share >= 0, above, below)^2))
    # Mean over all splits, as unsure as the subjects' means scatter.
    weight <- tabulate(subject) / n
    means_of <- sums(difference, subject) / tabulate(subject)
    bias <- sum(weight * means_of)
    apart <- diag(m) - matrix(weight, m, m, byrow = TRUE)
    form <- t(apart) %*% (weight^2 * apart)
    trace <- sum(diag(form))
    se <- sqrt(sum(weight^2) / trace * sum(means_of * (form %*% means_of)))
    margin <- qt(0.975, trace^2 / sum(form^2)) * se
    inward <- sqrt(margin^2 + (normal * (deviation - sqrt(max(deviation^2 - narrower, 0))))^2)
    outward <- sqrt(margin^2 + (normal * (sqrt(deviation^2 + wider) - deviation))^2)
    lower <- bias - normal * deviation + c(-outward, inward)
    upper <- bias + normal * deviation + c(-inward, outward)
  }
  rbind(
    row_of("bias_pct", bias, bias - margin, bias + margin),
    row_of("lower_limit_pct", bias - normal * deviation, lower[1], lower[2]),
    row_of("upper_limit_pct", bias + normal * deviation, upper[1], upper[2])
  )
}

# --- Landings --------------------------------------------------------------------------------------------------------

wilson <- function(count, n) {
  z <- qnorm(0.975)^2
  share <- count / n
  middle <- share + z / (2 * n)
  margin <- sqrt(z * (share * (1 - share) + z / (4 * n)) / n)
  c(share, if (count == 0) 0 else (middle - margin) / (1 + z / n), if (count == n) 1 else (middle + margin) / (1 + z / n))
}

# Shares, McNemar's tests of rearfoot against all others, and tests of all classes that occur.
landing <- function(rows, about, draws) {
  runners <- numbers(rows, "runners")
  if (!length(runners)) return(NULL)
  only_margins <- any(rows$early == "")
  only_changed <- !only_margins && !any(rows$early == "rearfoot" & rows$late == "rearfoot")
  n <- sum(runners[!only_margins | rows$late == ""])
  early <- wilson(sum(runners[rows$early == "rearfoot"]), n)
  late <- wilson(sum(runners[rows$late == "rearfoot"]), n)
  shares <- rbind(row_of("share_early", early[1], early[2], early[3]), row_of("share_late", late[1], late[2], late[3]))
  if (only_margins) return(shares)
  if (only_changed) shares <- NULL
  there <- sum(runners[rows$early == "rearfoot" & rows$late != "rearfoot"])
  back <- sum(runners[rows$early != "rearfoot" & rows$late == "rearfoot"])
  changed <- there + back
  below <- pbinom(min(there, back), changed, 0.5)
  mid <- 2 * below - dbinom(min(there, back), changed, 0.5)
  chi <- function(continuity) max(abs(there - back) - continuity, 0)^2 / max(changed, 1)
  tests <- rbind(
    row_of("mcnemar_exact_statistic", min(there, back), p_value = min(1, 2 * below), primary = TRUE),
    row_of("mcnemar_mid_p_statistic", min(there, back), p_value = min(1, mid)),
    row_of("mcnemar_continuity_statistic", chi(1), p_value = pchisq(chi(1), 1, lower.tail = FALSE)),
    row_of("mcnemar_statistic", chi(0), p_value = pchisq(chi(0), 1, lower.tail = FALSE))
  )
  if (changed > 0) {
    ends <- c(if (back > 0) qbeta(0.025, back, there + 1) else 0, if (there > 0) qbeta(0.975, back + 1, there) else 1)
    odds <- ifelse(ends < 1, ends / (1 - ends), NA)
    tests <- rbind(tests, row_of("odds_ratio", if (there > 0) back / there else NA, odds[1], odds[2]))
  }
  classes <- sort(unique(c(rows$early[runners > 0], rows$late[runners > 0])))
  if (length(classes) > 2 && !("other" %in% classes)) {
    count <- function(a, b) sum(runners[rows$early == a & rows$late == b])
    table <- outer(classes, classes, Vectorize(count))
    upper <- upper.tri(table)
    both <- (table + t(table))[upper]
    gone <- (table - t(table))[upper]
    bowker <- sum(gone[both > 0]^2 / both[both > 0])
    gain <- colSums(table) - rowSums(table)
    moved <- table + t(table)
    diag(moved) <- 0
    parts <- svd(diag(rowSums(moved)) - moved)
    used <- parts$d > 1e-9 * max(parts$d)
    solution <- parts$v[, used, drop = FALSE] %*% ((t(parts$u[, used, drop = FALSE]) %*% gain) / parts$d[used])
    stuart <- sum(gain * solution)
    tests <- rbind(
      tests,
      row_of("bowker_statistic", bowker, p_value = if (any(both > 0)) pchisq(bowker, sum(both > 0), lower.tail = FALSE) else 1),
      row_of("stuart_maxwell_statistic", stuart,
        p_value = if (any(used)) pchisq(stuart, sum(used), lower.tail = FALSE) else 1)
    )
  }
  rbind(shares, tests)
}

# Change of the angle, odds of the rearfoot at equal speed, agreement of two raters.
landing_of_runners <- function(angles, changes, raters, draws) {
  results <- NULL
  if (NROW(angles) > 1) {
    early <- numbers(angles, "early")
    late <- numbers(angles, "late")
    change <- late - early
    margin <- qt(0.975, length(change) - 1) * sd(change) / sqrt(length(change))
    if (sd(change) <= 1e-12 * max(abs(c(early, late)))) margin <- NA
    results <- rbind(
      row_of("angle_early_deg", mean(early)), row_of("angle_late_deg", mean(late)),
      row_of("angle_change_deg", mean(change), mean(change) - margin, mean(change) + margin, p_of_signs(change, draws))
    )
  }
  if (NROW(changes) >= 10) {
    gained <- changes$gained == "true"
    speed <- numbers(changes, "speed_change")
    told_apart <- all(gained) || !any(gained) || length(unique(speed)) == 1 ||
      max(speed[gained]) <= min(speed[!gained]) || max(speed[!gained]) <= min(speed[gained])
    if (!told_apart) {
      fitted <- summary(glm(gained ~ speed, family = binomial(), control = list(epsilon = 1e-14, maxit = 100)))
      b <- fitted$coefficients[, 1]
      margin <- qnorm(0.975) * fitted$coefficients[, 2]
      names <- c("odds_ratio_equal_speed", "odds_ratio_10_pct_faster")
      results <- rbind(results, row_of(names, exp(b), exp(b - margin), exp(b + margin)))
    }
  }
  feet <- if (NROW(raters)) numbers(raters, "feet") else numeric(0)
  classes <- sort(unique(c(raters$first[feet > 0], raters$second[feet > 0])))
  if (length(classes) > 1) {
    share <- outer(classes, classes, Vectorize(function(a, b) sum(feet[raters$first == a & raters$second == b])))
    n <- sum(share)
    share <- share / n
    of_first <- rowSums(share)
    of_second <- colSums(share)
    by_chance <- sum(of_first * of_second)
    kappa <- (sum(diag(share)) - by_chance) / (1 - by_chance)
    # Fleiss, Cohen and Everitt 1969.
    within <- sum(diag(share) * (1 - (of_first + of_second) * (1 - kappa))^2)
    apart <- share * outer(of_second, of_first, "+")^2 * (1 - kappa)^2
    diag(apart) <- 0
    variance <- within + sum(apart) - (kappa - by_chance * (1 - kappa))^2
    margin <- qnorm(0.975) * sqrt(variance / n) / (1 - by_chance)
    results <- rbind(results, row_of("kappa", kappa, kappa - margin, kappa + margin))
  }
  results
}

# --- All analyses ----------------------------------------------------------------------------------------------------

DESIGNS <- list(
  paired_windows = list("stretches", paired_windows), equivalence = list("stretches", equivalence),
  trend = list("splits", trend), onset = list("splits", onset), reliability = list("levels", reliability),
  agreement = list("sensors", agreement), landing = list("landings", landing)
)
CORRECTIONS <- c(holm = "holm", benjamini_hochberg = "BH", none = "none")

recompute <- function(data) {
  draws <- read_table(file.path(data, "draws.csv"))
  analyses <- read_table(file.path(data, "analyses.csv"))
  results <- NULL
  for (k in seq_len(NROW(analyses))) {
    about <- analyses[k, ]
    design <- DESIGNS[[about$design]]
    rows <- read_table(file.path(data, paste0(design[[1]], ".csv")))
    rows <- rows[rows$analysis == about$analysis, ]
    if (about$design != "landing") rows <- rows[rows$metric == about$metric, ]
    key <- data.frame(analysis = about$analysis, metric = about$metric)
    lines <- design[[2]](rows, about, draws)
    if (about$design == "landing") {
      of <- function(name) {
        part <- read_table(file.path(data, paste0(name, ".csv")))
        part[part$analysis == about$analysis, ]
      }
      lines <- rbind(lines, landing_of_runners(of("angles"), of("strike_changes"), of("raters"), draws))
    }
    if (NROW(lines)) results <- rbind(results, cbind(key, lines))
  }
  results$p_corrected <- NA
  primary <- results$primary & !is.na(results$p_value)
  if (any(primary)) {
    results$p_corrected[primary] <- p.adjust(results$p_value[primary], CORRECTIONS[[analyses$correction[1]]])
  }
  results
}

arguments <- commandArgs(FALSE)
here <- dirname(sub("^--file=", "", grep("^--file=", arguments, value = TRUE)))
given <- commandArgs(TRUE)
study <- if (length(given)) given[1] else here
ours <- recompute(file.path(study, "data"))
write.csv(ours[, c("analysis", "metric", "statistic", NUMBERS)], "recomputed.csv", row.names = FALSE, na = "")
published <- read_table(file.path(study, "results.csv"))
analyses <- read_table(file.path(study, "data", "analyses.csv"))
primary <- published[published$p_corrected != "", ]
is_complete <- !any(startsWith(published$note, "not published")) &&
  all(paste(primary$analysis, primary$metric) %in% paste(analyses$analysis, analyses$metric))
n_same <- n_without <- 0
differing <- character(0)
for (k in seq_len(nrow(published))) {
  line <- published[k, ]
  mine <- ours[ours$analysis == line$analysis & ours$metric == line$metric & ours$statistic == line$statistic, ]
  is_released <- any(analyses$analysis == line$analysis & analyses$metric == line$metric)
  for (name in NUMBERS) {
    # Not released; or corrected together with p-values that are not.
    if (line[[name]] == "" || (name == "p_corrected" && !is_complete)) next
    number <- as.numeric(line[[name]])
    computed <- if (nrow(mine)) mine[[name]] else NA
    if (!is_released) {
      n_without <- n_without + 1
    } else if (!is.na(computed) && abs(computed - number) <= TOLERANCE * max(1, abs(number))) {
      n_same <- n_same + 1
    } else {
      key <- paste(line$analysis, line$metric, line$statistic, sep = " / ")
      differing <- c(differing, sprintf("%s: %s is %.9g, recomputed %.9g", key, name, number, computed))
    }
  }
}
cat(sprintf("%d numbers of results.csv are the same, %d are not.", n_same, length(differing)), differing, sep = "\n")
cat("\n")
if (n_without) cat(sprintf("%d numbers are of analyses whose rows are not released.\n", n_without))
quit(status = if (length(differing)) 1 else 0)
