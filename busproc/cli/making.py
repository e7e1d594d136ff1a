"""Commands that make something: renders, deliveries, records, the demo."""

from __future__ import annotations

import shlex
from contextlib import nullcontext
from pathlib import Path

import click

from busproc.cli.terminal import FILE, jobs_told, progress_told


@click.command()
@click.argument("session", type=FILE)
@click.option("--out", "out_dir", type=FILE, required=True, help="Folder for the results; made if missing.")
@click.option("--overwrite", is_flag=True, help="Replace files that are there.")
@click.option("--from", "from_s", type=float, metavar="SECONDS", help="Write only from here ..")
@click.option(
    "--to", "to_s", type=float, metavar="SECONDS", help=".. to here; equal to that part of the whole."
)
@click.option("--allow-outside", is_flag=True, help="Let paths in the session lead out of its folder.")
@click.option("--prune", is_flag=True, help="Leave out stages that change nothing one could hear.")
@click.option("--profile", is_flag=True, help="Tell afterwards which part of the work took how long.")
def render(
    session: Path,
    out_dir: Path,
    *,
    overwrite: bool,
    from_s: float | None,
    to_s: float | None,
    allow_outside: bool,
    prune: bool,
    profile: bool,
) -> None:
    """Render a session: the mix and its decision log.

    The session's "deliver" says which mixes are written; its stems and versions are for busproc print.

    \b
    Example:
      busproc render harbour_lamps/session.json --out prints
    """
    from busproc import decisions
    from busproc.profile import profiled
    from busproc.rendering import render as render_song

    with profiled() if profile else nullcontext() as spent, progress_told() as progress:
        done = render_song(
            session,
            out_dir,
            overwrite=overwrite,
            allow_outside=allow_outside,
            from_s=from_s,
            to_s=to_s,
            prune=prune,
            progress=progress,
        )
    for line in decisions.summary(done.decisions):
        click.echo(line)
    click.echo(
        f"written to {out_dir}: {', '.join(file.name for file in (*done.files, done.log, done.words))}"
    )
    if spent:
        click.echo(spent.table(done.decisions["frames"] / done.decisions["rate_hz"]))


@click.command("print")
@click.argument("session", type=FILE)
@click.option("--out", "out_dir", type=FILE, required=True, help="Folder for the delivery; made if missing.")
@click.option("--overwrite", is_flag=True, help="Replace what is there; an earlier delivery goes whole.")
@click.option("--allow-outside", is_flag=True, help="Let paths in the session lead out of its folder.")
@click.option("--prune", is_flag=True, help="Leave out stages that change nothing one could hear.")
def print_(session: Path, out_dir: Path, *, overwrite: bool, allow_outside: bool, prune: bool) -> None:
    """Write a whole delivery: mix, stems that add up to it, versions.

    The session's "deliver" says which. With them come the decision log, a manifest of every file, and
    what it takes to make all of it again.

    \b
    Example:
      busproc print harbour_lamps/session.json --out delivery
    """
    from busproc import decisions
    from busproc.delivery.printing import print_session

    with progress_told() as progress:
        done = print_session(
            session,
            out_dir,
            overwrite=overwrite,
            allow_outside=allow_outside,
            prune=prune,
            progress=progress,
        )
    for line in decisions.summary(done.decisions):
        click.echo(line)
    sounds = len(done.manifest["files"])
    click.echo(f"{sounds} sound file{'s' * (sounds > 1)} written to {out_dir}, listed in delivery.json")


