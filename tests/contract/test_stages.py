"""The contract, for every stage there is: nobody lists them here, they are found."""

from __future__ import annotations

import copy
import hashlib
import json
import math
import os
import pickle
import re
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from busproc.chain import Chain
from busproc.errors import InputError, SettingsFileError
from busproc.jsonfile import load_settings, schema_of
from busproc.presets import load_preset, preset_names
from busproc.settings import DIMENSIONLESS, unit_of
from busproc.stages import REGISTRY
from busproc.stages.context import Context
from tests.contract.draw import RATES_HZ, TAGS, Holder, feed, programme, run, settings_of

RESIDUE = 1e-10  # -200 dBFS
every_stage = pytest.mark.parametrize("tag", TAGS)
at_random = settings(max_examples=12)


def drawn(tag, data):
    """A stage with random settings that can run at 48 kHz."""
    stage = data.draw(settings_of(tag))
    try:
        stage.plan(Context(48000))
    except InputError:
        assume(False)
    return stage


def lanes_of(frames, count=2, seed=0):
    """Lanes 1.. are contributions, lane 0 is their sum."""
    parts = [programme(frames, seed + k, 0.9 / count) for k in range(count)]
    return np.stack([sum(parts), *parts], axis=1)


@every_stage
@at_random
@given(data=st.data())
def test_lanes_add_up_to_the_bus(tag, data):
    stage = drawn(tag, data)
    out = run(stage, lanes_of(6000, count=3))
    loudest = max(1.0, np.abs(out).max())
    assert np.abs(out[:, 1:].sum(axis=1) - out[:, 0]).max() <= RESIDUE * loudest


@every_stage
@at_random
@given(data=st.data())
def test_further_lanes_do_not_change_the_bus(tag, data):
    stage = drawn(tag, data)
    lanes = lanes_of(4000)
    np.testing.assert_array_equal(run(stage, lanes)[:, :1], run(stage, lanes[:, :1].copy()))


@every_stage
@pytest.mark.parametrize("blocks", [7, 64, 1000, 4096])
def test_block_size_does_not_matter(tag, blocks):
    stage, lanes = REGISTRY[tag](), lanes_of(9000)
    np.testing.assert_array_equal(run(stage, lanes, blocks=blocks), run(stage, lanes))


@every_stage
@settings(max_examples=6)
@given(data=st.data())
def test_block_size_does_not_matter_for_any_settings(tag, data):
    stage, lanes = drawn(tag, data), lanes_of(1500)
    whole = run(stage, lanes)
    for blocks in (1, 7, 1000):
        np.testing.assert_array_equal(run(stage, lanes, blocks=blocks), whole)


@every_stage
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_stated_latency_is_the_true_one(tag, rate_hz):
    stage = REGISTRY[tag]()
    impulse = np.zeros((20000, 1, 2))
    impulse[100] = 0.01
    arrived = int(np.argmax(np.abs(run(stage, impulse, rate_hz)[:, 0, 0])))
    assert arrived - 100 == stage.plan(Context(rate_hz)).latency_frames


@every_stage
@at_random
@given(data=st.data())
def test_neutral_settings_return_the_input_bit_for_bit(tag, data):
    stage = drawn(tag, data).model_copy(update=dict(REGISTRY[tag].neutral))
    lanes = lanes_of(5000)
    latency = stage.plan(Context(48000)).latency_frames
    out = run(stage, np.concatenate([lanes, np.zeros((latency, *lanes.shape[1:]))]))
    np.testing.assert_array_equal(out[latency:], lanes)


@every_stage
@at_random
@given(data=st.data())
def test_silence_stays_silence(tag, data):
    stage = drawn(tag, data)
    assert not run(stage, np.zeros((3000, 2, 2))).any()


AWKWARD = {
    "full scale noise": lambda n: np.random.default_rng(1).uniform(-1, 1, (n, 1, 2)),
    "steady offset": lambda n: np.full((n, 1, 2), 0.7),
    "one impulse": lambda n: np.concatenate([np.ones((1, 1, 2)), np.zeros((n - 1, 1, 2))]),
    "far over full scale": lambda n: 50.0 * np.random.default_rng(2).normal(size=(n, 1, 2)),
    "denormals": lambda n: np.random.default_rng(3).uniform(-1, 1, (n, 1, 2)) * 1e-310,
}


@every_stage
@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("sound", AWKWARD)
def test_finite_in_finite_out(tag, rate_hz, sound):
    assert np.isfinite(run(REGISTRY[tag](), AWKWARD[sound](3000), rate_hz)).all()


@every_stage
@at_random
@given(data=st.data())
def test_a_copied_state_resumes_to_the_same_bits(tag, data):
    stage, lanes = drawn(tag, data), lanes_of(3000)
    plan = stage.plan(Context(48000))
    state = stage.start(plan, lanes.shape[1], Context(48000))
    first = feed(stage, plan, state, lanes[:1234].copy())
    kept = copy.deepcopy(state)
    second = feed(stage, plan, state, lanes[1234:].copy())
    np.testing.assert_array_equal(second, feed(stage, plan, kept, lanes[1234:].copy()))
    assert len(first) + len(second) == len(lanes)


def digest(tag):
    """SHA-256 of what a stage makes of a sound, with settings that make it work."""
    stage = busy(tag)
    return hashlib.sha256(run(stage, lanes_of(20000), blocks=4096).tobytes()).hexdigest()


