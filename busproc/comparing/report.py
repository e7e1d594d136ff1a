"""What a comparison has found as one document, and as plain text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from statistics import median
from typing import Any

import numpy as np

from busproc.chain import Chain
from busproc.comparing import words
from busproc.comparing.curves import curve_db
from busproc.comparing.measures import Figure, Measures
from busproc.comparing.moves import Move, Moves
from busproc.comparing.same import Copy
from busproc.comparing.sounds import Heard, Sound
from busproc.measure.decibels import rounded
from busproc.measure.spectrum import midband_hz
from busproc.pages.markup import clock, shown
from busproc.stages.eq import Eq
from busproc.stages.eq_bands import Shaped
from busproc.stages.observe import NOMINAL_HZ

FORMAT = "busproc-comparison/1"

Document = dict[str, Any]


def build(
    sounds: Sequence[Sound],
    measures: Sequence[Measures],
    copies: Sequence[Copy | None],
    moves: Moves,
    heard: Heard,
) -> Document:
    """Put all together.

    Parameters
    ----------
    sounds, measures
        The mix first, then the references.
    copies
        For each reference, what it is as a copy of the mix, if it is one.
    moves
        What was tried.
    heard
        What was compared of each.
    """
    about = [_sound(*each) for each in zip(sounds, measures, strict=True)]
    loud = about[0]["integrated_lufs"]
    for each in about:
        each["gain_db"] = round(loud - each["integrated_lufs"], 2) + 0.0
    _tell_apart(about, [each.path.parent.name for each in sounds])
    references = [
        each | {"same_programme": _same(copy, sounds[0])}
        for each, copy in zip(about[1:], copies, strict=True)
    ]
    balance = [_balance_row(hz, about) for hz in NOMINAL_HZ]
    theirs = [_by_name(each) for each in measures[1:]]
    figures = [_figure_row(each, theirs) for each in measures[0].figures()]
    return {
        "format": FORMAT,
        "heard": heard,
        "mix": about[0],
        "references": references,
        "findings": words.findings(balance, figures),
        "remarks": words.about_references(references),
        "balance": balance,
        "figures": figures,
        "moves": _moves(moves),
    }


def in_words(document: Document) -> str:
    """The document as plain text."""
    return "\n".join(_lines(document)) + "\n"


def chain_document(chain: Chain) -> Document:
    """A chain as it stands in a file: what is set, and nothing else."""
    return chain.model_dump(mode="json", by_alias=True, exclude_unset=True)


def _by_name(measures: Measures) -> dict[tuple[str, str], float | None]:
    """Figures by what they are of."""
    return {(each.what, each.band): each.value for each in measures.figures()}


def _sound(sound: Sound, measures: Measures) -> Document:
    first, last = sound.span
    return {
        "name": sound.path.stem,
        "file": sound.path.name,
        "rate_hz": sound.rate_hz,
        "from_s": round(first / sound.rate_hz, 1),
        "to_s": round(last / sound.rate_hz, 1),
        **{key: measures.reading().as_dict()[key] for key in ("integrated_lufs", "true_peak_dbtp")},
        "balance_db": {hz: rounded(level, 2) for hz, level in measures.balance_db().items()},
        "brightness_hz_each_s": [rounded(hz, 0) for hz in measures.brightness_hz()],
    }


def _tell_apart(about: Sequence[Document], folders: Sequence[str]) -> None:
    """Names that stand twice get their folder's before them."""
    names = Counter(each["name"] for each in about)
    for each, folder in zip(about, folders, strict=True):
        if names[each["name"]] > 1:
            each["name"] = f"{folder}/{each['name']}"


def _same(copy: Copy | None, mix: Sound) -> Document | None:
    if copy is None:
        return None
    return {
        "late_ms": round(1000 * copy.late_frames / mix.rate_hz, 2) + 0.0,
        "explained": round(copy.explained, 4),
    }


def _balance_row(hz: str, about: Sequence[Document]) -> Document:
    ours, *theirs = (each["balance_db"].get(hz) for each in about)
    return {"hz": hz, **_beside(ours, theirs, 2)}


def _figure_row(figure: Figure, theirs: Sequence[dict[tuple[str, str], float | None]]) -> Document:
    values = [each.get((figure.what, figure.band)) for each in theirs]
    return {
        "what": figure.what,
        "band": figure.band,
        "unit": figure.unit,
        **_beside(figure.value, values, 2 if figure.unit == "dB" else 1),
    }


