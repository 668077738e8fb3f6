"""Compute the results of this study again, from the files in data/ alone.

    python recompute.py [FOLDER OF THE STUDY]

Needs Python 3.11 or later with NumPy and SciPy; nothing of the software that made the study. It writes recomputed.csv
into the current folder, compares each number with results.csv, and ends with 1 if one differs in its sixth digit.

Values are positive, so all of it is done in logarithms; changes are given in percent: 100 (exp(change) - 1).
"""

import csv
import itertools
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy import optimize, special, stats

KEY = ("analysis", "metric", "statistic", "part")
NUMBERS = ("estimate", "low", "high", "p_value", "p_corrected")
TOLERANCE = 2e-6


def read(file):
    """The rows of a CSV file; none where it does not exist."""
    if not file.exists():
        return []
    with file.open(encoding="utf-8", newline="") as opened:
        return list(csv.DictReader(opened))


def numbers(rows, column):
    return np.array([float(row[column]) for row in rows])


def percent(change):
    return 100 * np.expm1(change)


def row(statistic, estimate, low=None, high=None, p_value=None, *, primary=False, part=""):
    return {"statistic": statistic, "part": part, "estimate": estimate, "low": low, "high": high, "p_value": p_value,
            "primary": primary}  # fmt: skip


class Given:
    """What an analysis rests on besides its own rows.

    Attributes:
        draws: random draws by purpose and number of units.
        shared_se: what all athletes have in common in the standard error of a statistic, by statistic and part.
        shared: what one standard error of that moves each athlete's change by.
        response_se: whole standard error of each athlete's change by the responses.
    """

    def __init__(self, draws, factors=(), shared_errors=(), athletes=()):
        self.draws = draws
        self.factors = sorted(factors, key=lambda line: int(line["place"]))
        self._errors = {(line["statistic"], line["part"]): float(line["shared_se"]) for line in shared_errors}
        self.shared = {line["athlete"]: float(line["shared"]) for line in athletes}
        self.response_se = {line["athlete"]: float(line["response_se"] or 0) for line in athletes}

    def shared_se(self, statistic, part=""):
        """Zero where athletes have nothing in common."""
        return self._errors.get((statistic, part), 0.0)


def interval(mean, se, df, shared_se, level):
    """A t interval where a part of the standard error, that which all units share, counts as known (Satterthwaite)."""
    total = np.hypot(se, shared_se)
    total_df = df * (total / se) ** 4 if se else np.inf
    margin = stats.t.ppf(0.5 + level / 2, total_df) * total
    return mean - margin, mean + margin, total, total_df


# --- Groups and covariates -------------------------------------------------------------------------------------------

CHANGES = {"overall": "change_pct", "group": "change_pct", "difference": "change_difference_pct",
           "covariate": "change_by_covariate_pct"}  # fmt: skip
LEVELS = {"difference": "level_difference_pct", "covariate": "level_by_covariate_pct"}


class Between:
    """Columns of athletes (one per group, or of ones; then centred covariates), and the terms that are asked of them.

    Attributes:
        terms: kind, name and weights of the columns.
        sd: of each covariate; 1 for groups.
    """

    def __init__(self, athletes, factors):
        values = defaultdict(dict)
        for line in factors:
            values[line["term"], line["part"]][line["athlete"]] = float(line["value"])
        named = {key: np.array([of[athlete] for athlete in athletes]) for key, of in values.items()}
        groups = [part for kind, part in named if kind == "group"]
        covariates = [part for kind, part in named if kind == "covariate"]
        first = [named["group", part] for part in groups] or [np.ones(len(athletes))]
        centred = [named["covariate", part] - named["covariate", part].mean() for part in covariates]
        self.columns, self.n_groups = np.column_stack([*first, *centred]), len(first)
        self.sd = np.array([1.0] * len(first) + [values.std(ddof=1) for values in centred])
        unit = np.eye(len(self.sd))
        self.terms = [("overall", "", unit[: len(first)].mean(axis=0))]
        self.terms += [("group", part, unit[k]) for k, part in enumerate(groups)]
        self.terms += [
            ("difference", f"{groups[b]} minus {groups[a]}", unit[b] - unit[a])
            for a, b in itertools.combinations(range(len(groups)), 2)
        ]
        self.terms += [("covariate", part, unit[len(first) + k]) for k, part in enumerate(covariates)]


def between_athletes(score, columns):
    """Least squares with errors HC2 and degrees of freedom of Bell and McCaffrey; a function of a term's weights."""
    inverse = np.linalg.inv(columns.T @ columns)
    estimates, hat = inverse @ columns.T @ score, columns @ inverse @ columns.T
    squares = (score - columns @ estimates) ** 2 / (1 - np.diag(hat))
    covariance = inverse @ columns.T @ (squares[:, None] * columns) @ inverse

    def contrast(weights):
        scaled = columns @ inverse @ weights / np.sqrt(1 - np.diag(hat))
        inner = np.outer(scaled, scaled) * (np.eye(len(hat)) - hat)
        df = np.trace(inner) ** 2 / np.sum(inner**2)
        return weights @ estimates, np.sqrt(weights @ covariance @ weights), df

    return contrast


def term_rows(contrast, between, names, given, part=""):
    """A row per term that has a name."""
    for kind, term, weights in between.terms:
        if kind in names:
            estimate, se, df = contrast(weights)
            of = ", ".join(name for name in (part, term) if name)
            low, high, se, df = interval(estimate, se, df, given.shared_se(names[kind], of), 0.95)
            p_value = 2 * stats.t.sf(abs(estimate) / se, df)
            yield row(names[kind], percent(estimate), percent(low), percent(high), p_value,
                      primary=kind != "group", part=of)  # fmt: skip


