"""A chain in words: its stages, what they are set to, how late they are."""

from __future__ import annotations

from typing import Any

from busproc.chain import Chain
from busproc.settings import Settings, unit_of
from busproc.stages.base import Stage
from busproc.stages.context import Condition, Context
from busproc.studies import in_order

ELSEWHERE = frozenset({"stage", "name", "when", "stages"})
"""Settings that are told in the heading, or as stages of their own."""


def chain_in_words(chain: Chain, rate_hz: int) -> str:
    """Title, purpose, latency, and a line for each stage."""
    heads = [f"{where}  {headline(stage)}" for where, _, stage in in_order(chain.placed())]
    width = max(map(len, heads), default=0)
    lines = [
        f"{head:{width}}  {all_in_words(stage)}"
        for head, (*_, stage) in zip(heads, in_order(chain.placed()), strict=True)
    ]
    told = [text for text in (chain.title, chain.purpose, rate_in_words(chain, rate_hz)) if text]
    return "\n".join([*told, "", *(lines or ["no stages: every sample leaves as it came"])])


def rate_in_words(chain: Chain, rate_hz: int) -> str:
    """The rate, and the latency of a chain that decides as it streams."""
    frames = chain.plan(Context(rate_hz, facts=None)).latency_frames
    late = (
        f"latency {1000 * frames / rate_hz:.2f} ms at most, taken out by a render" if frames else "no latency"
    )
    return f"At {rate_hz} Hz; {late}."


def headline(stage: Stage) -> str:
    """Kind and name of a stage, and when it is wanted."""
    name = f" '{stage.name}'" if stage.name else ""
    return f"{stage.tag}{name}{_wanted(stage.when) if stage.when else ''}"


def _wanted(when: Condition) -> str:
    word, bound = ("above", when.above) if when.above is not None else ("below", when.below)
    return f", only where {when.measure} is {word} {bound:g}"


def stage_in_words(stage: Stage) -> str:
    """What a stage is set to, in a line."""
    return settings_in_words(stage) or "as by default"


def all_in_words(stage: Stage) -> str:
    """All that a stage is set to, in a line; what is off or empty is left out."""
    told = [
        _in_words(field.alias or key, value)
        for key, field in type(stage).model_fields.items()
        if key not in ELSEWHERE and (value := getattr(stage, key)) not in (None, ()) and value is not False
    ]
    return ", ".join(filter(None, told)) or "nothing to set"


def settings_in_words(settings: Settings) -> str:
    """What is set otherwise than by default, each with its unit.

    >>> from busproc.stages.compressor import Compressor
    >>> settings_in_words(Compressor(threshold_dbfs=-24.0, range_db=6.0, makeup_db="matched"))
    'threshold -24 dBFS, range 6 dB, makeup matched'
    """
    told = [
        _in_words(field.alias or key, getattr(settings, key))
        for key, field in type(settings).model_fields.items()
        if key not in ELSEWHERE and getattr(settings, key) != field.default
    ]
    return ", ".join(filter(None, told))


def _in_words(key: str, value: Any) -> str:
    unit = unit_of(key)
    bare = key.removesuffix("_" + unit.lower().replace("/", "_per_")).replace("_", " ")
    if isinstance(value, tuple):
        return f"{bare} ({'; '.join(map(settings_in_words, value)) or 'none'})"
    if isinstance(value, Settings):
        inside = settings_in_words(value)
        return inside and f"{bare} ({inside})"
    if value is None or isinstance(value, bool):
        return f"{bare} {'on' if value else 'off'}"
    if isinstance(value, str):
        return value.replace("_", " ") if key == "shape" else f"{bare} {value}"
    return f"{bare} {value:g} {unit}".rstrip()
