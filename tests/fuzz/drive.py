"""Coverage-guided fuzzing of one format by Atheris, over the harness that the tests use too."""

# ruff: noqa: PLC0415 - Atheris is an extra, and instruments only what is imported under its eyes

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

#: What coverage is measured of. The fast FIT decoder, Polars and expat are compiled and stay dark.
INSTRUMENTED = [
    "pipeline.formats",
    "pipeline.core.toml",
    "pipeline.core.settings",
    "pipeline.core.own_metrics",
    "pipeline.inbox",
    "pipeline.study.study_reader",
    "tomllib",
    "pipeline.stages.recording",
    "pipeline.stages.samples",
    "pipeline.stages.strikes",
    "openpyxl",
    "csv",
    "fitdecode",
    "defusedxml",
    "zipfile",
    "gzip",
]


def drive(format_name: str) -> None:
    """Fuzz a format until interrupted; arguments are libFuzzer's, beginning with a folder to keep the corpus in."""
    import atheris

    with atheris.instrument_imports(include=INSTRUMENTED):
        from tests.fuzz import harness
    from tests.fuzz.mutations import mutated
    from tests.fuzz.seeds import lists, seeds, written

    starts = {"toml": written, "lists": lists}.get(
        format_name, lambda: [content for _, content in seeds()[format_name]]
    )()
    beginning, inbox = Path(tempfile.mkdtemp()), Path(tempfile.mkdtemp())
    for place, content in enumerate(starts):
        (beginning / f"seed-{place}").write_bytes(content)

    def one_file(content: bytes) -> None:
        if format_name == "toml":
            harness.look_into_written(content)
        elif format_name == "lists":
            harness.look_into_lists(content, inbox)
        else:
            # What an archive is, its content decides; what a gzip file holds, its name.
            packed = "zip" if content.startswith(b"PK") else "tcx.gz"
            harness.look_into(f"fuzzed.{packed if format_name == 'archive' else format_name}", content)
        if format_name == "csv":
            harness.look_into_columns(content)
        if format_name == "fit":
            harness.compare_ways_to_read(content)

    def mutator(content: bytes, max_size: int, seed: int) -> bytes:
        source = random.Random(seed)
        if source.random() < 0.5:
            return bytes(atheris.Mutate(content, max_size))[:max_size]
        return mutated(content, source.choice(starts), source)[:max_size]

    # A file that takes longer than ten seconds or more than two gigabytes is a finding like an exception.
    own = ["-max_len=40000", "-timeout=10", "-rss_limit_mb=2048"]
    atheris.Setup([sys.argv[0], *own, *sys.argv[1:], str(beginning)], one_file, custom_mutator=mutator)
    atheris.Fuzz()