def posterior_rows(score, athletes, between, names, about, given, *, own=0.0):  # noqa: PLR0917
    """The posterior of each term: normal given what athletes differ by, which is summed over quantiles of its prior."""
    if not about["prior_sd_pct"]:
        return
    prior_sd = np.log1p(float(about["prior_sd_pct"]) / 100) / between.sd
    scatter = np.log1p(float(about["prior_scatter_pct"]) / 100) * np.tan(np.pi / 2 * (np.arange(2000) + 0.5) / 2000)
    shared, q = np.array([given.shared.get(athlete, 0.0) for athlete in athletes]), len(prior_sd)
    loadings = np.column_stack([between.columns * prior_sd, shared])
    precision = 1 / (scatter[:, None] ** 2 + np.broadcast_to(own, len(score)) ** 2)
    inner = np.eye(q + 1) + np.einsum("gn,ni,nj->gij", precision, loadings, loadings)
    right = precision @ (loadings * score[:, None])
    means = np.linalg.solve(inner, right[..., None])[..., 0]
    log_weight = np.log(precision).sum(axis=1) - np.linalg.slogdet(inner)[1] - precision @ score**2
    log_weight = 0.5 * (log_weight + (right * means).sum(axis=1))
    weight = np.exp(log_weight - log_weight.max())
    weight, inverse = weight / weight.sum(), np.linalg.inv(inner)[:, :q, :q]
    for kind, term, weights in between.terms:
        scaled = weights * prior_sd
        mean, sd = means[:, :q] @ scaled, np.sqrt(np.einsum("i,gij,j->g", scaled, inverse, scaled))
        far = np.abs(mean).max() + 40 * sd.max()

        def below(value, share, mean=mean, sd=sd):
            return weight @ special.ndtr((value - mean) / sd) - share

        ends = [optimize.brentq(below, -far, far, args=(share,), xtol=1e-13) for share in (0.5, 0.025, 0.975)]
        yield row(f"posterior_{names[kind]}", *map(percent, ends), part=term)
        yield row("probability_above_zero", weight @ special.ndtr(mean / sd), part=term)


# --- Two stretches of the same runs ----------------------------------------------------------------------------------


def units(rows, about):
    """Units and logarithms of their early and late level: each run, or each athlete with runs on average."""
    both = np.log(np.column_stack([numbers(rows, "early"), numbers(rows, "late")]))
    if about["unit"] == "run":
        return [line["run"] for line in rows], both.T
    by_athlete = defaultdict(list)
    for line, pair in zip(rows, both, strict=True):
        by_athlete[line["athlete"]].append(pair)
    return [*by_athlete], np.array([np.mean(pairs, axis=0) for pairs in by_athlete.values()]).T


def hedges(df):
    """Correction of a standardised difference for small samples."""
    return np.exp(special.gammaln(df / 2) - special.gammaln((df - 1) / 2)) / np.sqrt(df / 2)


def standardised_interval(difference):
    """Interval of mean over standard deviation, by the noncentral t distribution."""
    n = len(difference)
    t = difference.mean() / difference.std(ddof=1) * np.sqrt(n)

    def below(ncp):
        # Far in the tails there is no number.
        return np.nan_to_num(special.nctdtr(n - 1, ncp, t), nan=float(ncp < t))

    def shift(probability):
        reach = 10 + 2 * abs(t) * (1 + 10 / (n - 1))
        return optimize.brentq(lambda ncp: below(ncp) - probability, t - reach, t + reach, xtol=1e-12)

    return shift(0.975) / np.sqrt(n), shift(0.025) / np.sqrt(n)


def p_of_signs(difference, draws):
    """Share of patterns of signs with which the sum of changes is at least as far from zero as the one seen."""
    size = np.sort(np.abs(difference))
    far = abs(difference.sum()) - 1e-9 * size.sum()
    n = len(size)
    if n <= 16:  # all patterns; turning all signs changes nothing, so that the first stays
        signs = np.array(list(itertools.product((1.0, -1.0), repeat=n - 1))).reshape(-1, n - 1)
        return np.mean(np.abs(size[0] + signs @ size[1:]) >= far)
    signs = np.array([[1.0 if sign == "p" else -1.0 for sign in pattern] for pattern in draws["change_signs", n]])
    return (np.sum(np.abs(signs @ size) >= far) + 1) / (len(signs) + 1)


def scatters(difference, levels):
    return difference.std(ddof=1) > 1e-12 * np.abs(levels).max()


def paired_windows(rows, about, given):
    names, (early, late) = units(rows, about)
    change, n = late - early, len(early)
    levels = np.exp([early, late])
    yield row("early_level", np.exp(early.mean()))
    yield row("late_level", np.exp(late.mean()))
    shared_se, se = given.shared_se("change_pct"), 0.0
    low = high = d_z = d_z_low = d_z_high = d_av = d_av_low = d_av_high = None
    if scatters(change, np.array([early, late])):
        se = change.std(ddof=1) / np.sqrt(n)
        low, high = map(percent, interval(change.mean(), se, n - 1, shared_se, 0.95)[:2])
        d_z_low, d_z_high = standardised_interval(change)
        d_z = hedges(n - 1) * change.mean() / change.std(ddof=1) if n > 2 else None
    if not given.factors:
        if shared_se:  # which moves all changes the same way: no pattern of signs shows it
            _, _, total, df = interval(change.mean(), se, n - 1, shared_se, 0.95)
            p_value = 2 * stats.t.sf(abs(change.mean()) / total, df)
        else:
            p_value = p_of_signs(change, given.draws)
        yield row("change_pct", percent(change.mean()), low, high, p_value, primary=True)
    yield row("d_z", d_z, d_z_low, d_z_high)
    difference, sd = levels[1] - levels[0], levels.std(axis=1, ddof=1).mean()
    if n > 2 and scatters(difference, levels[0]) and sd > 1e-12 * levels[0].max():
        d_av = hedges(n - 1) * difference.mean() / sd
        d_av_low, d_av_high = np.array(standardised_interval(difference)) * difference.std(ddof=1) / sd
    yield row("d_av", d_av, d_av_low, d_av_high)
    if about["unit"] == "athlete":
        between = Between(names, given.factors)
        if given.factors:
            yield from term_rows(between_athletes(change, between.columns), between, CHANGES, given)
            level = (early + late) / 2
            yield from term_rows(between_athletes(level, between.columns), between, LEVELS, given)
        yield from posterior_rows(change, names, between, CHANGES, about, given)


