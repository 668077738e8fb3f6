"""The command `splitdrift study`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands.terminal import FOLDER, open_console


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), metavar="STUDY.toml")
@click.option("--store", type=FOLDER, required=True, help="Folder of the store.")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder of the output.")
@click.option("--state", is_flag=True, help="Only check and register the study, and print its digest.")
@click.option("--against", type=FOLDER, help="A store of the same runs from another sensor, for agreement.")
@click.option("--power", is_flag=True, help="Also compute how many athletes would be needed.")
@click.option(
    "--key",
    type=click.Path(dir_okay=False, exists=True, path_type=Path),
    help="File with the key of the pseudonyms. [default: the store's own]",
)
@click.option(
    "--register",
    "earlier",
    type=click.Path(dir_okay=False, exists=True, path_type=Path),
    help="studies.jsonl of an earlier store, whose studies count as well.",
)
def study(
    *,
    file: Path,
    store: Path,
    out: Path | None,
    state: bool,
    against: Path | None,
    power: bool,
    key: Path | None,
    earlier: Path | None,
) -> None:
    """Conduct a study on a store, from the cohort to a report. It comes with methods and provenance.

    \b
    A study is a file that states the cohort and the analyses before the result is known:
      title = "Contact time, early against late"
      question = "Does contact time grow from the first to the last quarter of long runs?"
      [cohort]
      min_distance_km = 14
      [[analysis]]
      design = "paired_windows"
      metrics = ["contact_time_ms"]
      windows = "quarters"

    \b
    data/studies/ of the project has five to begin with, with published results to compare with:
      splitdrift study data/studies/demo/contact-time-marathon.toml --store demo-store --out contact-time

    The store records when a study was stated or first run and how often it was changed. `--state` states it without
    computing anything, and prints the digest that a registry can hold. The output holds no name, id, date or device of
    the store; keep the store's study.key, without which the two cannot be joined again.
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    from pipeline.commands.show_study import study_summary
    from pipeline.core.errors import UsageError
    from pipeline.core.places import whole_name
    from pipeline.core.written import read_text
    from pipeline.store.layout import settings_of
    from pipeline.study.conduct import check, conduct
    from pipeline.study.exposure import warned
    from pipeline.study.output import earlier_output, require_apart, write_output
    from pipeline.study.pseudonyms import released
    from pipeline.study.register import register, study_key
    from pipeline.study.study_reader import read_study

    try:
        text = read_text(file)
    except FileNotFoundError:
        raise UsageError(f"There is no file {file}. `splitdrift study --help` shows an example.") from None
    stated = read_study(text, name=file.name, registry=settings_of(store).registry)
    if out is None and not state:
        raise UsageError("A study needs --out, the folder of its output, or --state, which only registers it.")
    made_from = check(stated, store)  # refuse before anything is computed or registered
    if out is not None:
        require_apart(out, store)
        earlier_output(out)
    console = open_console()
    registered = register(store, stated, inputs_sha256=made_from.inputs_sha256, earlier=earlier)
    if out is None or state:
        when = f"Stated at {registered.stated_at_utc} as study {registered.n_studies} on this store."
        console.print(when, highlight=False)
        console.print(f"SHA-256 of {file.name}: {stated.digest()}", highlight=False, soft_wrap=True, markup=False)
        return
    secret = study_key(store, key)
    result = conduct(released(stated, secret), store, against=against, with_power=power)
    changed, exposed = write_output(out, result, registered, secret)
    console.print(study_summary(result))
    since = [f"Changed since the output that was replaced: {', '.join(changed)}."] if changed else []
    for sentence in (*since, *warned(exposed, stated.least_cell)):
        console.print(sentence, highlight=False, markup=False)
    console.print(f"\nThe report: {whole_name(out)}/report.html", highlight=False, markup=False, soft_wrap=True)
