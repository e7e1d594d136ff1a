"""Random valid settings of any stage, drawn from its published schema; sounds to try them on."""

from __future__ import annotations

import numpy as np
from hypothesis import reject
from hypothesis import strategies as st
from pydantic import ValidationError

from busproc.jsonfile import schema_of
from busproc.settings import Settings
from busproc.stages import REGISTRY, AnyStage
from busproc.stages.base import Stage
from busproc.stages.composite import Composite
from busproc.stages.context import Context

RATE_HZ = 48000
RATES_HZ = (44100, 48000, 96000, 192000)
TAGS = list(REGISTRY)
TRIES = 8
A_FILE = {"type": "string", "minLength": 1, "maxLength": 400}
"""What may name a file: there is none here."""

COMPOSITES = tuple(stage.__name__ for stage in REGISTRY.values() if issubclass(stage, Composite))


class Holder(Settings):
    """One stage of any kind, so that JSON can name it."""

    format: str = "holder"
    inner: AnyStage


def settings_of(tag: str, depth: int = 1) -> st.SearchStrategy[Stage]:
    """Stages of a kind with random valid settings, no condition."""
    schema = schema_of(REGISTRY[tag])
    return _value(schema, schema, depth).map(REGISTRY[tag].model_validate)


def _value(node, schema, depth):
    if "$ref" in node:
        return _value(schema["$defs"][node["$ref"].rpartition("/")[2]], schema, depth)
    if "anyOf" in node:
        options = [option for option in node["anyOf"] if option != A_FILE]
        return st.one_of([_value(option, schema, depth) for option in options])
    if "oneOf" in node:
        options = [option for option in node["oneOf"] if depth or not option["$ref"].endswith(COMPOSITES)]
        return st.one_of([_value(option, schema, depth - 1) for option in options])
    if "const" in node:
        return st.just(node["const"])
    if "enum" in node:
        return st.sampled_from(node["enum"])
    return _plain(node, schema, depth)


def _plain(node, schema, depth):
    match node["type"]:
        case "null":
            return st.none()
        case "number":
            return st.floats(node["minimum"], node["maximum"])
        case "integer":
            return st.integers(node["minimum"], node["maximum"])
        case "boolean":
            return st.booleans()
        case "string":
            return st.sampled_from(["kick", "voice", "hall"])
        case "array":
            return st.lists(_value(node["items"], schema, depth), max_size=3 if depth else 1).map(tuple)
        case "object":
            return _object(node, schema, depth)
    raise AssertionError(node)


def _object(node, schema, depth):
    properties = {key: value for key, value in node["properties"].items() if key not in {"when", "name"}}
    drawn = st.fixed_dictionaries({key: _value(value, schema, depth) for key, value in properties.items()})
    return _that_go_together(drawn) if "stage" in properties else drawn


@st.composite
def _that_go_together(draw, drawn):
    """Settings that a stage allows together; a filter would write out the whole strategy when it retries."""
    for _ in range(TRIES):
        values = draw(drawn)
        if _go_together(values):
            return values
    return reject()


def _go_together(values):
    """Whether a stage allows these settings together."""
    try:
        REGISTRY[values["stage"]].model_validate(values)
    except ValidationError:
        return False
    return True


def programme(frames: int, seed: int = 0, peak: float = 0.9) -> np.ndarray:
    """A seeded sound with swells, a low tone, bursts and a silence: `(frames, 2)`."""
    rng = np.random.default_rng(seed)
    time = np.arange(frames) / RATE_HZ
    swell = 0.3 + 0.7 * np.sin(2 * np.pi * 3.1 * time + seed) ** 2
    low = np.sin(2 * np.pi * 110 * time)[:, None] * [0.5, 0.4]
    noise = rng.normal(size=(frames, 2)) * (rng.random((frames, 1)) < 0.3)
    sound = swell[:, None] * (low + 0.2 * noise)
    sound[frames // 2 : frames // 2 + frames // 10] = 0
    return peak * sound / np.abs(sound).max()


def keys_for(stage: Stage, frames: int) -> dict[str, np.ndarray]:
    """A sound for each key input a stage listens to."""
    return {key.name: programme(frames, seed=7) for _, key in stage.key_inputs()}


def run(stage: Stage, lanes: np.ndarray, rate_hz: int = RATE_HZ, blocks: int | None = None) -> np.ndarray:
    """Feed a stage read-only blocks, latency left in: `(frames, lanes, 2)` to the same."""
    plan = stage.plan(Context(rate_hz))
    state = stage.start(plan, lanes.shape[1], Context(rate_hz))
    return feed(stage, plan, state, lanes, blocks)


def feed(stage, plan, state, lanes, blocks=None):
    """Feed a started stage; the arrays it gets cannot be written to."""
    keys = keys_for(stage, len(lanes))
    size = blocks or len(lanes)
    out = []
    for at in range(0, len(lanes), size):
        block = lanes[at : at + size]
        block.setflags(write=False)
        heard = {name: sound[at : at + size] for name, sound in keys.items()}
        for sound in heard.values():
            sound.setflags(write=False)
        out.append(stage.process(plan, state, block, heard))
    return np.concatenate(out)
