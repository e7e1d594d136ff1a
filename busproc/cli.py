"""The command line: parse, call, print. The one place where errors become text and exit codes."""

from __future__ import annotations

import json
import sys
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from busproc.errors import BusprocError, InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

FINE, FAILED, WRONG_INPUT = 0, 1, 2
FILE = click.Path(path_type=Path)


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


@main.command()
@click.argument("session", type=FILE)
@click.option("--out", "out_dir", type=FILE, required=True, help="Folder for the results; made if missing.")
@click.option("--overwrite", is_flag=True, help="Replace files that are there.")
@click.option("--from", "from_s", type=float, metavar="SECONDS", help="Write only from here ..")
@click.option(
    "--to", "to_s", type=float, metavar="SECONDS", help=".. to here; equal to that part of the whole."
)
@click.option("--allow-outside", is_flag=True, help="Let paths in the session lead out of its folder.")
@click.option("--profile", is_flag=True, help="Tell afterwards which part of the work took how long.")
def render(
    session: Path,
    out_dir: Path,
    *,
    overwrite: bool,
    from_s: float | None,
    to_s: float | None,
    allow_outside: bool,
    profile: bool,
) -> None:
    """Render a session: the mix and its decision log.

    The session's "deliver" says which files are written.

    \b
    Example:
      busproc render harbour_lamps/session.json --out prints
    """
    from busproc import decisions
    from busproc.profile import profiled
    from busproc.rendering import render as render_song

    with profiled() if profile else nullcontext() as spent, _progress() as progress:
        done = render_song(
            session,
            out_dir,
            overwrite=overwrite,
            allow_outside=allow_outside,
            from_s=from_s,
            to_s=to_s,
            progress=progress,
        )
    for line in decisions.summary(done.decisions):
        click.echo(line)
    click.echo(
        f"written to {out_dir}: {', '.join(file.name for file in (*done.files, done.log, done.words))}"
    )
    if spent:
        click.echo(spent.table(done.decisions["frames"] / done.decisions["rate_hz"]))


@main.command("print")
@click.argument("session", type=FILE)
@click.option("--out", "out_dir", type=FILE, required=True, help="Folder for the delivery; made if missing.")
@click.option("--overwrite", is_flag=True, help="Replace files that are there.")
@click.option("--allow-outside", is_flag=True, help="Let paths in the session lead out of its folder.")
def print_(session: Path, out_dir: Path, *, overwrite: bool, allow_outside: bool) -> None:
    """Write a whole delivery: mix, stems that add up to it, versions.

    The session's "deliver" says which. With them come the decision log, a manifest of every file, and
    what it takes to make all of it again.

    \b
    Example:
      busproc print harbour_lamps/session.json --out delivery
    """
    from busproc import decisions
    from busproc.delivery.printing import print_session

    with _progress() as progress:
        done = print_session(
            session, out_dir, overwrite=overwrite, allow_outside=allow_outside, progress=progress
        )
    for line in decisions.summary(done.decisions):
        click.echo(line)
    click.echo(f"{len(done.files)} files written to {out_dir}, listed in delivery.json")


@main.command()
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


@main.command()
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

    with _progress() as progress:
        done = recall_delivery(folder, stems_folder, out_dir, allow_outside=allow_outside, progress=progress)
    click.echo(in_words(done))
    sys.exit(FINE if done.is_same else FAILED)


@main.command()
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

    with _progress() as progress:
        found = find_changes(before, after, progress)
    if as_json:
        _print_file(json.dumps(found, indent=1, ensure_ascii=False) + "\n")
    else:
        click.echo(in_words(found))


@main.command()
@click.argument("album", type=FILE)
@click.option("--out", "out_dir", type=FILE, required=True, help="Folder for the record; made if missing.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Songs side by side.")
@click.option("--allow-outside", is_flag=True, help="Let paths in sessions lead out of their folders.")
def album(album: Path, out_dir: Path, *, jobs: int, allow_outside: bool) -> None:
    """Deliver every song of a record through one shared chain.

    Each song enters the chain at the same drive and leaves at the loudness that the album file asks
    for; the report tells what departs. A song that is there already, made the same way, is left as it is.

    \b
    Example:
      busproc album lantern_hours.json --out record
    """
    from busproc.album import report
    from busproc.album.rendering import render_album

    with _progress() as progress:
        done = render_album(album, out_dir, jobs=jobs, allow_outside=allow_outside, progress=progress)
    click.echo(report.in_words(done.report), nl=False)
    made = len(done.rendered)
    click.echo(f"{made} of {len(done.report['songs'])} songs rendered, the others were there; see {out_dir}")


@main.command()
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
        exit_code = _for_each(files, lambda file: readings.append({"file": str(file), **read_back(file)}))
    if as_json:
        _print_file(json.dumps(readings, indent=1, ensure_ascii=False) + "\n")
    elif readings:
        from busproc.words import meter_table

        click.echo(meter_table(readings))
    sys.exit(exit_code)


@main.command()
@click.argument("files", nargs=-1, required=True, type=FILE)
@click.option("--allow-outside", is_flag=True, help="Let paths in a session lead out of its folder.")
def validate(files: tuple[Path, ...], *, allow_outside: bool) -> None:
    """Check chain, session and album files and tell every fault.

    Everything a session names is checked with it: chains, audio files, routing.

    \b
    Example:
      busproc validate session.json chains/*.json
    """
    from busproc.validate import validate_file

    sys.exit(
        _for_each(
            files, lambda file: click.echo(f"{file}: {validate_file(file, allow_outside=allow_outside)}")
        )
    )


