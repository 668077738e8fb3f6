# Compute the results of this study again, from the files in data/ alone.
#
#     Rscript recompute.R [FOLDER OF THE STUDY]
#
# Needs R 4.0 or later and no package; nothing of the software that made the study. It writes recomputed.csv into the
# current folder, compares each number with results.csv, and ends with 1 if one differs in its sixth digit.
#
# Values are positive, so all of it is done in logarithms; changes are given in percent: 100 (exp(change) - 1).

KEY <- c("analysis", "metric", "statistic", "part")
NUMBERS <- c("estimate", "low", "high", "p_value", "p_corrected")
TOLERANCE <- 2e-6

read_table <- function(file) {
  if (!file.exists(file)) return(NULL)
  read.csv(file, colClasses = "character", na.strings = character(0), encoding = "UTF-8", check.names = FALSE)
}
numbers <- function(rows, column) as.numeric(rows[[column]])
percent <- function(change) 100 * expm1(change)
row_of <- function(statistic, estimate, low = NA, high = NA, p_value = NA, primary = FALSE, part = "") {
  data.frame(statistic, part, estimate, low, high, p_value, primary)
}

# What all athletes have in common in the standard error of a statistic.
shared_se_of <- function(given, statistic, part = "") {
  errors <- given$shared_errors
  sum(numbers(errors, "shared_se")[errors$statistic == statistic & errors$part == part])
}

# A t interval where a part of the standard error, that which all units share, counts as known (Satterthwaite).
interval <- function(mean, se, df, shared_se, level) {
  total <- sqrt(se^2 + shared_se^2)
  total_df <- df * (total / se)^4
  margin <- qt(0.5 + level / 2, total_df) * total
  list(low = mean - margin, high = mean + margin, se = total, df = total_df)
}
sums <- function(values, of) as.vector(rowsum(values, of, reorder = TRUE))

# --- Groups and covariates -------------------------------------------------------------------------------------------

CHANGES <- c(
  overall = "change_pct", group = "change_pct", difference = "change_difference_pct",
  covariate = "change_by_covariate_pct"
)
LEVELS <- c(difference = "level_difference_pct", covariate = "level_by_covariate_pct")

# Columns of athletes (one per group, or of ones; then centred covariates), and the terms that are asked of them.
between_of <- function(athletes, factors) {
  factors <- factors[order(as.integer(factors$place)), ]
  columns_of <- function(kind) {
    parts <- unique(factors$part[factors$term == kind])
    vapply(parts, function(part) {
      of <- factors[factors$term == kind & factors$part == part, ]
      numbers(of, "value")[match(athletes, of$athlete)]
    }, numeric(length(athletes)))
  }
  groups <- columns_of("group")
  covariates <- columns_of("covariate")
  if (length(covariates)) covariates <- sweep(covariates, 2, colMeans(covariates))
  names <- colnames(groups)
  first <- if (length(names)) groups else matrix(1, length(athletes), 1)
  columns <- if (length(covariates)) cbind(first, covariates) else first
  q <- ncol(columns)
  m <- ncol(first)
  unit <- diag(q)
  terms <- list(list(kind = "overall", part = "", weights = colMeans(unit[seq_len(m), , drop = FALSE])))
  add <- function(kind, part, weights) terms[[length(terms) + 1]] <<- list(kind = kind, part = part, weights = weights)
  for (k in seq_along(names)) add("group", names[k], unit[k, ])
  for (a in seq_along(names)) {
    for (b in seq_along(names)[seq_along(names) > a]) {
      add("difference", paste(names[b], "minus", names[a]), unit[b, ] - unit[a, ])
    }
  }
  for (k in seq_len(q - m)) add("covariate", colnames(covariates)[k], unit[m + k, ])
  scale <- c(rep(1, m), if (q > m) apply(covariates, 2, sd))
  list(columns = unname(columns), terms = terms, sd = unname(scale))
}

