"""Commands that listen before anything is rendered: to stems, to a mix beside references, for hits."""

from __future__ import annotations

import json
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from busproc.cli.terminal import FILE, jobs_told, print_file, progress_told


@click.command()
@click.argument("session", type=FILE)
@click.option("--out", "out_dir", type=FILE, help="Folder for the findings as a page and as JSON.")
@click.option("--write", "chains", type=FILE, metavar="FOLDER", help="Write stem chains that won something.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Jobs side by side.")
@click.option("--allow-outside", is_flag=True, help="Let paths in the session lead out of its folder.")
@click.option("--temperature-c", type=float, default=20.0, show_default=True, help="Air, for paths in cm.")
@click.option("--stages", is_flag=True, help="Also hear the song without each stage: a render for each.")
def check(
    session: Path,
    *,
    out_dir: Path | None,
    chains: Path | None,
    jobs: int,
    allow_outside: bool,
    temperature_c: float,
    stages: bool,
) -> None:
    """Listen to the stems before the bus makes faults worse.

    Phase between stems that share a source, stems that hide each other, faults of files: in the order of
    what they cost the mix, each with what was tried. Nothing is changed.

    \b
    Example:
      busproc check harbour_lamps/session.json --out findings
    """
    from busproc.checking.check import check as listen
    from busproc.engine import Engine

    with jobs_told() as told:
        found = listen(
            session,
            engine=Engine(jobs=jobs),
            allow_outside=allow_outside,
            temperature_c=temperature_c,
            stages=stages,
            progress=told,
        )
    click.echo(found.in_words(), nl=False)
    if out_dir is not None:
        _write(out_dir, "check", found.page, found.as_dict())
    if chains is not None:
        for file in found.write_remedies(chains):
            click.echo(f"written: {file}")


@click.command()
@click.argument("mix", type=FILE)
@click.argument("references", type=FILE, nargs=-1, required=True)
@click.option(
    "--heard",
    type=click.Choice(["whole", "loudest", "quietest", "most_changing"]),
    default="whole",
    show_default=True,
    help="What of each is compared.",
)
@click.option("--out", "out_dir", type=FILE, help="Folder for a page, JSON, and the moves as a chain.")
def compare(mix: Path, references: tuple[Path, ...], *, heard: Any, out_dir: Path | None) -> None:
    """Hold a mix beside references, at one loudness.

    Balance, dynamics, width and attacks, each against the range of the references; and the few broad
    moves that would bring the mix nearer, tried through the real chain. Nothing is changed.

    \b
    Example:
      busproc compare mix.wav reference.wav another.wav --out compared
    """
    from busproc.comparing.compare import compare as hold_beside

    with progress_told() as progress:
        found = hold_beside(mix, references, heard=heard, progress=progress)
    click.echo(found.in_words(), nl=False)
    if out_dir is not None:
        _write(out_dir, "compare", found.page, found.as_dict(), found.chain_text)


@click.command()
@click.argument("stem", type=FILE)
@click.option("--out", "file", type=FILE, help="Write the list into this file instead of printing it.")
@click.option("--plot", "picture", type=FILE, help="Draw them into this file: .svg, .png or .pdf.")
@click.option("--overwrite", is_flag=True, help="Replace files that are there.")
def hits(stem: Path, *, file: Path | None, picture: Path | None, overwrite: bool) -> None:
    """Find the hits of a drum's stem, for samples to be played at.

    Prints JSON, a line for each hit: when it begins, how strong it is, how sure it is that there is one.
    Look at those that are unsure, take out, move or add lines, and name the file in a session's
    "reinforce".

    \b
    Example:
      busproc hits stems/snare.wav --out snare.hits.json --plot snare.png
    """
    from busproc.errors import InputError
    from busproc.files import atomic_files
    from busproc.hits.finding import find_hits
    from busproc.hits.telling import hits_in_words, hits_text

    written = [each for each in (file, picture) if each is not None]
    if len({each.resolve() for each in (stem, *written)}) <= len(written):
        raise InputError(f"{stem}: stem, list and picture are different files; name them apart")
    with ExitStack() as whole:
        (part,) = whole.enter_context(atomic_files([file], overwrite=overwrite)) if file else (None,)
        if picture is not None:
            from busproc.pictures.saving import picture_file

            save = whole.enter_context(picture_file(picture, stem.name, overwrite=overwrite))
        with progress_told() as progress:
            found = find_hits(stem, progress)
        if picture is not None:
            from busproc.pictures.hits import draw_hits

            save(draw_hits(stem, found))
        if part is None:
            print_file(hits_text(found))
        else:
            part.write_text(hits_text(found), encoding="utf-8")
    click.echo(f"{stem.name}: {hits_in_words(found)}", err=True)


def _write(folder: Path, name: str, page: str, document: dict[str, Any], chain: str | None = None) -> None:
    from busproc.files import atomic_files, folder_for

    texts = {f"{name}.html": page, f"{name}.json": json.dumps(document, indent=1, ensure_ascii=False) + "\n"}
    if chain is not None:
        texts["moves.json"] = chain
    files = [folder_for(folder) / each for each in texts]
    with atomic_files(files, overwrite=True) as parts:
        for part, text in zip(parts, texts.values(), strict=True):
            part.write_text(text, encoding="utf-8")
    click.echo(f"written: {', '.join(map(str, files))}")
