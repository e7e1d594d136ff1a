"""What the commands share: paths, exit codes, progress, printing."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busproc.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

FINE, FAILED, WRONG_INPUT = 0, 1, 2
FILE = click.Path(path_type=Path)


def for_each(files: tuple[Path, ...], work: Callable[[Path], None]) -> int:
    """Do the work for each file, tell of those at fault and go on; returns the exit code."""
    exit_code = FINE
    for file in files:
        try:
            work(file)
        except InputError as error:
            exit_code = WRONG_INPUT
            click.echo(f"error: {error}", err=True)
    return exit_code


def print_file(text: str) -> None:
    """Print what is to be saved as a file: UTF-8 whatever the terminal speaks."""
    click.echo(text.encode(), nl=False)


@contextmanager
def progress_told() -> Iterator[Callable[[str, float], None]]:
    """A bar on a terminal, a line for each new thing elsewhere; on standard error either way."""
    from busproc.kernels.jit import compiling_told

    if not sys.stderr.isatty():
        told: set[str] = set()

        def tell(what: str, done: float) -> None:  # noqa: ARG001
            if what not in told:
                told.add(what)
                click.echo(what, err=True)

        with compiling_told(lambda line: tell(line, 0.0)):
            yield tell
        return
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, transient=True) as bar, compiling_told(console.print):
        task = bar.add_task("", total=1.0)
        yield lambda what, done: bar.update(task, description=what, completed=done)


@contextmanager
def jobs_told() -> Iterator[Callable[[str, str, float], None]]:
    """On a terminal a bar for all jobs and one for each at work; elsewhere a line for each new thing."""
    try:
        with _jobs_shown() as told:
            yield told
    except KeyboardInterrupt:
        click.echo("called off: what is finished stays, and the same command goes on from there", err=True)
        raise


@contextmanager
def _jobs_shown() -> Iterator[Callable[[str, str, float], None]]:
    if not sys.stderr.isatty():
        with progress_told() as tell:
            yield lambda job, what, done: tell(f"{job}: {what}" if job else what, done) if what else None
        return
    from rich.console import Console
    from rich.progress import Progress, TaskID

    from busproc.kernels.jit import compiling_told

    console = Console(stderr=True)
    with Progress(console=console, transient=True) as bars, compiling_told(console.print):
        lines: dict[str, TaskID] = {"": bars.add_task("", total=1.0)}

        def told(job: str, what: str, done: float) -> None:
            if job not in lines:
                lines[job] = bars.add_task("", total=1.0)
            if what:
                bars.update(lines[job], description=f"{job}: {what}" if job else what, completed=done)
            else:
                bars.remove_task(lines.pop(job))

        yield told