# Least squares with errors HC2 and degrees of freedom of Bell and McCaffrey; a function of a term's weights.
between_athletes <- function(score, columns) {
  inverse <- solve(t(columns) %*% columns)
  estimates <- inverse %*% t(columns) %*% score
  hat <- columns %*% inverse %*% t(columns)
  squares <- as.vector((score - columns %*% estimates)^2) / (1 - diag(hat))
  covariance <- inverse %*% t(columns) %*% (squares * columns) %*% inverse
  function(weights) {
    scaled <- as.vector(columns %*% inverse %*% weights) / sqrt(1 - diag(hat))
    inner <- outer(scaled, scaled) * (diag(nrow(hat)) - hat)
    c(sum(weights * estimates), sqrt(sum(weights * (covariance %*% weights))), sum(diag(inner))^2 / sum(inner^2))
  }
}

# A row per term that has a name.
term_rows <- function(contrast, between, names, given, part = "") {
  rows <- NULL
  for (term in between$terms) {
    if (!term$kind %in% names(names)) next
    found <- contrast(term$weights)
    of <- paste(Filter(nzchar, c(part, term$part)), collapse = ", ")
    name <- names[[term$kind]]
    limits <- interval(found[1], found[2], found[3], shared_se_of(given, name, of), 0.95)
    p_value <- 2 * pt(-abs(found[1]) / limits$se, limits$df)
    row <- row_of(
      name, percent(found[1]), percent(limits$low), percent(limits$high), p_value, term$kind != "group", of
    )
    rows <- rbind(rows, row)
  }
  rows
}

# The posterior of each term: normal given what athletes differ by, which is summed over quantiles of its prior.
posterior_rows <- function(score, athletes, between, names, about, given, own = 0) {
  if (about$prior_sd_pct == "") return(NULL)
  prior_sd <- log1p(as.numeric(about$prior_sd_pct) / 100) / between$sd
  scatter <- log1p(as.numeric(about$prior_scatter_pct) / 100) * tan(pi / 2 * (seq_len(2000) - 0.5) / 2000)
  shared <- numbers(given$athletes, "shared")[match(athletes, given$athletes$athlete)]
  q <- length(prior_sd)
  loadings <- cbind(sweep(between$columns, 2, prior_sd, "*"), shared)
  own <- rep_len(own, length(score))
  log_weight <- numeric(length(scatter))
  means <- matrix(0, length(scatter), length(between$terms))
  sds <- means
  for (g in seq_along(scatter)) {
    precision <- 1 / (scatter[g]^2 + own^2)
    inner <- diag(q + 1) + t(loadings) %*% (precision * loadings)
    right <- t(loadings) %*% (precision * score)
    inverse <- solve(inner)
    mean <- inverse %*% right
    log_weight[g] <- 0.5 * (sum(log(precision)) - determinant(inner)$modulus - sum(precision * score^2) +
      sum(right * mean))
    for (k in seq_along(between$terms)) {
      scaled <- between$terms[[k]]$weights * prior_sd
      means[g, k] <- sum(scaled * mean[1:q])
      sds[g, k] <- sqrt(sum(scaled * (inverse[1:q, 1:q] %*% scaled)))
    }
  }
  weight <- exp(log_weight - max(log_weight))
  weight <- weight / sum(weight)
  rows <- NULL
  for (k in seq_along(between$terms)) {
    term <- between$terms[[k]]
    far <- max(abs(means[, k])) + 40 * max(sds[, k])
    end <- function(share) {
      below <- function(value) sum(weight * pnorm((value - means[, k]) / sds[, k])) - share
      percent(uniroot(below, c(-far, far), tol = 1e-13, maxiter = 10000)$root)
    }
    rows <- rbind(
      rows, row_of(paste0("posterior_", names[[term$kind]]), end(0.5), end(0.025), end(0.975), part = term$part),
      row_of("probability_above_zero", sum(weight * pnorm(means[, k] / sds[, k])), part = term$part)
    )
  }
  rows
}