@click.command()
@click.argument("album", type=FILE, required=False)
@click.option("--from", "stems", type=FILE, metavar="FOLDER", help="Draft an album of the songs in FOLDER.")
@click.option("--out", "out_dir", type=FILE, help="Folder for the record; made if missing.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Songs side by side.")
@click.option("--processes", is_flag=True, help="Side by side in processes instead of threads.")
@click.option("--cluster", metavar="ADDRESS", help="On the workers of a scheduler; see below.")
@click.option("--dry-run", is_flag=True, help="Tell what would be rendered, and why; write nothing.")
@click.option("--allow-outside", is_flag=True, help="Let paths in sessions lead out of their folders.")
def album(
    album: Path | None,
    *,
    stems: Path | None,
    out_dir: Path | None,
    jobs: int,
    processes: bool,
    cluster: str | None,
    dry_run: bool,
    allow_outside: bool,
) -> None:
    """Deliver every song of a record through one shared chain.

    Each song enters the chain at the same drive and leaves at the loudness that the album file asks
    for; the report tells what departs. A song that is there already, made the same way, is left as it
    is, so a run that was stopped goes on where it was.

    With --from it writes a first album, chain and sessions for a folder that holds a folder of stems for
    each song, to be edited; nothing that is there is written over.

    With --cluster songs are rendered by the workers of a scheduler (tcp://host:port) on a network that
    you trust: they need this version of busproc, and the files under the same paths.

    \b
    Example:
      busproc album --from lantern_hours
      busproc album lantern_hours/album.json --out record
      busproc album lantern_hours/album.json --out record --dry-run
    """
    from busproc.album import report
    from busproc.album.rendering import plan_album, render_album
    from busproc.engine import Engine

    if stems is not None:
        _draft_album(stems)
        return
    if album is None or out_dir is None:
        raise click.UsageError("give an album file and --out, or --from a folder of songs")
    if dry_run:
        with progress_told() as progress:
            plan = plan_album(album, out_dir, allow_outside=allow_outside, progress=progress)
        for todo in plan:
            click.echo(todo.in_words())
        return
    with jobs_told() as told:
        done = render_album(
            album,
            out_dir,
            engine=Engine(jobs=jobs, processes=processes, cluster=cluster),
            allow_outside=allow_outside,
            progress=told,
        )
    click.echo(report.in_words(done.report), nl=False)
    made, there = len(done.rendered), len(done.report["songs"]) - len(done.rendered)
    click.echo(f"{made} rendered, {there} left as they were; see {out_dir}")
    if done.left_over:
        click.echo(f"left of an earlier order, to be deleted if nobody needs it: {', '.join(done.left_over)}")


def _draft_album(folder: Path) -> None:
    from busproc.album.drafting import draft_album
    from busproc.errors import InputError
    from busproc.files import atomic_files

    draft = draft_album(folder)
    there = [file for file in draft.texts if file.exists()]
    if there:
        raise InputError(f"{there[0]} is there already; move it away to draft anew")
    with atomic_files(list(draft.texts)) as parts:
        for part, text in zip(parts, draft.texts.values(), strict=True):
            part.write_text(text, encoding="utf-8")
    for line in draft.songs:
        click.echo(line)
    for line in draft.left_out:
        click.echo(f"left out: {line}", err=True)
    file = next(iter(draft.texts))
    click.echo(f"{len(draft.texts)} files written. {draft.hint}")
    click.echo(f"Then: busproc album {shlex.quote(str(file))} --out record")


@click.command()
@click.argument("folder", type=FILE, required=False)
@click.option("--album", "is_album", is_flag=True, help="Make a record of four songs.")
def demo(folder: Path | None, *, is_album: bool) -> None:
    """Make an invented song, deliver it, tell what was decided.

    Its stems, session and chains go to FOLDER (busproc-demo), mix, stems and versions to
    FOLDER/delivery. With --album it is a record of four songs, mixed 9 dB apart, in FOLDER
    (busproc-demo-album), and FOLDER/record holds every song and the reel. What you change in session,
    album and chains stays: run it again to hear it.

    \b
    Example:
      busproc demo
      busproc demo --album
      busproc demo ~/harbour-lamps
    """
    if is_album:
        _demo_record(folder or Path("busproc-demo-album"))
    else:
        _demo_song(folder or Path("busproc-demo"))


def _demo_song(folder: Path) -> None:
    from busproc import decisions
    from busproc.delivery.printing import print_session
    from busproc.demo import make_demo

    click.echo(f"making the stems of an invented song in {folder} (the first time takes a minute)", err=True)
    file = make_demo(folder)
    with progress_told() as progress:
        done = print_session(file, folder / "delivery", overwrite=True, progress=progress)
    for line in decisions.summary(done.decisions):
        click.echo(line)
    click.echo("")
    click.echo(f"Listen to {done.files[0]} (start quiet), read {next(done.folder.glob('*.decisions.txt'))},")
    click.echo(f"change {file} or {folder / 'chains'}, and run busproc demo {folder} again.")


def _demo_record(folder: Path) -> None:
    from busproc.album import report
    from busproc.album.rendering import render_album
    from busproc.demo import make_demo_record

    click.echo(f"making a record of four songs in {folder} (the first time takes a minute)", err=True)
    file = make_demo_record(folder)
    with jobs_told() as told:
        done = render_album(file, folder / "record", progress=told)
    click.echo(report.in_words(done.report))
    reel = done.report.get("reel")
    click.echo(f"Listen to {done.folder / reel['file'] if reel else done.folder} (start quiet),")
    click.echo(f"change {file} or {folder / 'chains'}, and run busproc demo --album {folder} again.")
