"""The season in sentences, besides the drift: shoes and surfaces, complaints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.pages.club_rows import ClubRows
from pipeline.pages.language import Language, upper_first

Row = Mapping[str, Any]


def contrast_sentences(contrasts: Sequence[Row], club: ClubRows, language: Language) -> list[str]:
    """Shoes and surfaces whose interval excludes zero, one sentence per pair."""
    by_pair: dict[str, list[str]] = {}
    for row in contrasts:
        names = [shoe_or_surface(row, name, club, language) for name in ("compared", "reference")]
        pair = language(
            "contrast.sentence", factor=upper_first(factor_words(row, language)), compared=names[0],
            reference=names[1], n=row["n_runs"], n_reference=row["n_runs_reference"],
        )  # fmt: skip
        for value, (low, high), key in (
            ("difference_pct", ("low", "high"), "contrast.level"),
            ("drift_difference_pct_per_10km", ("drift_difference_low", "drift_difference_high"), "contrast.drift"),
        ):
            if row[low] is not None and row[high] is not None and (row[low] > 0 or row[high] < 0):
                size = language(
                    key, metric=language.metric(row["metric"]), size=language.signed(row[value]),
                    interval=language.between(row[low], row[high]),
                )  # fmt: skip
                by_pair.setdefault(pair, []).append(size)
    return [f"{pair}: {'; '.join(differences)}." for pair, differences in by_pair.items()]


def shoe_or_surface(row: Row, name: str, club: ClubRows, language: Language) -> str:
    """The shoe or surface of a contrast as it is shown."""
    if row["factor"] == "shoe":
        return str(club.shoe(row[name]))
    # A word of the owner's own has no text.
    key = f"{row['factor']}.{row[name]}"
    return language(key) if language.has(key) else str(row[name])


def factor_words(row: Row, language: Language) -> str:
    """What is compared; a word of the owner's own stays as it is."""
    key = f"contrast.{row['factor']}"
    return language(key) if language.has(key) else str(row["factor"])


def complaint_sentences(
    complaint: Row,
    runs: pl.DataFrame,
    run_drifts: pl.DataFrame,
    metrics: Sequence[str],
    *,
    language: Language,
    min_runs: int,
) -> list[str]:
    """The runs during a complaint, and the drift before, during and after it as plain means over runs.

    Args:
        metrics: columns of the metrics to list.
        min_runs: fewer runs have no mean.
    """
    day = pl.col("started_at_utc").dt.date().cast(pl.String)
    begins, ends = complaint["from_date"], complaint["to_date"]
    is_after = pl.lit(value=False) if ends is None else day > ends
    when = pl.when(day < begins).then(pl.lit("before")).when(is_after).then(pl.lit("after")).otherwise(pl.lit("within"))
    dated = runs.select("run_id", when=when)
    within = dated.filter(pl.col("when") == "within").height
    sentences = [language("complaint.runs", n=within) if within else language("complaint.no_run")]
    for metric in metrics:
        own = run_drifts.filter(pl.col("metric") == metric).drop_nulls("drift_pct_per_10km")
        values = {
            key: part["drift_pct_per_10km"].to_list()
            for (key,), part in own.join(dated, on="run_id").partition_by("when", as_dict=True).items()
        }
        parts = [
            language(f"complaint.{part}", mean=_mean(values.get(part, []), language, min_runs))
            for part in ("before", "within", "after")
            if part != "after" or ends is not None
        ]
        label = upper_first(language.metric(metric))
        sentences.append(language("complaint.means", metric=label, parts=", ".join(parts)))
    return sentences


def open_complaints(
    complaints: pl.DataFrame, club: ClubRows, language: Language, key: str = "complaint.open"
) -> list[str]:
    """The open complaints in words, oldest first; what people wrote is left out where athletes are codes.

    Args:
        complaints: rows of `complaints` of an athlete.
        club: whether athletes are shown by codes.
        key: of the text.
    """
    if complaints.is_empty():
        return []
    still = complaints.filter(pl.col("to_date").is_null()).sort("from_date", "line")
    return [
        language(key, day=language.day(row["from_date"]))
        + (f" ({row['site']})" if row["site"] and not club.is_coded else "")
        for row in still.iter_rows(named=True)
    ]


def _mean(values: Sequence[float], language: Language, min_runs: int) -> str:
    if not values:
        return language("complaint.mean_none")
    if len(values) < min_runs:
        return language("complaint.mean_few", n=len(values))
    return language("complaint.mean", mean=language.signed(sum(values) / len(values)), n=len(values))
