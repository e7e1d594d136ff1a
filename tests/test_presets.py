"""The chain files that come along: each says what it is for, and keeps that promise."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

from busproc.chain import load_chain, process
from busproc.delivery import read_back
from busproc.errors import InputError
from busproc.presets import load_preset, preset_folder, preset_names, preset_path
from busproc.rendering import render
from busproc.stages import REGISTRY
from tests.songs import RATE_HZ, noise, write_session

METERS_DIFFER_DB = 0.8
"""The ceiling holds on the highest reading of several interpolators; on white noise the meter reads lower."""

every_preset = pytest.mark.parametrize("name", preset_names())


def rendered(folder, preset, sound):
    """The mix that a preset on the mix bus makes of one stem, and what it decided."""
    session = write_session(folder, {"a": sound}, mix_bus={"chain": "preset.json"})
    (folder / "preset.json").write_bytes(preset_path(preset).read_bytes())
    done = render(session, folder / "out")
    return done.files[0], done.decisions["places"][-1]["decisions"]


def test_there_are_as_many_presets_as_files():
    assert preset_names() == sorted(file.stem for file in preset_folder().iterdir())


@every_preset
def test_every_preset_loads_and_says_what_it_is_for(name):
    chain = load_preset(name)
    assert chain == load_chain(preset_path(name))
    assert chain.title
    assert chain.purpose.endswith(".")


@pytest.mark.parametrize("tag", list(REGISTRY))
def test_every_stage_is_in_a_preset(tag):
    def tags(stages):
        for stage in stages:
            yield stage.tag
            for _, inner in stage.inner():
                yield from tags(inner)

    assert any(tag in set(tags(load_preset(name).stages)) for name in preset_names())


def test_an_unknown_preset_is_refused_with_the_nearest():
    with pytest.raises(InputError, match=r"there are do_nothing, .*; did you mean loud_reference\?"):
        preset_path("loud_refernce")


@pytest.mark.parametrize("name", ["../presets/do_nothing", "do_nothing.json", ""])
def test_a_preset_is_a_name_and_no_path(name):
    with pytest.raises(InputError, match="is not a preset"):
        load_preset(name)


def test_do_nothing_does_nothing():
    sound = noise(0.1, 1, peak=3.0)
    np.testing.assert_array_equal(process(load_preset("do_nothing"), sound, RATE_HZ), sound)


def test_safety_only_leaves_a_mix_alone_that_needs_nothing(tmp_path):
    sound = noise(0.2, 1, peak=0.3)
    mix, (limiter,) = rendered(tmp_path, "safety_only", sound)
    assert limiter["verdict"] == "not needed"
    np.testing.assert_array_equal(sf.read(mix)[0], sound.astype(np.float32))


def test_safety_only_comes_in_where_the_mix_passes_its_ceiling(tmp_path):
    mix, (limiter,) = rendered(tmp_path, "safety_only", noise(0.2, 1, peak=1.2))
    assert limiter["verdict"] == "worked"
    assert -1 - METERS_DIFFER_DB < read_back(mix)["true_peak_dbtp"] <= -1.0


def test_a_condition_is_judged_on_a_bare_array_too():
    sound = noise(0.1, 1, peak=0.3)
    np.testing.assert_array_equal(process(load_preset("safety_only"), sound, RATE_HZ), sound)
    assert np.abs(process(load_preset("safety_only"), 5 * sound, RATE_HZ)).max() < 0.9


@pytest.mark.parametrize("name", ["open_and_gentle", "loud_reference"])
def test_a_preset_for_the_mix_bus_ends_at_a_safe_ceiling(tmp_path, name):
    mix, decisions = rendered(tmp_path, name, noise(0.2, 1, peak=1.2))
    assert decisions[-1]["stage"] == "limiter"
    assert -1 - METERS_DIFFER_DB < read_back(mix)["true_peak_dbtp"] <= -1.0


def test_loud_reference_is_louder_than_what_it_got(tmp_path):
    sound = noise(0.2, 1, peak=0.2)
    mix, _ = rendered(tmp_path, "loud_reference", sound)
    gain_db = 20 * np.log10(np.std(sf.read(mix)[0]) / np.std(sound))
    assert gain_db > 3.0  # of its 7 dB of gain and make-up, all that the compressor has not taken


def test_open_and_gentle_hardly_changes_a_quiet_mix(tmp_path):
    """Under the threshold: 1 dB of make-up and some width and air, nothing else."""
    sound = noise(0.2, 1, peak=0.02)
    mix, _ = rendered(tmp_path, "open_and_gentle", sound)
    gain_db = 20 * np.log10(np.std(sf.read(mix)[0]) / np.std(sound))
    assert 0.5 < gain_db < 2.5


def test_drums_in_parallel_gain_body_under_the_untouched_group(tmp_path):
    """The louder the group, the smaller the share of the squeezed copy: transients stay, body grows."""

    def gain_db(peak):
        sound = noise(0.3, 1, peak=peak)
        out = process(load_preset("drums_in_parallel"), sound, RATE_HZ)
        return 20 * np.log10(np.std(out[RATE_HZ // 10 :]) / np.std(sound[RATE_HZ // 10 :]))

    assert gain_db(0.02) > gain_db(0.8) + 2.0
    assert 0 <= gain_db(0.8) < 2.0