def _beside(ours: float | None, theirs: Sequence[float | None], digits: int) -> Document:
    """A value beside the references': their median, their range, and how far it lies from them."""
    known = [each for each in theirs if each is not None]
    lowest, middle, highest = (min(known), median(known), max(known)) if known else (None, None, None)
    both = ours is not None and middle is not None
    return {
        "mix": rounded(ours, digits),
        "references": [rounded(each, digits) for each in theirs],
        "lowest": rounded(lowest, digits),
        "median": rounded(middle, digits),
        "highest": rounded(highest, digits),
        "difference": rounded(ours - middle, digits) if both else None,  # type: ignore[operator]
        "outside": rounded(max(ours - highest, 0.0) + min(ours - lowest, 0.0), digits) if both else None,  # type: ignore[operator]
    }


def _moves(moves: Moves) -> Document:
    return {
        "capped": moves.capped,
        "before": moves.before.as_dict(),
        "tried": [_move(each) for each in moves.tried],
        "curve_db": _curve(moves.chain),
        "chain": chain_document(moves.chain) if moves.chain else None,
    }


def _move(move: Move) -> Document:
    return {"kind": move.kind, "words": move.words, "away": move.away.as_dict()}


def _curve(chain: Chain | None) -> dict[str, float]:
    """What the bells and shelves on left and right do, in each third octave."""
    stages = [stage for stage in chain.stages if isinstance(stage, Eq)] if chain else []
    bands = [
        band
        for stage in stages
        for band in stage.bands
        if isinstance(band, Shaped) and band.on == "left_right"
    ]
    hz = np.array([midband_hz(n - 17) for n in range(len(NOMINAL_HZ))])
    values = curve_db(bands, hz).tolist() if bands else []
    return {name: round(value, 2) + 0.0 for name, value in zip(NOMINAL_HZ, values, strict=False)}


def _lines(document: Document) -> Iterator[str]:
    mix, references = document["mix"], document["references"]
    yield f"{mix['name']} against {', '.join(each['name'] for each in references)}"
    yield ""
    for each in (mix, *references):
        yield (
            f"{each['name']}: {clock(each['from_s'])} to {clock(each['to_s'])}, {each['rate_hz']} Hz, "
            f"{shown(each['integrated_lufs'])} LUFS, {shown(each['gain_db'], signed=True)} dB to match"
        )
    yield ""
    yield from document["findings"] or ["Nothing lies outside the references by enough to be named."]
    yield ""
    yield from document["remarks"]
    yield ""
    yield f"{'Balance, dB at equal loudness':46s}" + _heads(references)
    for row in document["balance"]:
        yield f"{row['hz'] + ' Hz':46s}" + _cells(row, references)
    yield ""
    yield f"{'Figures':46s}" + _heads(references)
    for row in document["figures"]:
        name = f"{row['what']}, {words.band_in_words(row['band'])}, {row['unit']}"
        yield f"{name:46s}" + _cells(row, references, words.digits_of(row))
    yield ""
    yield from _moves_in_words(document["moves"])


def _heads(references: Sequence[Document]) -> str:
    several = f"{'lowest':>9s}{'highest':>9s}" if len(references) > 1 else ""
    return f"{'mix':>9s}{'median':>9s}{several}{'apart':>9s}"


def _cells(row: Document, references: Sequence[Document], digits: int = 1) -> str:
    keys = ["mix", "median", *(["lowest", "highest"] if len(references) > 1 else [])]
    values = [shown(row[key], digits) for key in keys]
    return "".join(f"{each:>9s}" for each in [*values, shown(row["difference"], digits, signed=True)])


def _moves_in_words(moves: Document) -> Iterator[str]:
    yield words.about_moves(moves)
    rows = [{"words": "as it stands", "away": moves["before"]}, *moves["tried"]]
    yield f"{'Away from the references, dB':50s}{'balance':>9s}{'most':>9s}{'width':>9s}{'dynamics':>9s}"
    for row in rows:
        values = (shown(value, 2) for value in row["away"].values())
        yield f"{row['words']:50s}" + "".join(f"{each:>9s}" for each in values)
