"""The command `splitdrift pages`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands.terminal import JOBS, STORE, progress_bar


@click.command()
@STORE
@click.option("--anonymous", is_flag=True, help="Show a code in place of each athlete, and nothing that people wrote.")
@JOBS
@click.option("--wait", type=click.FloatRange(min=0), default=0.0, help="Seconds to wait for a refresh to end.")
def pages(*, store: Path, anonymous: bool, jobs: int | None, wait: float) -> None:
    """Draw the pages of a store once more. A refresh does so by itself.

    \b
    To read:        open store/pages/index.html in a browser
    To hand on:     splitdrift pages --store store --anonymous, then copy the folder store/pages

    The next refresh goes by the settings again: pages = "codes" in settings.toml keeps names out for good. A code stays
    the same as long as the store lives. What stays in: starts of runs to the second, devices, dates of complaints,
    shoes and complaints by number. Who knows an athlete's runs will know the athlete.
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    from pipeline.core.places import whole_name
    from pipeline.refresh.redraw import rebuild_pages

    with progress_bar("Drawing") as progress:
        n_athletes = rebuild_pages(store, anonymous=anonymous, jobs=jobs, wait_s=wait, progress=progress)
    click.echo(f"Pages of {n_athletes} athletes: {whole_name(store)}/pages/index.html")