def equivalence(rows, about, given):
    """Two one-sided t tests."""
    _, (early, late) = units(rows, about)
    change, n, margin = late - early, len(early), np.log1p(float(about["margin_pct"]) / 100)
    se = change.std(ddof=1) / np.sqrt(n)
    low, high, se, df = interval(change.mean(), se, n - 1, given.shared_se("change_pct"), 0.90)
    p_value = stats.t.cdf((abs(change.mean()) - margin) / se, df)
    yield row("change_pct", percent(change.mean()), percent(low), percent(high), p_value, primary=True)


def responders(rows, about, given):
    """Shares of athletes who change by more than the smallest change that can be detected in them."""
    names, (early, late) = units(rows, about)
    change, true, within = late - early, None, None
    if about["detectable_pct"]:
        detectable = np.full(len(change), np.log1p(float(about["detectable_pct"]) / 100))
    else:
        of_run, athlete = np.log(numbers(rows, "late") / numbers(rows, "early")), [line["athlete"] for line in rows]
        place = np.array([names.index(name) for name in athlete])
        n, m = np.bincount(place), len(names)
        size = (n.sum() - n @ n / n.sum()) / (m - 1)
        mean_square = np.sum((of_run - change[place]) ** 2) / (len(of_run) - m)
        square_between = n @ (change - of_run.mean()) ** 2 / (m - 1)
        shared = np.array([given.shared[name] for name in names])
        whole = np.array([given.response_se[name] for name in names])
        own = np.maximum(whole**2 - shared**2, 0)
        from_responses = (n @ own - n**2 @ own / n.sum()) / (m - 1)
        true = np.sqrt(max((square_between - from_responses - mean_square) / size, 0))
        within = np.sqrt(mean_square)
        error = np.hypot(within / np.sqrt(n), whole)
        detectable = stats.norm.ppf(0.975) * error
        told = [*independent_athletes(shared / error)]
    rising, falling = np.sum(change > detectable), np.sum(change < -detectable)
    for k, (name, count) in enumerate((("beyond", rising + falling), ("rising", rising), ("falling", falling))):
        n_told = len(change) if within is None else told[k]
        _, low, high = wilson(count / len(change) * n_told, n_told)
        yield row(f"share_{name}", count / len(change), low, high)
    if within is not None:
        yield row("smallest_detectable_change_pct", percent(np.median(detectable)))
        yield row("smallest_detectable_change_of_a_single_run_pct", percent(stats.norm.ppf(0.975) * within))
        yield row("sd_of_true_changes_pct", percent(true))


def independent_athletes(shared):
    """How many independent athletes tell a share as well (beyond, rising, falling) as these, who share an error.

    Args:
        shared: what all share of each athlete's standard error, as a share of it.
    """
    shared = np.clip(shared, -0.999, 0.999)
    moved = shared * stats.norm.ppf((np.arange(2000) + 0.5) / 2000)[:, None]
    rising, falling = (
        special.ndtr((sign * moved - stats.norm.ppf(0.975)) / np.sqrt(1 - shared**2)) for sign in (1, -1)
    )
    for chance in (rising + falling, rising, falling):
        mean = chance.mean(axis=0)
        alone, together = np.sum(mean * (1 - mean)), chance.sum(axis=1).var() - chance.var(axis=0).sum()
        yield len(shared) * alone / (alone + max(together, 0))


# --- Several sections of the same runs -------------------------------------------------------------------------------


def sections(rows, about, given):
    """Levels, F tests with degrees of freedom of Greenhouse and Geisser, trends, each section against the first."""
    names = dict(sorted({int(line["section"]): line["name"] for line in rows}.items()))
    athletes = list(dict.fromkeys(line["athlete"] for line in rows))
    log, k = np.empty((len(athletes), len(names))), len(names)
    for line in rows:
        log[athletes.index(line["athlete"]), int(line["section"]) - 1] = np.log(float(line["value"]))
    for place, name in names.items():
        yield row("section_level", np.exp(log[:, place - 1].mean()), part=name)
    between = Between(athletes, given.factors)
    groups = {part: weights for kind, part, weights in between.terms if kind == "group"}

    def f_of(statistic, combinations):
        moved = [
            [given.shared_se(statistic, ", ".join(filter(None, (name, group)))) for name in names.values()]
            for group in combinations
        ]
        return f_of_sections(statistic, log, between.columns, np.array([*combinations.values()]), np.array(moved))

    yield f_of("sections_f", {"": between.terms[0][2]})
    if groups:
        first, *others = groups
        yield f_of("sections_by_group_f", {group: groups[group] - groups[first] for group in others})
    line, unit = np.linspace(-1, 1, k), np.eye(k)
    parabola = line**2 - (line**2).mean()
    linear = {kind: name.replace("change", "linear_change", 1) for kind, name in CHANGES.items()}
    bend = {kind: name.replace("change", "bend", 1) for kind, name in CHANGES.items()}
    score = log @ (2 * line / (line @ line))
    yield from term_rows(between_athletes(score, between.columns), between, linear, given)
    yield from posterior_rows(score, athletes, between, linear, about, given)
    contrast = between_athletes(-log @ parabola / (parabola @ parabola), between.columns)
    yield from term_rows(contrast, between, bend, given)
    from_first = {**CHANGES, "overall": "change_from_first_pct", "group": "change_from_first_pct"}
    for place in range(1, k):
        contrast = between_athletes(log @ (unit[place] - unit[0]), between.columns)
        yield from term_rows(contrast, between, from_first, given, part=names[place + 1])


def f_of_sections(statistic, log, columns, combinations, moved):
    """F, with how an error that athletes share moves the sections in its covariance; one row per combination."""
    (n, k), q = log.shape, columns.shape[1]
    basis = np.linalg.qr(np.column_stack([np.ones(k), np.eye(k)[:, 1:]]))[0][:, 1:]
    inverse = np.linalg.inv(columns.T @ columns)
    effects = inverse @ columns.T @ log @ basis
    rest = log @ basis - columns @ effects
    error, root = rest.T @ rest / (n - q), np.linalg.cholesky(combinations @ inverse @ combinations.T)
    tested, common = np.linalg.solve(root, combinations @ effects), np.linalg.solve(root, moved @ basis)
    r, own, own_squared, added = len(combinations), np.trace(error), np.sum(error**2), np.sum(common**2)
    total = r * own + added
    df = total**2 / (r * own_squared + 2 * np.sum(common @ error * common) + added**2)
    f = np.sum(tested**2) / total
    return row(statistic, f, p_value=stats.f.sf(f, df, (n - q) * total**2 / (r**2 * own_squared)))


