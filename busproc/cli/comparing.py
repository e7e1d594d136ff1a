"""Commands that compare: variations of a chain, and what listeners answered."""

from __future__ import annotations

from pathlib import Path

import click

from busproc.cli.terminal import FILE, jobs_told


@click.command()
@click.argument("shootout", type=FILE, required=False)
@click.option("--out", "out_dir", type=FILE, required=True, help="Folder for the results; made if missing.")
@click.option("--overwrite", is_flag=True, help="Replace the results of another shootout.")
@click.option("--refine", is_flag=True, help="Search for the goal, within the ranges that the file names.")
@click.option(
    "--numbered", type=FILE, metavar="FOLDER", help="Write numbered blind files; FOLDER takes keys."
)
@click.option("--reveal", type=FILE, metavar="ANSWERS", help="Tell what the answers to blind trials prove.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Jobs side by side.")
@click.option("--processes", is_flag=True, help="Side by side in processes instead of threads.")
@click.option("--cluster", metavar="ADDRESS", help="On the workers of a scheduler, as for busproc album.")
@click.option("--allow-outside", is_flag=True, help="Let paths in sessions lead out of their folders.")
def shootout(
    shootout: Path | None,
    *,
    out_dir: Path,
    overwrite: bool,
    refine: bool,
    numbered: Path | None,
    reveal: Path | None,
    jobs: int,
    processes: bool,
    cluster: str | None,
    allow_outside: bool,
) -> None:
    """Compare variations of a chain at one loudness.

    By figures and by ear: the file names songs, variations and passages. What comes out: every variation
    as a WAV file, a table of figures in the order of the goal if the file has one, and a page to listen
    on (open index.html in a browser; it starts quiet). The page saves answers to blind trials; --reveal reads
    them, with --out the folder of the shootout.

    \b
    Example:
      busproc shootout attack.json --out attack --jobs 2
      busproc shootout --reveal answers.json --out attack
    """
    if reveal is not None:
        _reveal(reveal, out_dir)
        return
    if shootout is None:
        raise click.UsageError("give a shootout file, or --reveal and answers")
    from busproc.engine import Engine
    from busproc.shootouts import words
    from busproc.shootouts.rendering import shootout as compare

    with jobs_told() as told:
        done = compare(
            shootout,
            out_dir,
            engine=Engine(jobs=jobs, processes=processes, cluster=cluster),
            overwrite=overwrite,
            allow_outside=allow_outside,
            refine=refine,
            keys_dir=numbered,
            progress=told,
        )
    click.echo(words.in_words(done.document), nl=False)
    click.echo(f"\nlisten (start quiet): {done.page}")


def _reveal(answers: Path, folder: Path) -> None:
    from busproc.shootouts.rendering import TRIALS, names_in
    from busproc.shootouts.reveal import reveal

    click.echo(reveal(answers, folder / TRIALS, names_in(folder)).in_words(), nl=False)
