"""Commands that check and compare."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from busproc.cli.terminal import FAILED, FILE, FINE, for_each, print_file, progress_told


@click.command()
@click.argument("folder", type=FILE)
def verify(folder: Path) -> None:
    """Check a delivery: every file, and that stems add up.

    Reads all files again and holds them against the manifest: bytes, form, measures, sums, names. Tells
    every fault in a line; exits with 1 if there is one.

    \b
    Example:
      busproc verify delivery
    """
    from busproc.delivery.verify import verify as verify_delivery
    from busproc.kernels.jit import compiling_told

    with compiling_told(lambda line: click.echo(line, err=True)):
        found = verify_delivery(folder)
    click.echo(found.in_words())
    sys.exit(FAILED if found.faults else FINE)


@click.command()
@click.argument("folder", type=FILE)
@click.option(
    "--stems", "stems_folder", type=FILE, required=True, help="Folder that stands for the session's."
)
@click.option("--out", "out_dir", type=FILE, help="Keep what is rendered in this new folder.")
@click.option("--allow-outside", is_flag=True, help="Let paths of stems lead out of their folder.")
def recall(folder: Path, *, stems_folder: Path, out_dir: Path | None, allow_outside: bool) -> None:
    """Render a delivery again and compare every byte.

    It carries all it takes but the stems; their paths lead from the folder that held the session. Where a
    file does not come out the same, a table tells what may be the cause, and the exit code is 1.

    \b
    Example:
      busproc recall delivery --stems harbour_lamps
    """
    from busproc.delivery.recall import in_words
    from busproc.delivery.recall import recall as recall_delivery

    with progress_told() as progress:
        done = recall_delivery(folder, stems_folder, out_dir, allow_outside=allow_outside, progress=progress)
    click.echo(in_words(done))
    sys.exit(FINE if done.is_same else FAILED)


@click.command()
@click.argument("before", type=FILE)
@click.argument("after", type=FILE)
@click.option("--json", "as_json", is_flag=True, help="One JSON object in place of the words.")
def diff(before: Path, after: Path, *, as_json: bool) -> None:
    """Tell what changed from one revision to the next.

    Of two chain files or session files the settings; of two decision logs what was decided as well; of
    the folders of two deliveries also how far their sound lies apart.

    \b
    Example:
      busproc diff revision_2 revision_3
      busproc diff chains/bus.json chains/bus_louder.json
    """
    from busproc.delivery.diff import diff as find_changes
    from busproc.delivery.diff_words import in_words

    with progress_told() as progress:
        found = find_changes(before, after, progress)
    if as_json:
        print_file(json.dumps(found, indent=1, ensure_ascii=False) + "\n")
    else:
        click.echo(in_words(found))


@click.command()
@click.argument("files", nargs=-1, required=True, type=FILE)
@click.option("--json", "as_json", is_flag=True, help="One JSON list in place of the table.")
def meter(files: tuple[Path, ...], *, as_json: bool) -> None:
    """Measure loudness, peaks, dynamics and correlation.

    BS.1770-5 and EBU Tech 3342. A value that does not exist (silence, too short) shows as '-'.

    \b
    Example:
      busproc meter prints/*.wav
      busproc meter --json mix.wav | python -m json.tool
    """
    from busproc.delivery.writing import read_back
    from busproc.kernels.jit import compiling_told

    readings: list[dict[str, Any]] = []
    with compiling_told(lambda line: click.echo(line, err=True)):
        exit_code = for_each(files, lambda file: readings.append({"file": str(file), **read_back(file)}))
    if as_json:
        print_file(json.dumps(readings, indent=1, ensure_ascii=False) + "\n")
    elif readings:
        from busproc.words import meter_table

        click.echo(meter_table(readings))
    sys.exit(exit_code)


@click.command()
@click.argument("files", nargs=-1, required=True, type=FILE)
@click.option("--allow-outside", is_flag=True, help="Let paths in a session lead out of its folder.")
def validate(files: tuple[Path, ...], *, allow_outside: bool) -> None:
    """Check files of any kind and tell every fault.

    Chain, session, album, shootout and hit files. Everything a file names is checked with it: chains, audio
    files, routing.

    \b
    Example:
      busproc validate session.json chains/*.json
    """
    from busproc.validate import validate_file

    sys.exit(
        for_each(
            files, lambda file: click.echo(f"{file}: {validate_file(file, allow_outside=allow_outside)}")
        )
    )