# --- A line over distance --------------------------------------------------------------------------------------------


def centred(rows, along="distance_km"):
    """Logarithms with each run's level replaced by its athlete's, both taken along the athlete's slope within runs."""
    log, distance = np.log(numbers(rows, "value")), numbers(rows, along)
    athlete = np.unique([line["athlete"] for line in rows], return_inverse=True)[1]
    run = np.unique([line["run"] for line in rows], return_inverse=True)[1]

    def mean(values, of):
        return (np.bincount(of, weights=values) / np.bincount(of))[of]

    rest, apart = log - mean(log, run), distance - mean(distance, run)
    product, square = np.bincount(athlete, weights=rest * apart), np.bincount(athlete, weights=apart**2)
    slope = np.divide(product, square, out=np.zeros_like(product), where=square > 0)[athlete]
    level = log - slope * distance
    return log - mean(level, run) + mean(level, athlete), distance, athlete


def restricted_likelihood(y, d, athlete, columns, with_slopes):
    """Linear mixed model y = (c, c d) b + (1, d) b(athlete) + error, by restricted maximum likelihood.

    Returns the fixed effects, their covariance, the standard deviation of athletes' slopes and that of the error. An
    athlete's rows enter by sums of products alone; derivatives are exact, by a step in the imaginary direction.

    Args:
        columns: c of each athlete.
    """
    n, s, sd = (np.bincount(athlete, weights=weights) for weights in (np.ones_like(d), d, d * d))
    cy, cd, yy = np.bincount(athlete, weights=y), np.bincount(athlete, weights=y * d), y @ y
    df = len(y) - 2 * columns.shape[1]

    def solved(factor):
        l11, l21, l22 = (*factor, 0.0, 0.0)[:3]
        g11, g12, g22 = l11 * l11, l11 * l21, l21 * l21 + l22 * l22  # covariance of athletes, in error variances
        a, b, c, e = 1 + n * g11 + s * g12, n * g12 + s * g22, s * g11 + sd * g12, 1 + s * g12 + sd * g22
        det = a * e - b * c  # of 1 + Z'Z G
        x11, x12, x22 = (e * n - b * s) / det, (e * s - b * sd) / det, (a * sd - c * s) / det
        r1, r2 = (e * cy - b * cd) / det, (a * cd - c * cy) / det
        p11, p12, p22 = (columns.T @ (x[:, None] * columns) for x in (x11, x12, x22))
        total, sums = np.block([[p11, p12], [p12, p22]]), np.concatenate([columns.T @ r1, columns.T @ r2])
        fixed = np.linalg.solve(total, sums)
        explained = (g11 * cy * r1 + g12 * (cy * r2 + cd * r1) + g22 * cd * r2).sum()
        rest = yy - explained - sums @ fixed
        deviance = np.log(det).sum() + np.log(np.linalg.det(total)) + df * np.log(rest)
        return deviance, fixed, np.linalg.inv(total), rest / df, g22

    def gradient(factor):
        return np.array([solved(factor + 1e-30j * unit)[0].imag / 1e-30 for unit in np.eye(len(factor))])

    start = np.array([1.0, 0.0, 0.3] if with_slopes else [1.0])
    factor = optimize.minimize(lambda x: solved(x)[0].real, start, jac=gradient, method="BFGS").x
    for _ in range(20):  # Newton's steps to the last digits
        shifts = 1e-5 * np.eye(len(factor))
        hessian = np.array([gradient(factor + shift) - gradient(factor - shift) for shift in shifts]) / 2e-5
        factor = factor - np.linalg.lstsq(hessian, gradient(factor))[0]
    _, fixed, covariance, error, g22 = solved(factor)
    return fixed, covariance * error, np.sqrt(g22 * error), np.sqrt(error)


#: Column of the place of a split, its unit in that of the slope, and the name of that.
ALONG = {"km": ("distance_km", 10, "10km"), "min": ("moved_min", 60, "hour"), "share": ("share", 1, "run")}


def trend(rows, about, given):
    """A line by a mixed model; with random intercepts only, where athletes' slopes do not differ beyond error."""
    column, unit, per = ALONG[about["along"]]
    log, place, athlete = centred(rows, column)
    d, athletes = place / unit, sorted({line["athlete"] for line in rows})
    between = Between(athletes, given.factors)
    columns, q = between.columns, between.columns.shape[1]
    y, x = (log - log.mean()) / log.std(), (d - d.mean()) / d.std()
    fixed, covariance, sd_slope, sd_error = restricted_likelihood(y, x, athlete, columns, True)
    if sd_slope < 1e-2 * sd_error:
        fixed, covariance, sd_slope, sd_error = restricted_likelihood(y, x, athlete, columns, False)

    def contrast(of, scale):
        return lambda w: (w @ fixed[of] * scale, np.sqrt(w @ covariance[of, of] @ w) * scale, len(athletes) - q)

    names = {"overall": f"slope_pct_per_{per}", "group": f"slope_pct_per_{per}",
             "difference": "slope_difference_pct", "covariate": "slope_by_covariate_pct"}  # fmt: skip
    scale = log.std() / d.std()
    yield from term_rows(contrast(slice(q, None), scale), between, names, given)
    yield from term_rows(contrast(slice(q), log.std()), between, LEVELS, given)
    yield row("sd_of_athletes_slopes_pct", percent(sd_slope * scale))
    yield row("sd_of_splits_pct", percent(sd_error * log.std()))
    # Athletes' own slopes by least squares, with one error for all.
    n = np.bincount(athlete)
    x, y = (of - (np.bincount(athlete, weights=of) / n)[athlete] for of in (d, log))
    square = np.bincount(athlete, weights=x * x)
    slope = np.bincount(athlete, weights=x * y) / square
    df = len(y) - len(athletes) - len({line["run"] for line in rows})
    error = np.sqrt(np.sum((y - slope[athlete] * x) ** 2) / max(df, 1) / square)
    yield from posterior_rows(slope, athletes, between, names, about, given, own=error)


# --- From which distance ---------------------------------------------------------------------------------------------


