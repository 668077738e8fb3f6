"""The command line: assembles the commands of `pipeline/commands`.

A command imports anything heavy inside its function, so that help answers at once.
"""

from __future__ import annotations

import atexit
import gc
import os
import signal

import click

from pipeline.commands.calibrate import calibrate
from pipeline.commands.check import check
from pipeline.commands.columns import columns
from pipeline.commands.demo import demo
from pipeline.commands.nightly import history, nightly
from pipeline.commands.pages import pages
from pipeline.commands.refresh import refresh
from pipeline.commands.settings import settings
from pipeline.commands.sort import sort
from pipeline.commands.study import study
from pipeline.commands.tables import dictionary, show
from pipeline.commands.verify import verify
from pipeline.core.errors import EXIT_INTERRUPTED, EXIT_NOTHING_DONE, SplitdriftError, in_words

# What is left when a command has ended goes with the process: to look for what could be freed first takes a third of a
# second after a flow.
atexit.register(gc.freeze)


class _Commands(click.Group):
    """Turns the project's own errors into one message and their exit code."""

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as interrupt:
            click.echo(f"\nsplitdrift: {interrupt if interrupt.args else 'Interrupted.'}", err=True)
            ctx.exit(EXIT_INTERRUPTED)
        except BrokenPipeError:
            raise  # the reader of the output has ended; click handles it
        except Exception as error:
            message = in_words(error)
            if message is None:
                raise
            click.echo(f"splitdrift: {message}", err=True)
            ctx.exit(error.exit_code if isinstance(error, SplitdriftError) else EXIT_NOTHING_DONE)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="splitdrift")
def main() -> None:
    """Does an athlete's running form hold as the distance adds up?

    splitdrift reads a folder of running recordings and says for each athlete how cadence, contact time and the rest
    change with distance, and how much of that is merely slowing down or the hill.

    \b
    A first look:      splitdrift demo
    Your own data:     splitdrift check   --inbox inbox
                       splitdrift refresh --inbox inbox --store store
                       splitdrift show    --store store

    \b
    The inbox holds one folder per athlete:
      inbox/ari/2026-03-14.fit        recordings: .fit .csv .tcx .gpx, also .gz or .zip
      inbox/roster.csv                who they are (optional)
      inbox/sessions.csv              kind, surface and shoe of each run (optional)
      inbox/settings.toml             settings that differ from `splitdrift settings` (optional)
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    os.umask(0o077)  # what is written of a person's body is for the user's eyes alone
    # Whoever started the command may ignore it, which is inherited: it would not be told how a worker ended.
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)


for command in (
    demo, sort, columns, refresh, check, show, calibrate, pages, nightly, study, history, verify, dictionary, settings,
):  # fmt: skip
    main.add_command(command)


if __name__ == "__main__":
    main()
