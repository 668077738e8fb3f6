"""Rows that are steps: their order, cadence, and the balance of left and right. Readings in, readings out."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.reasons import Because, Reason, because

LEFT, RIGHT = "left", "right"

#: How a row names its foot, in small letters.
FEET: Mapping[str, str] = {
    **dict.fromkeys(
        ("left", "l", "links", "linker", "gauche", "g", "izquierda", "izquierdo", "izq", "sinistra", "sinistro", "sx",
         "esquerda", "esquerdo", "esq", "vänster", "venstre", "vasen", "lewa", "lewy", "levá", "levý", "левая", "левый",
         "左", "왼발", "왼쪽", "lf"), LEFT),
    **dict.fromkeys(
        ("right", "r", "rechts", "rechter", "droite", "droit", "d", "derecha", "derecho", "der", "destra", "destro",
         "dx", "direita", "direito", "dir", "höger", "høyre", "højre", "oikea", "prawa", "prawy", "pravá", "pravý",
         "правая", "правый", "右", "오른발", "오른쪽", "rf"), RIGHT),
}  # fmt: skip


def from_steps(
    values: Mapping[str, pl.Series],
) -> tuple[Mapping[str, pl.Series], Because | None, tuple[Because, ...]]:
    """Bring steps into order and work out what the file leaves out: cadence, balance, time, distance.

    Time comes from contact and the flight after it, where the file gives none; cadence from these, or from the strides
    of each foot. Balance is the share of the left foot in the contact time of a step and the one before, which is the
    other foot's; of the first step, and of a foot that lands twice, the one after. Distance is the sum of the steps'
    lengths.

    Returns:
        The readings, the damage (how many steps the time had to leave out, None if none), and remarks.
    """
    values = dict(values)
    remarks: list[Because] = []
    foot = _feet(values)
    if foot is not None:
        foot, values = _in_order(foot, values)
    is_one_foot = foot is not None and foot.null_count() == 0 and foot.n_unique() == 1
    n_steps = 2 if is_one_foot else 1
    if is_one_foot:
        remarks.append(because(Reason.ONE_FOOT))
    if foot is not None and not is_one_foot and "contact_time_ms" in values and "contact_balance_pct" not in values:
        values["contact_balance_pct"] = _balance_pct(foot, values["contact_time_ms"])
    time = next((values[name] for name in ("time_s", "elapsed_s") if name in values), None)
    damage = None
    if {"contact_time_ms", "flight_time_ms"} <= values.keys():
        step_ms = values["contact_time_ms"] + values["flight_time_ms"]
        values.setdefault("cadence_spm", 60_000 / step_ms)
        if time is None:
            values["elapsed_s"] = n_steps * step_ms.cum_sum() / 1000
            if n_lacking := step_ms.null_count():
                damage = because(Reason.STEPS_WITHOUT_TIMES, n_lacking=n_lacking, n_steps=len(step_ms))
    elif foot is not None and time is not None and "cadence_spm" not in values:
        values["cadence_spm"] = _cadence_spm(foot, time)
    if "step_length_m" in values and not {"distance_m", "speed_m_s", "latitude_deg"} & values.keys():
        n_lacking = values["step_length_m"].null_count()
        values["distance_m"] = n_steps * values["step_length_m"].fill_null(strategy="forward").fill_null(0.0).cum_sum()
        remarks.append(because(Reason.DISTANCE_OF_STEPS))
        if n_lacking:
            remarks.append(because(Reason.STEPS_WITHOUT_LENGTH, n_steps=n_lacking))
    return values, damage, tuple(remarks)


def _feet(values: Mapping[str, pl.Series]) -> pl.Series | None:
    """`left` or `right` of each row; None where no word is known."""
    if "foot" not in values:
        return None
    words = values["foot"].str.strip_chars().str.to_lowercase().str.replace(r"[.]$", "")
    feet = words.replace_strict(FEET, default=None, return_dtype=pl.String)
    return feet if feet.null_count() < len(feet) else None


def _in_order(foot: pl.Series, values: Mapping[str, pl.Series]) -> tuple[pl.Series, dict[str, pl.Series]]:
    """In order of time, where there is one: programs write the steps of one foot below those of the other."""
    time = next((values[name] for name in ("time_s", "elapsed_s") if name in values), None)
    if time is None or time.drop_nulls().is_sorted():
        return foot, dict(values)
    order = time.arg_sort(nulls_last=True)
    return foot.gather(order), {name: column.gather(order) for name, column in values.items()}


def _balance_pct(foot: pl.Series, contact_ms: pl.Series) -> pl.Series:
    frame = pl.DataFrame({"foot": foot, "own": contact_ms}).with_columns(
        before=pl.when(pl.col("foot") != pl.col("foot").shift(1)).then(pl.col("own").shift(1)),
        after=pl.when(pl.col("foot") != pl.col("foot").shift(-1)).then(pl.col("own").shift(-1)),
    )
    other = pl.coalesce("before", "after")
    left = pl.when(pl.col("foot") == LEFT).then("own").otherwise(other)
    return frame.select((100 * left / (pl.col("own") + other)).alias("balance")).to_series()


def _cadence_spm(foot: pl.Series, time_s: pl.Series) -> pl.Series:
    """Two steps in the time since the same foot landed before."""
    frame = pl.DataFrame({"foot": foot, "time_s": time_s})
    stride_s = pl.col("time_s").diff().over("foot")
    return frame.select(pl.when(stride_s > 0).then(120 / stride_s).alias("cadence")).to_series()
