"""What a check has found as one document, and as plain text."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from busproc.checking.findings import tidy
from busproc.checking.hearing import mixed, sounding
from busproc.pages.markup import clock
from busproc.pruning import words

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from busproc.checking.findings import Finding
    from busproc.checking.together import Masked, Together
    from busproc.measure.alignment import Aligned
    from busproc.measure.masking import Hiding
    from busproc.song import Song

FORMAT = "busproc-check/1"
SHOWN_PAIRS = 6
LEAST_COST = 0.001
KINDS = {
    "phase": "Phase",
    "masking": "Masking",
    "silence": "Silence",
    "dc": "Constant",
    "clipping": "Clipping",
    "clicks": "Clicks",
    "hum": "Hum",
    "cutoff": "Cut-off",
    "one_sound": "Mono as stereo",
    "inverted": "Inverted channel",
    "low_end": "Low end",
    "late": "Late start",
    "double": "Twice the same",
}

Document = dict[str, Any]


def build(
    song: Song,
    findings: Sequence[Finding],
    together: Together,
    masked: Masked,
    phases: Iterable[Mapping[tuple[str, str], Aligned]],
    temperature_c: float,
) -> Document:
    """Put all together."""
    pairs = {pair: heard for phase in phases for pair, heard in phase.items()}
    return {
        "format": FORMAT,
        "song": song.session.song,
        "rate_hz": song.rate_hz,
        "length_s": round(song.frames / song.rate_hz, 2),
        "temperature_c": temperature_c,
        "needs_doing": any(each.needs_doing for each in findings),
        "findings": [each.as_dict() for each in findings],
        "stems": [_stem(song, stem.name, together) for stem in song.session.stems],
        "phase": [_pair(song, *pair, heard) for pair, heard in pairs.items()],
        "masking": {
            "freqs_hz": [round(hz, 1) for hz in masked.freqs_hz],
            "pairs": [_hiding(pair) for pair in masked.worst],
            "by_second": tidy(masked.by_second),
            "against_rest": [_by_band(pair) for pair in masked.rest],
        },
    }


def in_words(document: Document) -> str:
    """The document as plain text."""
    return "\n".join(_lines(document)) + "\n"


def in_short(document: Document) -> str:
    """What came out, in a sentence."""
    stems = sum(each["searched"] for each in document["stems"])
    heard = f"{_count(stems, 'stem')}, {_count(len(document['phase']), 'pair')} that may share a source"
    costly = sum(each["needs_doing"] for each in document["findings"])
    free = len(document["findings"]) - costly
    if not costly:
        fault = f"{_count(free, 'finding')} {_costs(free)}" if free else "no fault was found"
        return f"Nothing needs doing: {heard} and what hides what were heard, and {fault}."
    besides = f", and {free} more that {_costs(free)}" if free else ""
    return f"{_count(costly, 'finding')} in {heard}{besides}. Nothing has been changed."


def cost_in_words(finding: Mapping[str, Any]) -> str:
    """What a finding costs and how sure it is."""
    return f"{_cost(finding)}, confidence {finding['confidence']:.2f}"


def _cost(finding: Mapping[str, Any]) -> str:
    if not finding["needs_doing"]:
        return "costs the mix nothing and may stay"
    if finding["cost"] < LEAST_COST:
        return f"costs less than {100 * LEAST_COST:g} % of the mix"
    return f"costs {100 * finding['cost']:.1f} % of the mix"


def where_in_words(finding: Mapping[str, Any], most: int = 6) -> str:
    """The passages of a finding, empty for the whole."""
    passages = [f"{clock(from_s)} to {clock(to_s)}" for from_s, to_s in finding["where_s"][:most]]
    more = len(finding["where_s"]) - most
    return ", ".join(passages) + (f" and {more} more" if more > 0 else "")


def known_pairs(document: Document) -> list[Document]:
    """The pairs whose delay is known."""
    return [pair for pair in document["phase"] if pair["delay_ms"] is not None]


def _lines(document: Document) -> Iterator[str]:
    title = f"{document['song']}, before the mix"
    yield title
    yield "=" * len(title)
    yield in_short(document)
    for number, each in enumerate(document["findings"], 1):
        yield ""
        yield f"{number}. {KINDS[each['kind']]}: {each['words']}"
        where = where_in_words(each)
        yield f"   {cost_in_words(each)}{f'; at {where}' if where else ''}"
        for trial in each["tried"]:
            yield f"   tried {trial['words']}{'' if trial['works'] else ' (not enough)'}"
        if each["suggestion"]:
            yield f"   suggested: {as_json(each['suggestion'])}"
    if spared := left_out_in_words(document):
        yield ""
        yield "What could be left out, as it changes nothing one could hear (render --prune does)"
        yield from (f"  {line}" for line in spared)
    known = known_pairs(document)
    if known:
        yield ""
        yield "Pairs that correlate"
        for pair in known:
            yield f"  {pair['one']}, {pair['other']}: {pair['delay_ms']:+.3f} ms, {pair['why']}"
    pairs = document["masking"]["pairs"]
    if pairs:
        yield ""
        yield "What hides what most (share of loudness that is lost)"
        for pair in pairs[:SHOWN_PAIRS]:
            where = f"around {pair['freq_hz']:.0f} Hz, worst at {clock(pair['worst_s'][0])}"
            yield f"  {pair['loss']:.2f}  {pair['masked']} under {pair['masker']}, {where}"


def left_out_in_words(document: Document) -> list[str]:
    """Sentences on stages that could be left out; none where it was not tried."""
    return [] if document["left_out"] is None else list(words.left_out_in_words(document["left_out"]))


def as_json(value: Any) -> str:
    """A suggestion as it is pasted."""
    return json.dumps(value, ensure_ascii=False)


def _stem(song: Song, name: str, together: Together) -> Document:
    file, stem = song.files[name], song.files[name].stem
    return {
        "name": name,
        "file": stem.file,
        "group": stem.group,
        "searched": name in sounding(song),
        "in_mix": name in mixed(song),
        "rate_hz": file.info.rate_hz,
        "channels": file.info.channels,
        "lufs_at_mix_bus": tidy(together.lufs.get(name)),
        "share": tidy(together.shares.get(name, 0.0)),
    }


def _pair(song: Song, one: str, other: str, heard: Aligned) -> Document:
    frames = heard.delay_frames
    return _tidied(
        {
            "one": one,
            "other": other,
            "verdict": heard.verdict,
            "why": heard.why,
            "confidence": float(heard.confidence),
            "delay_ms": None if frames is None else 1000 * frames / song.rate_hz,
            "delay_frames": frames,
            "path_cm": heard.path_cm,
            "polarity": heard.polarity,
        }
    )


def _hiding(pair: Hiding) -> Document:
    return _tidied(
        {
            "masked": pair.masked,
            "masker": pair.masker,
            "loss": pair.loss,
            "freq_hz": pair.freq_hz,
            "loss_in_band": pair.loss_by_band[pair.band],
            "covered_in_band": pair.covered_by_band[pair.band],
            "sounds_in_band": pair.sounds_by_band[pair.band],
            "worst_s": list(pair.worst),
        }
    )


def _by_band(pair: Hiding) -> Document:
    return _tidied(
        {
            "stem": pair.masked,
            "loss": pair.loss,
            "loss_by_band": list(pair.loss_by_band),
            "sounds_by_band": list(pair.sounds_by_band),
            "freq_hz": pair.freq_hz,
            "worst_s": list(pair.worst),
        }
    )


def _tidied(document: Document) -> Document:
    return {key: tidy(value) for key, value in document.items()}


def _costs(number: int) -> str:
    return f"cost{'s' if number == 1 else ''} the mix nothing"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