# --- Two stretches of the same runs ----------------------------------------------------------------------------------

# Units and logarithms of their early and late level: each run, or each athlete with runs on average.
units <- function(rows, about) {
  early <- log(numbers(rows, "early"))
  late <- log(numbers(rows, "late"))
  if (about$unit == "run") return(list(names = rows$run, early = early, late = late))
  names <- sort(unique(rows$athlete))
  of <- function(values) as.vector(tapply(values, factor(rows$athlete, names), mean))
  list(names = names, early = of(early), late = of(late))
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

paired_windows <- function(rows, about, given) {
  level <- units(rows, about)
  change <- level$late - level$early
  n <- length(change)
  shared_se <- shared_se_of(given, "change_pct")
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
  early <- exp(level$early)
  late <- exp(level$late)
  between <- (sd(early) + sd(late)) / 2
  d_av <- NA
  if (n > 2 && min(sd(late - early), between) > 1e-12 * max(early)) {
    d_av <- hedges(n - 1) * mean(late - early) / between
    d_av_interval <- standardised_interval(late - early) * sd(late - early) / between
  }
  results <- rbind(
    row_of("early_level", exp(mean(level$early))), row_of("late_level", exp(mean(level$late))),
    row_of("d_z", d_z, d_z_interval[1], d_z_interval[2]), row_of("d_av", d_av, d_av_interval[1], d_av_interval[2])
  )
  has_factors <- NROW(given$factors) > 0
  if (!has_factors) {
    if (shared_se > 0) { # it moves all changes the same way: no pattern of signs shows it
      unsure <- interval(mean(change), se, n - 1, shared_se, 0.95)
      p_value <- 2 * pt(-abs(mean(change)) / unsure$se, unsure$df)
    } else {
      p_value <- p_of_signs(change, given$draws)
    }
    ends <- percent(c(limits$low, limits$high))
    results <- rbind(results, row_of("change_pct", percent(mean(change)), ends[1], ends[2], p_value, TRUE))
  }
  if (about$unit == "run") return(results)
  between <- between_of(level$names, given$factors)
  if (has_factors) {
    of_levels <- between_athletes((level$early + level$late) / 2, between$columns)
    results <- rbind(
      results, term_rows(between_athletes(change, between$columns), between, CHANGES, given),
      term_rows(of_levels, between, LEVELS, given)
    )
  }
  rbind(results, posterior_rows(change, level$names, between, CHANGES, about, given))
}

# Two one-sided t tests.
equivalence <- function(rows, about, given) {
  level <- units(rows, about)
  change <- level$late - level$early
  n <- length(change)
  margin <- log1p(as.numeric(about$margin_pct) / 100)
  limits <- interval(mean(change), sd(change) / sqrt(n), n - 1, shared_se_of(given, "change_pct"), 0.90)
  p_value <- pt((abs(mean(change)) - margin) / limits$se, limits$df)
  row_of("change_pct", percent(mean(change)), percent(limits$low), percent(limits$high), p_value, TRUE)
}

# Shares of athletes who change by more than the smallest change that can be detected in them.
responders <- function(rows, about, given) {
  level <- units(rows, about)
  change <- level$late - level$early
  results <- NULL
  if (about$detectable_pct != "") {
    detectable <- rep(log1p(as.numeric(about$detectable_pct) / 100), length(change))
    told <- list(beyond = length(change), rising = length(change), falling = length(change))
  } else {
    of_run <- log(numbers(rows, "late") / numbers(rows, "early"))
    place <- match(rows$athlete, level$names)
    n <- tabulate(place)
    m <- length(n)
    size <- (sum(n) - sum(n^2) / sum(n)) / (m - 1)
    mean_square <- sum((of_run - change[place])^2) / (length(of_run) - m)
    square_between <- sum(n * (change - mean(of_run))^2) / (m - 1)
    of_athlete <- match(level$names, given$athletes$athlete)
    shared <- numbers(given$athletes, "shared")[of_athlete]
    whole <- numbers(given$athletes, "response_se")[of_athlete]
    own <- pmax(whole^2 - shared^2, 0)
    from_responses <- (sum(n * own) - sum(n^2 * own) / sum(n)) / (m - 1)
    error <- sqrt(mean_square / n + whole^2)
    detectable <- qnorm(0.975) * error
    true <- sqrt(max((square_between - from_responses - mean_square) / size, 0))
    told <- independent_athletes(shared / error)
    results <- rbind(
      row_of("smallest_detectable_change_pct", percent(median(detectable))),
      row_of("smallest_detectable_change_of_a_single_run_pct", percent(qnorm(0.975) * sqrt(mean_square))),
      row_of("sd_of_true_changes_pct", percent(true))
    )
  }
  rising <- sum(change > detectable)
  falling <- sum(change < -detectable)
  share <- function(name, count) {
    n_told <- told[[name]]
    of <- wilson(count / length(change) * n_told, n_told)
    row_of(paste0("share_", name), count / length(change), of[2], of[3])
  }
  rbind(results, share("beyond", rising + falling), share("rising", rising), share("falling", falling))
}

# How many independent athletes tell a share as well as these, who share an error.
#
# shared: what all share of each athlete's standard error, as a share of it.
independent_athletes <- function(shared) {
  shared <- pmin(pmax(shared, -0.999), 0.999)
  moved <- outer(qnorm((seq_len(2000) - 0.5) / 2000), shared)
  chance <- function(sign) pnorm(sweep(sign * moved - qnorm(0.975), 2, sqrt(1 - shared^2), "/"))
  variance <- function(x) mean((x - mean(x))^2)
  told <- function(chance) {
    alone <- sum(colMeans(chance) * (1 - colMeans(chance)))
    together <- variance(rowSums(chance)) - sum(apply(chance, 2, variance))
    length(shared) * alone / (alone + max(together, 0))
  }
  rising <- chance(1)
  falling <- chance(-1)
  list(beyond = told(rising + falling), rising = told(rising), falling = told(falling))
}

# --- Several sections of the same runs -------------------------------------------------------------------------------

# Levels, F tests with degrees of freedom of Greenhouse and Geisser, trends, each section against the first.
sections <- function(rows, about, given) {
  athletes <- sort(unique(rows$athlete))
  section <- as.integer(rows$section)
  k <- max(section)
  names <- rows$name[match(seq_len(k), section)]
  table <- matrix(NA_real_, length(athletes), k)
  table[cbind(match(rows$athlete, athletes), section)] <- log(numbers(rows, "value"))
  between <- between_of(athletes, given$factors)
  kinds <- vapply(between$terms, function(term) term$kind, "")
  weights <- lapply(between$terms, function(term) term$weights)
  moved_of <- function(statistic, of) {
    rbind(vapply(paste0(names, of), function(part) shared_se_of(given, statistic, part), 0))
  }
  results <- rbind(
    row_of("section_level", exp(colMeans(table)), part = names),
    f_of_sections("sections_f", table, between$columns, rbind(weights[[1]]), moved_of("sections_f", ""))
  )
  if (any(kinds == "group")) {
    parts <- vapply(between$terms[kinds == "group"], function(term) term$part, "")[-1]
    groups <- do.call(rbind, weights[kinds == "group"])
    combinations <- sweep(groups[-1, , drop = FALSE], 2, groups[1, ])
    moved <- do.call(rbind, lapply(parts, function(part) moved_of("sections_by_group_f", paste0(", ", part))))
    results <- rbind(results, f_of_sections("sections_by_group_f", table, between$columns, combinations, moved))
  }
  line <- seq(-1, 1, length.out = k)
  parabola <- line^2 - mean(line^2)
  score <- as.vector(table %*% (2 * line / sum(line^2)))
  bent <- as.vector(-table %*% parabola / sum(parabola^2))
  linear <- sub("change", "linear_change", CHANGES)
  bend <- sub("change", "bend", CHANGES)
  names(linear) <- names(bend) <- names(CHANGES)
  results <- rbind(
    results, term_rows(between_athletes(score, between$columns), between, linear, given),
    posterior_rows(score, athletes, between, linear, about, given),
    term_rows(between_athletes(bent, between$columns), between, bend, given)
  )
  from_first <- replace(CHANGES, c("overall", "group"), "change_from_first_pct")
  for (place in 2:k) {
    contrast <- between_athletes(table[, place] - table[, 1], between$columns)
    results <- rbind(results, term_rows(contrast, between, from_first, given, names[place]))
  }
  results
}

# F, with how an error that athletes share moves the sections in its covariance; one row per combination.
f_of_sections <- function(statistic, table, columns, combinations, moved) {
  n <- nrow(table)
  k <- ncol(table)
  q <- ncol(columns)
  basis <- qr.Q(qr(cbind(1, diag(k)[, -1])))[, -1, drop = FALSE]
  inverse <- solve(t(columns) %*% columns)
  effects <- inverse %*% t(columns) %*% table %*% basis
  rest <- table %*% basis - columns %*% effects
  error <- t(rest) %*% rest / (n - q)
  root <- t(chol(combinations %*% inverse %*% t(combinations)))
  tested <- solve(root, combinations %*% effects)
  common <- solve(root, moved %*% basis)
  r <- nrow(combinations)
  own_squared <- sum(error^2)
  added <- sum(common^2)
  total <- r * sum(diag(error)) + added
  df <- total^2 / (r * own_squared + 2 * sum((common %*% error) * common) + added^2)
  f <- sum(tested^2) / total
  row_of(statistic, f, p_value = pf(f, df, (n - q) * total^2 / (r^2 * own_squared), lower.tail = FALSE))
}

# --- A line over distance --------------------------------------------------------------------------------------------

# Logarithms with each run's level replaced by its athlete's, both taken along the athlete's slope within runs.
centred <- function(rows, along = "distance_km") {
  log_value <- log(numbers(rows, "value"))
  distance <- numbers(rows, along)
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

# Linear mixed model y = (c, c d) b + (1, d) b(athlete) + error with columns c of athletes, by restricted maximum
# likelihood.
#
# An athlete's rows enter by sums of products alone; derivatives are exact, by a step in the imaginary direction.
restricted_likelihood <- function(y, d, athlete, columns, with_slopes) {
  n <- sums(rep(1, length(d)), athlete)
  s <- sums(d, athlete)
  sd <- sums(d * d, athlete)
  cy <- sums(y, athlete)
  cd <- sums(y * d, athlete)
  yy <- sum(y * y)
  df <- length(y) - 2 * ncol(columns)
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
    of <- function(x) t(columns) %*% (x * columns)
    total <- rbind(cbind(of(x11), of(x12)), cbind(of(x12), of(x22)))
    right <- c(t(columns) %*% r1, t(columns) %*% r2)
    explained <- sum(g11 * cy * r1 + g12 * (cy * r2 + cd * r1) + g22 * cd * r2)
    fixed <- eliminated(total, right)
    rest <- yy - explained - fixed$explained
    list(
      deviance = sum(log(det)) + fixed$log_det + df * log(rest), total = total, right = right, error = rest / df,
      g22 = g22
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
  list(fixed = solve(found$total, found$right), covariance = solve(found$total) * found$error,
    sd_slope = sqrt(found$g22 * found$error), sd_error = sqrt(found$error))
}

# Gauss's elimination: the logarithm of the determinant of a symmetric matrix, and r' matrix^-1 r. Unlike solve() and
# det() it keeps imaginary parts that are far smaller than the real ones.
eliminated <- function(matrix, r) {
  log_det <- explained <- 0
  for (k in seq_along(r)) {
    log_det <- log_det + log(matrix[k, k])
    explained <- explained + r[k]^2 / matrix[k, k]
    share <- matrix[, k] / matrix[k, k]
    r <- r - share * r[k]
    matrix <- matrix - outer(share, matrix[k, ])
  }
  list(log_det = log_det, explained = explained)
}

# Column of the place of a split, its unit in that of the slope, and the name of that.
ALONG <- list(km = list("distance_km", 10, "10km"), min = list("moved_min", 60, "hour"), share = list("share", 1, "run"))

# A line by a mixed model; with random intercepts only, where athletes' slopes do not differ beyond error.
trend <- function(rows, about, given) {
  along <- ALONG[[about$along]]
  centred_rows <- centred(rows, along[[1]])
  log_value <- centred_rows$log
  athlete <- centred_rows$athlete
  d <- centred_rows$distance / along[[2]]
  athletes <- levels(factor(rows$athlete))
  between <- between_of(athletes, given$factors)
  spread <- function(x) sqrt(mean((x - mean(x))^2))
  y <- (log_value - mean(log_value)) / spread(log_value)
  x <- (d - mean(d)) / spread(d)
  model <- restricted_likelihood(y, x, athlete, between$columns, TRUE)
  if (model$sd_slope < 1e-2 * model$sd_error) model <- restricted_likelihood(y, x, athlete, between$columns, FALSE)
  q <- ncol(between$columns)
  contrast <- function(of, scale) {
    function(w) {
      se <- sqrt(sum(w * (model$covariance[of, of, drop = FALSE] %*% w)))
      c(sum(w * model$fixed[of]) * scale, se * scale, length(athletes) - q)
    }
  }
  slope_name <- paste0("slope_pct_per_", along[[3]])
  names <- c(
    overall = slope_name, group = slope_name, difference = "slope_difference_pct",
    covariate = "slope_by_covariate_pct"
  )
  scale <- spread(log_value) / spread(d)
  # Athletes' own slopes by least squares, with one error for all.
  x <- d - ave(d, athlete)
  y <- log_value - ave(log_value, athlete)
  square <- sums(x^2, athlete)
  slope <- sums(x * y, athlete) / square
  df <- max(length(y) - length(athletes) - length(unique(rows$run)), 1)
  error <- sqrt(sum((y - slope[athlete] * x)^2) / df / square)
  rbind(
    term_rows(contrast(q + seq_len(q), scale), between, names, given),
    term_rows(contrast(seq_len(q), spread(log_value)), between, LEVELS, given),
    row_of("sd_of_athletes_slopes_pct", percent(model$sd_slope * scale)),
    row_of("sd_of_splits_pct", percent(model$sd_error * spread(log_value))),
    posterior_rows(slope, athletes, between, names, about, given, own = error)
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
onset <- function(rows, about, given) {
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
  left <- sum(product(cbind(y), cbind(y))) - slope * sum(product(cbind(x), cbind(y)))
  variance <- left / max(length(y) - n - 1, 1)
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
  draws <- given$draws
  drawn <- function(purpose) draws$pattern[draws$purpose == purpose & numbers(draws, "n_units") == n]
  signs <- signs_of(drawn("onset_signs"))
  scale <- sqrt(colSums(votes[, apart, drop = FALSE]^2))
  reached <- apply(abs(signs %*% votes[, apart, drop = FALSE]) / rep(scale, each = nrow(signs)), 1, max)
  # What all share is in the error of what was seen: no pattern of signs shows it.
  moved <- shared_se_of(given, "onset_km") * size[best] / scale[best]
  p_value <- mean(reached >= reached[1] / sqrt(1 + moved^2) * (1 - 1e-9))
  counts <- do.call(rbind, lapply(strsplit(drawn("onset_resamples"), " "), as.numeric))
  gains <- (counts %*% votes[, apart, drop = FALSE])^2 / (counts %*% sizes[, apart, drop = FALSE])
  tail <- pnorm(-qt(0.975, n - 1) * sqrt(n / (n - 1)))
  limits <- quantile(places[apart][apply(gains, 1, which.max)], c(tail, 1 - tail), names = FALSE)
  of_curve <- (counts %*% votes[, curve])^2 / (counts %*% sizes[, curve])
  # The hinge's place, a parameter more, lowers the sum of squares by one error variance where it is of no use.
  is_no_curve <- mean(apply(gains, 1, max) > of_curve + variance) >= 0.9
  is_given <- p_value <= 0.02 && abs(before + bend) > abs(before) && is_no_curve
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

reliability <- function(rows, about, given) {
  athlete <- as.integer(factor(rows$athlete))
  grown <- 1 + numbers(rows, "drift_pct") / 100
  rbind(
    reliability_of(100 * log(numbers(rows, "level")), athlete, rep(0, nrow(rows)), "level"),
    reliability_of(100 * log(grown), athlete, numbers(rows, "shared_se_pct") / grown, "slope")
  )
}

# Bias and limits of agreement; splits within runs within athletes, or splits within runs of one athlete.
agreement <- function(rows, about, given) {
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

# Mean over people of their share of events on the rearfoot, with Wilson's interval for the effective number of people;
# with one event each, that is the number of people.
share_of_people <- function(rows, side) {
  rows <- rows[rows[[side]] != "", ]
  n <- sum(numbers(rows, "runners"))
  always <- sum(numbers(rows, "runners")[rows[[side]] == "rearfoot"])
  sometimes <- rows[rows[[side]] == "sometimes", ]
  total <- always + sum(numbers(sometimes, "share_sum"))
  squares <- always + sum(numbers(sometimes, "square_sum"))
  share <- total / n
  variance <- (squares - total^2 / n) / (n * max(n - 1, 1))
  effective <- if (variance > 1e-9 / n) share * (1 - share) / variance else n
  effective <- min(max(effective, n), sum(numbers(rows, "pairs")))
  ends <- wilson(if (effective == n) total else share * effective, effective)
  row_of(paste0("share_", side), ends[1], ends[2], ends[3])
}

# Shares, McNemar's tests of rearfoot against all others, and tests of all classes that occur.
landing <- function(rows, about, given) {
  if (!NROW(rows)) return(NULL)
  at_one <- rows$early == "" | rows$late == ""
  shares <- NULL
  if (any(at_one) || any(rows$early == "rearfoot" & rows$late == "rearfoot")) {
    of <- if (any(at_one)) rows[at_one, ] else rows
    shares <- rbind(share_of_people(of, "early"), share_of_people(of, "late"))
  }
  rows <- rows[!at_one, ]
  runners <- numbers(rows, "runners")
  if (!length(runners)) return(shares)
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
  odds <- function(rows, covariates, names) {
    x <- cbind(1, vapply(covariates, function(name) numbers(rows, name), numeric(NROW(rows))))
    if (length(unique(rows$athlete)) < 5 * ncol(x) || qr(x)$rank < ncol(x)) return(NULL)
    # With a warning, all who gained are told from all who lost: no estimate is finite.
    fitted <- tryCatch(
      glm.fit(x, as.numeric(rows$gained == "true"), family = binomial(), control = list(epsilon = 1e-14, maxit = 100)),
      warning = function(told) NULL
    )
    if (is.null(fitted)) return(NULL)
    b <- fitted$coefficients
    inverse <- chol2inv(fitted$qr$qr[seq_along(b), , drop = FALSE])
    # What the scores of an athlete's events share is added, where it does not lower the variances.
    score <- x * (as.numeric(rows$gained == "true") - fitted$fitted.values)
    is_same <- outer(rows$athlete, rows$athlete, "==") & !diag(nrow(x))
    shared <- diag(inverse %*% t(score) %*% is_same %*% score %*% inverse)
    margin <- qnorm(0.975) * sqrt(diag(inverse) + pmax(shared, 0))
    kept <- names != ""
    row_of(names[kept], exp(b)[kept], exp(b - margin)[kept], exp(b + margin)[kept])
  }
  if (NROW(changes)) {
    with_slope <- changes[changes$slope_change != "", ]
    results <- rbind(
      results,
      odds(changes, "speed_change", c("odds_ratio_equal_speed", "odds_ratio_10_pct_faster")),
      if (NROW(with_slope)) {
        odds(with_slope, c("speed_change", "slope_change"),
          c("odds_ratio_equal_speed_and_slope", "", "odds_ratio_1_pct_steeper"))
      }
    )
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
  responders = list("stretches", responders), sections = list("sections", sections),
  trend = list("splits", trend), onset = list("splits", onset), reliability = list("levels", reliability),
  agreement = list("sensors", agreement), landing = list("landings", landing)
)
CORRECTIONS <- c(holm = "holm", benjamini_hochberg = "BH", none = "none")

recompute <- function(data) {
  draws <- read_table(file.path(data, "draws.csv"))
  analyses <- read_table(file.path(data, "analyses.csv"))
  kept <- list()
  table_of <- function(name) {
    if (is.null(kept[[name]])) kept[[name]] <<- list(read_table(file.path(data, paste0(name, ".csv"))))
    kept[[name]][[1]]
  }
  results <- NULL
  for (k in seq_len(NROW(analyses))) {
    about <- analyses[k, ]
    design <- DESIGNS[[about$design]]
    of <- function(name) {
      rows <- table_of(name)
      if (is.null(rows)) return(NULL)
      is_of <- rows$analysis == about$analysis
      if (!is.null(rows$metric)) is_of <- is_of & rows$metric == about$metric
      rows[is_of, ]
    }
    given <- list(draws = draws, factors = of("factors"), shared_errors = of("shared_errors"), athletes = of("athletes"))
    key <- data.frame(analysis = about$analysis, metric = about$metric)
    lines <- design[[2]](of(design[[1]]), about, given)
    if (about$design == "landing") {
      lines <- rbind(lines, landing_of_runners(of("angles"), of("strike_changes"), of("raters"), draws))
    }
    if (NROW(lines)) results <- rbind(results, cbind(key, lines))
  }
  if (is.null(results)) results <- cbind(analysis = "", metric = "", row_of("", NA))[0, ]
  results$p_corrected <- rep(NA_real_, nrow(results))
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
write.csv(ours[, c(KEY, NUMBERS)], "recomputed.csv", row.names = FALSE, na = "")
published <- read_table(file.path(study, "results.csv"))
analyses <- read_table(file.path(study, "data", "analyses.csv"))
primary <- published[published$p_corrected != "", ]
is_complete <- !any(startsWith(published$note, "not published")) &&
  all(paste(primary$analysis, primary$metric) %in% paste(analyses$analysis, analyses$metric))
n_same <- n_without <- 0
differing <- character(0)
for (k in seq_len(nrow(published))) {
  line <- published[k, ]
  mine <- ours[Reduce(`&`, lapply(KEY, function(name) ours[[name]] == line[[name]])), ]
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
      key <- paste(Filter(nzchar, unlist(line[KEY])), collapse = " / ")
      differing <- c(differing, sprintf("%s: %s is %.9g, recomputed %.9g", key, name, number, computed))
    }
  }
}
cat(sprintf("%d numbers of results.csv are the same, %d are not.", n_same, length(differing)), differing, sep = "\n")
cat("\n")
if (n_without) cat(sprintf("%d numbers are of analyses whose rows are not released.\n", n_without))
quit(status = if (length(differing)) 1 else 0)