class AthletesLines:
    """Mean logarithm of each athlete at each distance, athletes in order of their level, with errors that fade."""

    def __init__(self, log, distance, athlete):
        level = np.bincount(athlete, weights=log) / np.bincount(athlete)
        rank = np.argsort(np.argsort(level, kind="stable"), kind="stable")[athlete]
        places, which, counts = np.unique(
            np.column_stack([rank, distance]), axis=0, return_inverse=True, return_counts=True
        )
        self.y = np.bincount(which.ravel(), weights=log) / counts
        self.athlete, km = places[:, 0].astype(int), places[:, 1]
        self.d = km * 1000 / 10000
        self.weight = counts / np.median(counts)
        self.first = np.flatnonzero(np.diff(self.athlete, prepend=-1))
        gap = np.diff(km, prepend=np.nan)
        gap[self.first] = np.inf
        self.gap = gap
        self.fit(np.ones_like(self.y), refinements=0)
        self.fit(self.huber(), refinements=4)

    def sums(self, values):
        """Sums over each athlete's rows."""
        return np.add.reduceat(values, self.first, axis=0)

    def whiten(self, columns, rho):
        """Columns with equal and independent errors, each athlete's level taken out; squared length of the level."""
        fade = (rho**self.gap)[:, None]
        scaled = np.column_stack([columns, np.ones(len(columns))]) * np.sqrt(self.weight_used)[:, None]
        before = np.vstack([np.zeros((1, scaled.shape[1])), scaled[:-1]])
        white = (scaled - fade * before) / np.sqrt(1 - fade**2)
        level = white[:, -1:]
        length = self.sums(level**2)
        return white[:, :-1] - level * (self.sums(white[:, :-1] * level) / length)[self.athlete], length

    def likelihoods(self, rhos, ratios):
        """Restricted likelihood for each correlation of neighbours and each ratio of variances, of slopes to error."""
        m, out = len(self.first), np.empty((len(rhos), len(ratios)))
        within = np.column_stack([self.y, self.d])
        within = within - (self.sums(within) / self.sums(np.ones((len(within), 1))))[self.athlete]
        for i, rho in enumerate(rhos):
            (y, d), length = (white := self.whiten(within, rho))[0].T, white[1]
            dd, dy, yy = self.sums(d * d), self.sums(d * y), self.sums(y * y)
            constant = np.log(length).sum() + np.log1p(-(rho ** (2 * self.gap))).sum()
            for j, ratio in enumerate(ratios):
                shrink = ratio / (1 + ratio * dd)
                a, b, c = ((u - shrink * v * w).sum() for u, v, w in ((dd, dd, dd), (dy, dd, dy), (yy, dy, dy)))
                df = max(len(y) - m - 1, 1)
                rest = max(c - b * b / a, 1e-300)
                out[i, j] = -0.5 * (df * np.log(rest) + constant + np.log1p(ratio * dd).sum() + np.log(a))
        return out

    def fit(self, factor, refinements):
        """The straight line, by a search over a grid that is refined around its best ratio."""
        self.weight_used = self.weight * factor
        rhos, ratios = np.linspace(0, 0.9, 10), np.concatenate([[0.0], np.geomspace(0.03, 300, 14)])
        i, j = np.unravel_index(np.argmax(self.likelihoods(rhos, ratios)), (len(rhos), len(ratios)))
        self.rho, self.ratio = rhos[i], ratios[j]
        ends = ratios[max(j - 1, 0)], ratios[min(j + 1, len(ratios) - 1)]
        for _ in range(refinements):
            finer = np.linspace(*ends, 9)
            j = int(np.argmax(self.likelihoods([self.rho], finer)[0]))
            self.ratio, ends = finer[j], (finer[max(j - 1, 0)], finer[min(j + 1, 8)])

    def huber(self):
        """Less weight for rows more than three standard deviations off the athlete's own line."""
        counts = np.bincount(self.athlete)
        d = self.d - (self.sums(self.d) / counts)[self.athlete]
        y = self.y - (self.sums(self.y) / counts)[self.athlete]
        residual = (y - (self.sums(d * y) / self.sums(d * d))[self.athlete] * d) * np.sqrt(self.weight)
        scale = np.median(np.abs(residual)) / 0.6744897501960817
        return np.minimum(1, 3 * scale / np.maximum(np.abs(residual), 1e-300)) if scale else np.ones_like(residual)

    def hinges(self):
        """Distances with three rows on either side of three athletes."""
        places = np.arange(self.d.min(), self.d.max(), 0.02)
        beyond = self.sums((self.d[:, None] > places).astype(float))
        within = self.sums((self.d[:, None] <= places).astype(float))
        return places[((beyond >= 3) & (within >= 3)).sum(axis=0) >= 3]

    def votes(self, places):
        """What each athlete says of each hinge, and of a parabola (the last column), next to the straight line."""
        d = self.d[:, None]
        white, _ = self.whiten(np.column_stack([self.y, d, np.maximum(d - places, 0), d**2]), self.rho)
        y, x, bent = white[:, :1], white[:, 1:2], white[:, 2:]
        shrink = self.ratio / (1 + self.ratio * self.sums(x * x))

        def product(left, right):
            return self.sums(left * right) - shrink * self.sums(left * x) * self.sums(right * x)

        normal, cross = product(x, x).sum(), product(x, bent).sum(axis=0)
        slope = product(x, y).sum() / normal
        beside_line = product(bent, bent).sum(axis=0) - cross**2 / normal
        bent = bent - x * (cross / normal)
        votes, sizes = product(bent, y - x * slope), product(bent, bent)
        apart = np.flatnonzero((sizes.sum(axis=0) >= 0.1 * beside_line)[:-1])
        left = product(y, y).sum() - slope * product(x, y).sum()
        self.variance = left / max(len(y) - len(self.first) - 1, 1)
        return slope, cross / normal, votes, sizes, apart