@main.command()
@click.argument("kind", type=click.Choice(["chain", "session", "album"]))
def schema(kind: str) -> None:
    """Print the JSON Schema of chain, session or album files.

    For editors and other programs.

    \b
    Example:
      busproc schema chain > busproc-chain-1.schema.json
    """
    from busproc.schema import published

    _print_file(published(kind))


@main.command()
@click.option("--from", "folder", type=FILE, required=True, help="Folder of stems.")
@click.option("--song", help="Title; the current folder's name by default.")
def session(folder: Path, song: str | None) -> None:
    """Draft a session from a folder of stems.

    Prints JSON, to be saved in the current folder and edited. A stem in a sub-folder goes to a group of
    that folder's name; groups of the others are guessed from words in the file names (kick, snare, drum
    .. to drums; vox, choir .. to voices; and so on).

    \b
    Example:
      busproc session --from stems --song "Harbour Lamps" > session.json
    """
    from busproc.draft import draft_session, find_stems

    _print_file(draft_session(folder, song))
    for reason in find_stems(folder)[2]:
        click.echo(f"left out: {reason}", err=True)
    here = Path.cwd()
    hint = f"save it in {here}, from where its paths lead"
    if not folder.resolve().is_relative_to(here):
        hint += "; as the stems lie outside of that, validate and render it with --allow-outside"
    click.echo(hint, err=True)


@main.command()
@click.argument("name", required=False)
def presets(name: str | None) -> None:
    """List the chain files that come with busproc, or print one.

    \b
    Example:
      busproc presets
      busproc presets open_and_gentle > chains/bus.json
    """
    from busproc.presets import preset_list, preset_path

    if name is None:
        click.echo(preset_list())
    else:
        _print_file(preset_path(name).read_text(encoding="utf-8"))


@main.command()
@click.argument("file", type=FILE)
@click.option("--plot", "picture", type=FILE, help="Draw it into this file: .svg, .png or .pdf.")
@click.option("--rate-hz", type=click.IntRange(8000, 384000), default=48000, show_default=True)
@click.option("--overwrite", is_flag=True, help="Replace a picture that is there.")
def chain(file: Path, *, picture: Path | None, rate_hz: int, overwrite: bool) -> None:
    """Tell what a chain is set to, or draw what it does.

    Every curve is measured on the stage itself: gain over frequency, level out over level in, the pace
    of a gain.

    \b
    Example:
      busproc chain chains/bus.json
      busproc chain chains/bus.json --plot bus.svg
    """
    from busproc.chain import load_chain

    loaded = load_chain(file)
    if picture is None:
        from busproc.pictures.wording import chain_in_words

        click.echo(chain_in_words(loaded, rate_hz))
        return
    from busproc.pictures.layout import save_picture

    save_picture(loaded, picture, rate_hz, overwrite=overwrite)
    click.echo(f"drawn to {picture}")


@main.command()
@click.argument("name", required=False)
def stages(name: str | None) -> None:
    """List the stages of a chain, or show the settings of one.

    \b
    Example:
      busproc stages
      busproc stages compressor
    """
    from busproc.words import stage_list, stage_page

    click.echo(stage_list() if name is None else stage_page(name))


@main.command()
@click.argument("log", type=FILE)
def explain(log: Path) -> None:
    """Print a decision log in words.

    \b
    Example:
      busproc explain prints/Harbour_Lamps.decisions.json
    """
    from busproc import decisions

    click.echo(decisions.in_words(decisions.load(log)), nl=False)


@main.command()
@click.argument("folder", type=FILE, default=Path("busproc-demo"))
def demo(folder: Path) -> None:
    """Make an invented song, deliver it, tell what was decided.

    Its stems, session and chains go to FOLDER, mix, stems and versions to FOLDER/delivery. What you
    change in session and chains stays: run it again to hear it.

    \b
    Example:
      busproc demo
      busproc demo ~/harbour-lamps
    """
    from busproc import decisions
    from busproc.delivery.printing import print_session
    from busproc.demo import make_demo

    click.echo(f"making the stems of an invented song in {folder} (the first time takes a minute)", err=True)
    file = make_demo(folder)
    with _progress() as progress:
        done = print_session(file, folder / "delivery", overwrite=True, progress=progress)
    for line in decisions.summary(done.decisions):
        click.echo(line)
    click.echo("")
    click.echo(f"Listen to {done.files[0]} (start quiet), read {next(done.folder.glob('*.decisions.txt'))},")
    click.echo(f"change {file} or {folder / 'chains'}, and run busproc demo {folder} again.")


def _for_each(files: tuple[Path, ...], work: Callable[[Path], None]) -> int:
    """Do the work for each file, tell of those at fault and go on; returns the exit code."""
    exit_code = FINE
    for file in files:
        try:
            work(file)
        except InputError as error:
            exit_code = WRONG_INPUT
            click.echo(f"error: {error}", err=True)
    return exit_code


def _print_file(text: str) -> None:
    """Print what is to be saved as a file: UTF-8 whatever the terminal speaks."""
    click.echo(text.encode(), nl=False)


@contextmanager
def _progress() -> Iterator[Callable[[str, float], None]]:
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
