"""Commands that tell, draft and draw."""

from __future__ import annotations

from pathlib import Path

import click

from busproc.cli.terminal import FILE, print_file


@click.command()
@click.argument("kind", type=click.Choice(["chain", "session", "album", "shootout", "hits"]))
def schema(kind: str) -> None:
    """Print the JSON Schema of a kind of file.

    For editors and other programs.

    \b
    Example:
      busproc schema chain > busproc-chain-1.schema.json
    """
    from busproc.schema import published

    print_file(published(kind))


@click.command()
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

    print_file(draft_session(folder, song))
    for reason in find_stems(folder)[2]:
        click.echo(f"left out: {reason}", err=True)
    here = Path.cwd()
    hint = f"save it in {here}, from where its paths lead"
    if not folder.resolve().is_relative_to(here):
        hint += "; as the stems lie outside of that, validate and render it with --allow-outside"
    click.echo(hint, err=True)


@click.command()
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
        print_file(preset_path(name).read_text(encoding="utf-8"))


@click.command()
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


@click.command()
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


@click.command()
@click.argument("log", type=FILE)
def explain(log: Path) -> None:
    """Print a decision log in words.

    \b
    Example:
      busproc explain prints/Harbour_Lamps.decisions.json
    """
    from busproc import decisions

    click.echo(decisions.in_words(decisions.load(log)), nl=False)
