"""The command `splitdrift calibrate`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands.terminal import AS_JSON, JOBS, STORE, open_console, progress_bar


@click.command()
@STORE
@click.option(
    "--draws",
    type=click.IntRange(min=1),
    default=20,
    show_default=True,
    help="Invented seasons of each test; time grows with it, intervals shrink with its root.",
)
@JOBS
@AS_JSON
def calibrate(*, store: Path, draws: int, jobs: int | None, as_json: bool) -> None:
    """How far can findings be trusted, with these athletes and runs?

    Invents seasons out of the store's own splits: the real scatter, with the drift taken out and its order destroyed
    (placebo), or with a drift of known size added (planted). Takes them through the same stages and counts how often
    drift is reported where there is none, and where there is one.

    \b
    A first look:       splitdrift calibrate --store store --draws 5
    To be published:    splitdrift calibrate --store store --draws 100
    Metric by metric:   splitdrift show calibration --store store

    Writes the table `calibration` into the store; a refresh that finds something new empties it. The same store gives
    the same numbers.
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    from pipeline.commands.as_json import print_json, rows_of
    from pipeline.commands.show_calibration import calibration_summary
    from pipeline.refresh.self_check import self_check
    from pipeline.store.layout import settings_of

    with progress_bar("Inventing seasons") as progress:
        rates = self_check(store, draws=draws, jobs=jobs, progress=progress)
    if as_json:
        print_json("calibrate", {"table": "calibration", "rows": rows_of(rates)})
    else:
        open_console().print(calibration_summary(rates, settings_of(store).registry), highlight=False)
