"""Covariates as they may be released: each the mean of several athletes who are alike.

An age or a height names a person to whoever knows it. Athletes in order of their covariates are divided into blocks of
at least so many as the smallest cell of the study, and each covariate is replaced by its mean over the block. The
effect of a covariate stays unbiased, since what a block's mean leaves out is not correlated with it; its interval
becomes wider.

Source: univariate microaggregation, and along the first principal component for several variables (Domingo-Ferrer and
Mateo-Sanz 2002, doi 10.1109/69.979982; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.core.arrays import Array


def of_block(name: str) -> str:
    """The column of a covariate's mean over the block."""
    return f"{name}_of_block"


def with_blocks(athletes: pl.DataFrame, names: Sequence[str], least: int) -> pl.DataFrame:
    """Athletes with `NAME_of_block` for each covariate, less its mean over the cohort.

    One division serves all analyses of a study, so that comparing them tells nothing more. Athletes who are fewer than
    `least` to have the same covariates known have null.

    Args:
        athletes: with these columns, one row per athlete.
        names: the covariates of all analyses.
        least: smallest number of athletes of a block.
    """
    values = athletes.select(pl.col(names).cast(pl.Float64)).to_numpy()
    means = np.full_like(values, np.nan)
    is_known = ~np.isnan(values)
    for pattern in np.unique(is_known, axis=0):
        of = np.flatnonzero((is_known == pattern).all(axis=1))
        if len(of) >= least and pattern.any():
            means[np.ix_(of, pattern)] = _means_of_blocks(values[np.ix_(of, pattern)], least)
    columns = {of_block(name): pl.Series(means[:, place]).fill_nan(None) for place, name in enumerate(names)}
    return athletes.with_columns((column - column.mean()).round(6).alias(name) for name, column in columns.items())


def _means_of_blocks(values: Array, least: int) -> Array:
    """Each row replaced by the mean of its block, rows ordered along their first principal component."""
    sd = values.std(axis=0)
    scaled = (values - values.mean(axis=0)) / np.where(sd > 0, sd, 1.0)
    order = np.argsort(scaled @ np.linalg.svd(scaled, full_matrices=False)[2][0], kind="stable")
    block = np.empty(len(values), dtype=np.int64)
    block[order] = np.minimum(np.arange(len(values)) // least, len(values) // least - 1)
    sums = np.array([np.bincount(block, weights=column) for column in values.T]) / np.bincount(block)
    return np.asarray(sums[:, block].T, dtype=np.float64)