def onset(rows, _, given):
    """The best hinge, its p-value by random signs of athletes, its interval by resampling them."""
    lines = AthletesLines(*centred(rows))
    places, n = lines.hinges(), len(lines.first)
    slope, taken_up, votes, sizes, apart = lines.votes(places)
    total, size = votes.sum(axis=0)[apart], sizes.sum(axis=0)[apart]
    if not len(apart) or abs((total / size)[best := int(np.argmax(total**2 / size))]) < 5e-6:
        yield row("onset_km", None, primary=True)
        return
    bend = total[best] / size[best]
    before = slope - taken_up[apart][best] * bend
    signs = np.array([[1.0 if sign == "p" else -1.0 for sign in pattern] for pattern in given.draws["onset_signs", n]])
    reached = np.max(np.abs(signs @ votes[:, apart]) / np.sqrt((votes[:, apart] ** 2).sum(axis=0)), axis=1)
    # What all share is in the error of what was seen: no pattern of signs shows it.
    moved = given.shared_se("onset_km") * size[best] / np.sqrt((votes[:, apart][:, best] ** 2).sum())
    p_value = np.mean(reached >= reached[0] / np.hypot(1, moved) * (1 - 1e-9))
    counts = np.array([pattern.split() for pattern in given.draws["onset_resamples", n]], dtype=float)
    gains = (counts @ votes[:, apart]) ** 2 / (counts @ sizes[:, apart])
    tail = stats.norm.sf(stats.t.ppf(0.975, n - 1) * np.sqrt(n / (n - 1)))
    low, high = np.quantile(places[apart][np.argmax(gains, axis=1)], [tail, 1 - tail])
    of_curve = (counts @ votes[:, -1]) ** 2 / (counts @ sizes[:, -1])
    # The hinge's place, a parameter more, lowers the sum of squares by one error variance where it is of no use.
    is_no_curve = np.mean(gains.max(axis=1) > of_curve + lines.variance) >= 0.9
    is_steeper = abs(before + bend) > abs(before)
    if p_value <= 0.02 and is_steeper and is_no_curve:
        yield row("onset_km", 10 * places[apart][best], 10 * low, 10 * high, p_value, primary=True)
    else:
        yield row("onset_km", None, p_value=p_value, primary=True)


# --- Measurement -----------------------------------------------------------------------------------------------------


def reliability_of(values, athlete, shared_se):
    """One-way random effects; what an error that an athlete's values share adds is taken out of the mean squares."""
    n, m = np.bincount(athlete), athlete.max() + 1
    df, size = len(values) - m, (n.sum() - (n @ n) / n.sum()) / (m - 1)

    def squares(x):
        mean = np.bincount(athlete, weights=x) / n
        return mean, np.sum((x - mean[athlete]) ** 2) / df

    mean, within = squares(values)
    between = n @ (mean - (n @ mean) / n.sum()) ** 2 / (m - 1)
    shared, shared_within = squares(shared_se)
    shared_between = (n @ shared**2 - n**2 @ shared**2 / n.sum()) / (m - 1)
    error = max(within - shared_within, 1e-9 * within)
    ends = between / stats.f.ppf(0.975, m - 1, df), between, between * stats.f.ppf(0.975, df, m - 1)
    low, icc, high = ((b - error) / (b + (size - 1) * error) for b in (max(e - shared_between, 0) for e in ends))
    typical = np.sqrt(within)
    chi = np.sqrt(df / stats.chi2.ppf([0.975, 0.025], df))
    return (icc, low, high), (typical, *(typical * chi)), 1.96 * np.sqrt(2) * typical


def reliability(rows, _about, _given):
    athlete = np.unique([line["athlete"] for line in rows], return_inverse=True)[1]
    grown = 1 + numbers(rows, "drift_pct") / 100
    for name, values, shared in (
        ("level", 100 * np.log(numbers(rows, "level")), np.zeros(len(rows))),
        ("slope", 100 * np.log(grown), numbers(rows, "shared_se_pct") / grown),
    ):
        icc, error, detectable = reliability_of(values, athlete, shared)
        yield row(f"{name}_icc", *icc)
        yield row(f"{name}_typical_error_pct", *error)
        yield row(f"{name}_smallest_detectable_change_pct", detectable)


def agreement(rows, _about, _given):
    """Bias and limits of agreement; splits within runs within athletes, or splits within runs of one athlete."""
    difference = 100 * np.log(numbers(rows, "here") / numbers(rows, "there"))
    athlete, run = (np.unique([line[name] for line in rows], return_inverse=True)[1] for name in ("athlete", "run"))
    subject, normal = (athlete if athlete.max() else run), stats.norm.ppf(0.975)
    n, m = len(difference), subject.max() + 1
    if m == n:
        bias, sd = difference.mean(), difference.std(ddof=1)
        se = sd / np.sqrt(n)
        margin = stats.t.ppf(0.975, n - 1) * se
        inner, outer = stats.nct.ppf([0.025, 0.975], n - 1, normal * np.sqrt(n)) * se
        ends = (bias - outer, bias - inner), (bias + inner, bias + outer)
    else:
        has_groups = m < run.max() + 1 < n
        levels = [np.zeros(n, int), subject, *([run] if has_groups else []), np.arange(n)]
        counts = [np.bincount(level) for level in levels]
        means = [(np.bincount(i, weights=difference) / c)[i] for i, c in zip(levels, counts, strict=True)]
        df = np.diff([len(c) for c in counts])
        square = np.array([np.sum((b - a) ** 2) for a, b in itertools.pairwise(means)]) / df
        size = [c[i] for i, c in zip(levels, counts, strict=True)]
        k = range(1, len(levels))
        expected = np.array([[np.sum(size[j] / size[i] - size[j] / size[i - 1]) * (j >= i) for j in k] for i in k])
        inverse = np.linalg.inv(expected / df[:, None])
        sd = np.sqrt(np.maximum(inverse @ square, 0).sum())
        share = inverse.sum(axis=0) * square
        below = share * (1 - df / stats.chi2.isf(0.025, df))
        above = share * (df / stats.chi2.isf(0.975, df) - 1)
        narrower = np.sqrt(np.sum(np.where(share >= 0, below, above) ** 2))
        wider = np.sqrt(np.sum(np.where(share >= 0, above, below) ** 2))
        # Mean over all splits, as unsure as the subjects' means scatter.
        weight = np.bincount(subject) / n
        mean = np.bincount(subject, weights=difference) / np.bincount(subject)
        bias, apart = weight @ mean, np.eye(m) - weight
        form = apart.T @ (weight[:, None] ** 2 * apart)
        se = np.sqrt(weight @ weight / np.trace(form) * (mean @ form @ mean))
        margin = stats.t.ppf(0.975, np.trace(form) ** 2 / np.sum(form**2)) * se
        inward = np.hypot(margin, normal * (sd - np.sqrt(max(sd**2 - narrower, 0))))
        outward = np.hypot(margin, normal * (np.sqrt(sd**2 + wider) - sd))
        lower, upper = bias - normal * sd, bias + normal * sd
        ends = (lower - outward, lower + inward), (upper - inward, upper + outward)
    yield row("bias_pct", bias, bias - margin, bias + margin)
    yield row("lower_limit_pct", bias - normal * sd, *ends[0])
    yield row("upper_limit_pct", bias + normal * sd, *ends[1])


