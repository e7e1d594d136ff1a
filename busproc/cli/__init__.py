"""The command line: parse, call, print. The one place where errors become text and exit codes."""

from __future__ import annotations

from typing import Any

import click

from busproc.cli import checking, comparing, listening, making, telling
from busproc.cli.terminal import FAILED, WRONG_INPUT
from busproc.errors import BusprocError, InputError


class _Commands(click.Group):
    """Commands in the order of a day's work, with our errors told in a line and an exit code."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BusprocError as error:
            click.echo(f"error: {error}", err=True)
            ctx.exit(WRONG_INPUT if isinstance(error, InputError) else FAILED)
        except BrokenPipeError:
            raise  # the reader has enough (busproc stages | head -1): click ends without a word
        except OSError as error:
            place = f"{error.filename}: " if error.filename else ""
            click.echo(f"error: {place}{error.strerror or error}", err=True)
            ctx.exit(FAILED)


@click.group(
    "busproc",
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="busproc")
def main() -> None:
    """Render mixes through JSON chains and sessions, and keep a log of every decision.

    \b
    First steps:
      busproc demo                                  make a song, render it, read what was decided
      busproc session --from STEMS > song.json      draft a session from a folder of stems
      busproc render song.json --out prints         write the mix and its decision log

    Exit codes: 0 fine, 1 the work failed, 2 the input or the call is wrong.
    """


for _command in (
    *(making.render, making.print_, checking.verify, checking.recall, checking.diff),
    *(making.album, comparing.shootout, listening.check, listening.compare, listening.hits),
    *(checking.meter, checking.validate, telling.schema, telling.session, telling.presets),
    *(telling.chain, telling.stages, telling.explain, making.demo),
):
    main.add_command(_command)