def busy(tag):
    """The stage as the first preset that holds it sets it."""
    found = [stage for name in preset_names() for stage in flat(load_preset(name).stages) if stage.tag == tag]
    assert found, f"no preset holds the stage {tag}: every stage needs one that shows what it is for"
    return found[0]


def flat(stages):
    for stage in stages:
        yield stage
        for _, inner in stage.inner():
            yield from flat(inner)


@every_stage
def test_a_repeat_and_another_thread_give_the_same_bits(tag):
    with ThreadPoolExecutor(2) as pool:
        assert {digest(tag), *pool.map(digest, [tag, tag])} == {digest(tag)}


def test_another_processor_gives_the_same_bits():
    """As far as one machine can imitate another: numpy's and numba's instruction sets switched off."""
    from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__

    off = [name for name in __cpu_dispatch__ if __cpu_features__[name]]
    assert off, "nothing to switch off: the test would prove nothing here"
    plainer = os.environ | {"NPY_DISABLE_CPU_FEATURES": " ".join(off), "NUMBA_CPU_NAME": "generic"}
    code = "from tests.contract.test_stages import *; print(*(digest(tag) for tag in TAGS))"
    told = subprocess.run(
        [sys.executable, "-c", code], env=plainer, capture_output=True, text=True, check=True
    )
    assert told.stdout.split() == [digest(tag) for tag in TAGS]


@every_stage
@at_random
@given(data=st.data())
def test_settings_survive_json_pickle_and_copy(tag, data):
    stage = data.draw(settings_of(tag))
    text = stage.model_dump_json(by_alias=True)
    assert Holder.model_validate_json(f'{{"inner": {text}}}', strict=True).inner == stage
    assert pickle.loads(pickle.dumps(stage)) == stage
    assert copy.deepcopy(stage) == stage


def objects(tag):
    """Every object in a stage's schema by its name, the stage itself first."""
    schema = schema_of(REGISTRY[tag])
    return {REGISTRY[tag].__name__: schema, **schema.get("$defs", {})}


def numbers(node):
    """Every number among an object's properties: (key, schema)."""
    for key, value in node.get("properties", {}).items():
        for option in value.get("anyOf", [value]):
            if option.get("type") in {"number", "integer"} and "enum" not in option:
                yield key, {**value, **option}


@every_stage
def test_every_number_has_unit_bounds_and_description(tag):
    found = [(owner, key, node) for owner, each in objects(tag).items() for key, node in numbers(each)]
    assert found
    for owner, key, node in found:
        told = f"{owner}.{key}"
        assert unit_of(key) or key in DIMENSIONLESS, told
        assert "minimum" in node, told
        assert "maximum" in node, told
        assert node.get("description"), told


@every_stage
def test_every_setting_has_a_description_and_a_default(tag):
    for key, field in REGISTRY[tag].model_fields.items():
        assert key == "stage" or field.description, key
        assert not field.is_required(), key


@every_stage
def test_just_outside_each_bound_is_refused_by_name(tag, tmp_path):
    for key, node in numbers(objects(tag)[REGISTRY[tag].__name__]):
        for bad in outside(node):
            faults = faults_of_stage(tmp_path, {"stage": tag, key: bad})
            assert len(faults) == 1
            assert faults[0].startswith(f"stages[0].{key}: must be")
            assert f"{node['minimum']:g} to {node['maximum']:g}" in faults[0]


def outside(node):
    if node["type"] == "integer":
        return [node["minimum"] - 1, node["maximum"] + 1]
    return [math.nextafter(node["minimum"], -math.inf), math.nextafter(node["maximum"], math.inf)]


def faults_of_stage(folder, stage):
    file = folder / "chain.json"
    file.write_text(json.dumps({"format": "busproc-chain/1", "stages": [stage]}))
    with pytest.raises(SettingsFileError) as caught:
        load_settings(file, Chain)
    return caught.value.faults


@every_stage
def test_an_unknown_key_is_refused_by_name(tag, tmp_path):
    assert faults_of_stage(tmp_path, {"stage": tag, "colour": 1}) == ["stages[0].colour: unknown key"]


@every_stage
def test_stage_is_in_a_preset(tag):
    assert busy(tag).tag == tag


@every_stage
@at_random
@given(data=st.data(), loud=st.booleans())
def test_it_explains_itself_with_a_number(tag, data, loud):
    stage = drawn(tag, data)
    lanes = lanes_of(6000) if loud else np.zeros((6000, 1, 2))
    plan, here = stage.plan(Context(48000)), Context(48000, "mix_bus.stages[0]")
    state = stage.start(plan, lanes.shape[1], here)
    feed(stage, plan, state, lanes)
    record = stage.record(plan, state, here)
    assert record["verdict"] in {"worked", "slight", "left alone"}
    assert re.search(r"\d", record["why"])
    assert record["place"] == "mix_bus.stages[0]"
    json.dumps(record, allow_nan=False)


@every_stage
def test_neutral_settings_are_left_alone(tag):
    stage = REGISTRY[tag](**REGISTRY[tag].neutral)
    plan, here = stage.plan(Context(48000)), Context(48000)
    state = stage.start(plan, 3, here)
    feed(stage, plan, state, lanes_of(6000))
    assert stage.record(plan, state, here)["verdict"] == "left alone"


@every_stage
def test_docstring_says_what_a_reader_needs(tag):
    text = REGISTRY[tag].__doc__ or ""
    for word in ("Latency:", "Neutral:", "Not to be confused with:", "Source:"):
        assert word in text