# --- Landings --------------------------------------------------------------------------------------------------------


def wilson(count, n):
    z = stats.norm.ppf(0.975) ** 2
    share = count / n
    middle, margin = share + z / (2 * n), np.sqrt(z * (share * (1 - share) + z / (4 * n)) / n)
    ends = (middle - margin) / (1 + z / n), (middle + margin) / (1 + z / n)
    return share, 0.0 if count == 0 else ends[0], 1.0 if count == n else ends[1]


def share_of_people(lines, side):
    """Mean over people of their share of events on the rearfoot; Wilson's interval for the effective number of people.

    With one event each, that is the number of people.
    """
    n, n_pairs = numbers(lines, "runners").sum(), numbers(lines, "pairs").sum()
    always = sum(float(line["runners"]) for line in lines if line[side] == "rearfoot")
    sometimes = [line for line in lines if line[side] == "sometimes"]
    total, squares = (always + numbers(sometimes, name).sum() for name in ("share_sum", "square_sum"))
    share, variance = total / n, (squares - total**2 / n) / (n * max(n - 1, 1))
    effective = share * (1 - share) / variance if variance > 1e-9 / n else n
    effective = min(max(effective, n), n_pairs)
    return wilson(total if effective == n else share * effective, effective)


def landing(rows, _about, _given):
    """Shares, McNemar's tests of rearfoot against all others, and tests of all classes that occur."""
    at_one = [line for line in rows if not line["early"] or not line["late"]]
    counts = {(line["early"], line["late"]): float(line["runners"]) for line in rows if line not in at_one}
    if at_one or ("rearfoot", "rearfoot") in counts:
        for side in ("early", "late"):
            yield row(f"share_{side}", *share_of_people([line for line in at_one or rows if line[side]], side))
    if not counts:
        return
    there = sum(k for pair, k in counts.items() if pair[0] == "rearfoot" != pair[1])
    back = sum(k for pair, k in counts.items() if pair[1] == "rearfoot" != pair[0])
    smaller, changed = min(there, back), there + back
    below = stats.binom.cdf(smaller, changed, 0.5)
    mid = 2 * below - stats.binom.pmf(smaller, changed, 0.5)
    yield row("mcnemar_exact_statistic", smaller, p_value=min(1, 2 * below), primary=True)
    yield row("mcnemar_mid_p_statistic", smaller, p_value=min(1, mid))
    for name, continuity in (("mcnemar_continuity", 1), ("mcnemar", 0)):
        statistic = max(abs(there - back) - continuity, 0) ** 2 / max(changed, 1)
        yield row(f"{name}_statistic", statistic, p_value=stats.chi2.sf(statistic, 1))
    if changed:
        low, high = stats.beta.ppf(0.025, back, there + 1), stats.beta.ppf(0.975, back + 1, there)
        ratio, low, high = (back, there), (low, 1 - low), (high, 1 - high)
        ends = [a / b if b > 0 else None for a, b in (ratio, low if back else (0, 1), high if there else (1, 0))]
        yield row("odds_ratio", *ends)
    classes = sorted({name for pair, k in counts.items() if k for name in pair})
    if len(classes) > 2 and "other" not in classes:
        table = np.array([[counts.get((a, b), 0) for b in classes] for a in classes])
        i, j = np.triu_indices(len(classes), k=1)
        both = table[i, j] + table[j, i]
        statistic = np.sum((table[i, j] - table[j, i])[both > 0] ** 2 / both[both > 0])
        yield row(
            "bowker_statistic", statistic, p_value=stats.chi2.sf(statistic, sum(both > 0)) if any(both > 0) else 1.0
        )
        gain = table.sum(axis=0) - table.sum(axis=1)
        moved = (table + table.T) * (1 - np.eye(len(classes)))
        covariance = np.diag(moved.sum(axis=1)) - moved
        solution, _, rank, _ = np.linalg.lstsq(covariance, gain, rcond=1e-9)
        statistic = gain @ solution
        yield row("stuart_maxwell_statistic", statistic, p_value=stats.chi2.sf(statistic, rank) if rank else 1.0)


def landing_of_runners(angles, changes, raters, draws):
    """Change of the angle, odds of the rearfoot at equal speed, agreement of two raters."""
    early, late = numbers(angles, "early"), numbers(angles, "late")
    change, n = late - early, len(angles)
    if n > 1:
        yield row("angle_early_deg", early.mean())
        yield row("angle_late_deg", late.mean())
        margin = stats.t.ppf(0.975, n - 1) * change.std(ddof=1) / np.sqrt(n)
        ends = (change.mean() - margin, change.mean() + margin) if scatters(change, [early, late]) else (None, None)
        yield row("angle_change_deg", change.mean(), *ends, p_value=p_of_signs(change, draws))
    gained, speed = np.array([line["gained"] == "true" for line in changes]), numbers(changes, "speed_change")
    athletes = [line["athlete"] for line in changes]
    for name, *of in zip(("equal_speed", "10_pct_faster"), *odds_at_equal(gained, [speed], athletes), strict=False):
        yield row(f"odds_ratio_{name}", *np.exp(of))
    with_slope = [line for line in changes if line["slope_change"]]
    if with_slope:
        gained = np.array([line["gained"] == "true" for line in with_slope])
        both = [numbers(with_slope, "speed_change"), numbers(with_slope, "slope_change")]
        names, athletes = ("equal_speed_and_slope", "", "1_pct_steeper"), [line["athlete"] for line in with_slope]
        for name, *of in zip(names, *odds_at_equal(gained, both, athletes), strict=False):
            if name:
                yield row(f"odds_ratio_{name}", *np.exp(of))
    classes = sorted({line[name] for line in raters for name in ("first", "second") if float(line["feet"])})
    if len(classes) > 1:
        feet = {(line["first"], line["second"]): float(line["feet"]) for line in raters}
        share = np.array([[feet[a, b] for b in classes] for a in classes])
        n = share.sum()
        share = share / n
        rows, columns = share.sum(axis=1), share.sum(axis=0)
        alike, by_chance = np.trace(share), rows @ columns
        kappa = (alike - by_chance) / (1 - by_chance)
        # Fleiss, Cohen and Everitt 1969.
        within = np.diag(share) @ (1 - (rows + columns) * (1 - kappa)) ** 2
        apart = (share - np.diag(np.diag(share))) * (columns[:, None] + rows[None, :]) ** 2 * (1 - kappa) ** 2
        variance = within + apart.sum() - (kappa - by_chance * (1 - kappa)) ** 2
        margin = stats.norm.ppf(0.975) * np.sqrt(variance / n) / (1 - by_chance)
        yield row("kappa", kappa, kappa - margin, kappa + margin)


def odds_at_equal(gained, covariates, athletes):
    """Logistic regression of who gained by Newton's steps: estimates, lower and upper ends; empty where not finite.

    What the scores of an athlete's events share is added to the variances, where it does not lower them.
    """
    design = np.column_stack([np.ones(len(gained)), *covariates])
    b = np.zeros(design.shape[1])
    if len(set(athletes)) < 5 * len(b) or np.linalg.matrix_rank(design) < len(b):
        return [], [], []
    for _ in range(50):
        p = special.expit(design @ b)
        information = design.T @ (design * (p * (1 - p))[:, None])
        if np.abs(b).max() > 30 or np.linalg.matrix_rank(information) < len(b):
            return [], [], []
        b = b + np.linalg.solve(information, design.T @ (gained - p))
    inverse, score = np.linalg.inv(information), design * (gained - special.expit(design @ b))[:, None]
    is_same = np.array([[one == other for other in athletes] for one in athletes]) & ~np.eye(len(athletes), dtype=bool)
    shared = np.diag(inverse @ score.T @ is_same @ score @ inverse)
    margin = stats.norm.ppf(0.975) * np.sqrt(np.diag(inverse) + np.maximum(shared, 0))
    return b, b - margin, b + margin


# --- All analyses ----------------------------------------------------------------------------------------------------

DESIGNS = {
    "paired_windows": ("stretches", paired_windows), "equivalence": ("stretches", equivalence),
    "responders": ("stretches", responders), "sections": ("sections", sections),
    "trend": ("splits", trend), "onset": ("splits", onset), "reliability": ("levels", reliability),
    "agreement": ("sensors", agreement), "landing": ("landings", landing),
}  # fmt: skip


def corrected(p_values, correction):
    p = np.array(p_values)
    if correction == "none" or not len(p):
        return p
    order, m = np.argsort(p), len(p)
    if correction == "holm":
        adjusted = np.maximum.accumulate(p[order] * (m - np.arange(m)))
    else:  # Benjamini and Hochberg
        adjusted = np.minimum.accumulate((p[order] * m / np.arange(1, m + 1))[::-1])[::-1]
    out = np.empty(m)
    out[order] = np.minimum(adjusted, 1)
    return out


def recomputed(data):
    draws = defaultdict(list)
    for line in read(data / "draws.csv"):
        draws[line["purpose"], int(line["n_units"])].append(line["pattern"])
    kept = {}

    def lines_of(table, about):
        """The rows of a table that are of an analysis and metric; of landings, of the analysis."""
        if table not in kept:
            kept[table] = defaultdict(list)
            for line in read(data / f"{table}.csv"):
                kept[table][line["analysis"], line.get("metric", "")].append(line)
        return kept[table][about["analysis"], about["metric"]]

    results, analyses = [], read(data / "analyses.csv")
    for about in analyses:
        table, compute = DESIGNS[about["design"]]
        more = (lines_of(name, about) for name in ("factors", "shared_errors", "athletes"))
        lines = [*compute(lines_of(table, about), about, Given(draws, *more))]
        if about["design"] == "landing":
            of_runners = (lines_of(name, about) for name in ("angles", "strike_changes", "raters"))
            lines += landing_of_runners(*of_runners, draws)
        for line in lines:
            results.append({"analysis": about["analysis"], "metric": about["metric"], "p_corrected": None} | line)
    primary = [line for line in results if line["primary"] and line["p_value"] is not None]
    of_primary = corrected([line["p_value"] for line in primary], analyses[0]["correction"] if analyses else "none")
    for line, p in zip(primary, of_primary, strict=True):
        line["p_corrected"] = p
    return results


def main():
    study = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    ours = {tuple(line[name] for name in KEY): line for line in recomputed(study / "data")}
    with Path("recomputed.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*KEY, *NUMBERS])
        writer.writerows([*key, *(line[name] for name in NUMBERS)] for key, line in ours.items())
    published = read(study / "results.csv")
    released = {(line["analysis"], line["metric"]) for line in read(study / "data" / "analyses.csv")}
    is_complete = not any(
        line["note"].startswith("not published")
        or (line["p_corrected"] and (line["analysis"], line["metric"]) not in released)
        for line in published
    )
    n_same, n_without, differing = 0, 0, []
    for line in published:
        key = tuple(line[name] for name in KEY)
        for name in NUMBERS:
            if line[name] == "" or (name == "p_corrected" and not is_complete):
                continue  # not released; or corrected together with p-values that are not
            number, computed = float(line[name]), ours.get(key, {}).get(name)
            if key[:2] not in released:
                n_without += 1
            elif computed is not None and abs(computed - number) <= TOLERANCE * max(1, abs(number)):
                n_same += 1
            else:
                differing.append(f"{' / '.join(filter(None, key))}: {name} is {number}, recomputed {computed}")
    print(f"{n_same} numbers of results.csv are the same, {len(differing)} are not.", *differing, sep="\n")
    if n_without:
        print(f"{n_without} numbers are of analyses whose rows are not released.")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
