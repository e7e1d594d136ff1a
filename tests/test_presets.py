"""The chain files that come along: each says what it is for, and keeps that promise."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner

import busproc.demo
from busproc.chain import load_chain, process
from busproc.cli import main
from busproc.delivery.writing import read_back
from busproc.demo.synth import make_song
from busproc.errors import InputError
from busproc.presets import load_preset, preset_folder, preset_names, preset_path
from busproc.rendering import render
from busproc.stages import REGISTRY
from tests.measure.reference_meters import fourier_peak_dbtp
from tests.songs import RATE_HZ, noise, write_session
from tests.test_preset_purposes import METER, db, gain_db, harmonic_db, on_both_sides, pink, sine, through

METERS_DIFFER_DB = 0.8
"""The ceiling holds on the highest reading of several interpolators; on white noise the meter reads lower."""

CEILINGS = ("forward_and_lively", "loud_reference", "narrow_for_speech", "open_and_gentle", "slow_and_heavy")
"""Presets that end in a limiter at -1 dBTP, whatever comes."""

every_preset = pytest.mark.parametrize("name", preset_names())


PASSAGE_S = (24, 28)
"""All ten play, loud, in the second theme."""

GROUPS = {
    "bent_return": ("marimba", "vibraphone", "bass_pizz"),
    "calmer_sibilants": ("choir", "shaker"),
    "close_drum_gate": ("frame_drum",),
    "doubled_voice": ("choir",),
    "drums_in_parallel": ("frame_drum", "shaker", "wood_block"),
    "echo_throw": ("choir",),
    "firmer_strokes": ("marimba", "vibraphone", "wood_block"),
    "hall_for_mallets": ("marimba", "vibraphone"),
    "low_instruments_levelled": ("tuba", "bass_pizz"),
    "narrow_for_speech": ("choir",),
    "smooth_voices": ("choir",),
    "squeezed_return": ("frame_drum", "wood_block", "marimba"),
    "softer_strikes": ("marimba", "vibraphone"),
    "warm_in_bands": ("strings", "bass_pizz"),
    "wooden_body": ("marimba", "vibraphone"),
}
"""What of the demo a preset is for, if not the mix; nobody speaks in it, so the choir stands in, and the
shaker for the s that it has not."""

LOUDER_LU = {
    "drums_in_parallel": (1, 4),
    "ebu_r_128_programme": (-9, -5),
    "echo_throw": (-16, -11),
    "loud_reference": (2, 6),
    "low_instruments_levelled": (-2, 2),
}
"""How much louder presets make the demo, those that do not leave its loudness to within 1.5 LU."""


def rendered(folder, preset, sound, **keys):
    """The mix that a preset on the mix bus makes of one stem, and what it decided."""
    session = write_session(folder, {"a": sound}, mix_bus={"chain": "preset.json"}, **keys)
    (folder / "preset.json").write_bytes(preset_path(preset).read_bytes())
    done = render(session, folder / "out")
    assert done.decisions["notes"] == []
    return done.files[0], done.decisions["places"][-1]["decisions"]


def flat(decisions):
    """Decisions, and those inside of them."""
    for decision in decisions:
        yield decision
        for inner in decision.get("branches", decision.get("bands", ())):
            yield from flat(inner["decisions"])


def idle(decisions):
    """Why stages found nothing to do, but for those that only wait for peaks."""
    waiting = {"limiter", "catch the loud syllables"}
    return [
        each["why"]
        for each in flat(decisions)
        if each["verdict"] == "left alone" and not waiting & {each["stage"], each.get("name")}
    ]


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A passage of the demo, rendered with a mix bus that does nothing; and its stems."""
    folder = tmp_path_factory.mktemp("demo")
    first, last = (second * RATE_HZ for second in PASSAGE_S)
    stems = {name: sound[first:last].reshape(last - first, -1) for name, sound in make_song(RATE_HZ).items()}
    write_session(folder / "stems", stems)
    session = json.loads(busproc.demo.make_demo(folder).read_text())
    (folder / "chains" / "mix_bus.json").write_bytes(preset_path("do_nothing").read_bytes())
    (folder / "session.json").write_text(
        json.dumps(session | {"tail_s": 0.0, "deliver": [{"bits": "32_float"}]})
    )
    mix, _ = sf.read(render(folder / "session.json", folder / "out").files[0])
    return mix[: last - first], stems


def test_there_are_as_many_presets_as_files():
    assert preset_names() == sorted(file.stem for file in preset_folder().iterdir())


@every_preset
def test_every_preset_loads_and_says_what_it_is_for(name):
    chain = load_preset(name)
    assert chain == load_chain(preset_path(name))
    assert re.sub(r"\W+", "_", chain.title.lower()) == name
    for said in (chain.purpose, chain.not_for, chain.listen_for):
        assert re.fullmatch(r"[A-Z].{30,}\.", said)


@every_preset
def test_every_preset_suits_the_demo(name, demo, tmp_path):
    """Nothing idles, nothing passes full scale, and it is about as loud as before."""
    mix, stems = demo
    sound = sum((np.zeros_like(mix) + stems[stem] for stem in GROUPS[name]), 0) if name in GROUPS else mix
    file, decisions = rendered(tmp_path, name, sound, tail_s=0.0)
    out, _ = sf.read(file)
    assert idle(decisions) == []
    assert out.shape == sound.shape
    assert fourier_peak_dbtp(out, factor=8) < 0
    low, high = LOUDER_LU.get(name, (-1.5, 1.5))
    assert low <= METER.integrated_loudness(out) - METER.integrated_loudness(sound) <= high


def test_the_list_says_what_each_is_for_what_not_and_what_to_listen_for():
    lines = CliRunner().invoke(main, ["presets"]).stdout.splitlines()
    assert [line.split()[0] for line in lines[::3]] == preset_names()
    for name, said, *more in zip(preset_names(), lines[::3], lines[1::3], lines[2::3], strict=True):
        chain = json.loads(CliRunner().invoke(main, ["presets", name]).stdout)
        assert said.split(maxsplit=1)[1] == chain["purpose"]
        assert [line.strip() for line in more] == [
            f"not for: {chain['not_for']}",
            f"listen for: {chain['listen_for']}",
        ]


@pytest.mark.parametrize("tag", list(REGISTRY))
def test_every_stage_is_in_a_preset(tag):
    def tags(stages):
        for stage in stages:
            yield stage.tag
            for _, inner in stage.inner():
                yield from tags(inner)

    assert any(tag in set(tags(load_preset(name).stages)) for name in preset_names())


def test_an_unknown_preset_is_refused_with_the_nearest():
    with pytest.raises(InputError, match=r"there are bent_return, .*; did you mean loud_reference\?"):
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


@pytest.mark.parametrize("name", CEILINGS)
def test_a_preset_for_the_mix_bus_ends_at_a_safe_ceiling(tmp_path, name):
    mix, decisions = rendered(tmp_path, name, noise(0.2, 1, peak=40.0))
    assert decisions[-1]["stage"] == "limiter"
    assert -1 - METERS_DIFFER_DB < read_back(mix)["true_peak_dbtp"] <= -1.0


@pytest.mark.parametrize("level_dbfs", [-9, -32])
def test_ebu_r_128_programme_is_as_loud_as_the_document_says(level_dbfs):
    """EBU R 128: -23.0 LUFS, at most -1 dBTP. The softer one needs its strikes limited on the way up."""
    programme = pink(2, level_dbfs)
    programme[:: RATE_HZ // 2] += 0.5
    out = through("ebu_r_128_programme", programme)
    assert METER.integrated_loudness(out) == pytest.approx(-23.0, abs=0.1)
    peak_dbtp = fourier_peak_dbtp(np.pad(out, ((4000, 4000), (0, 0))))
    assert peak_dbtp <= -1.0 + 0.02
    assert (peak_dbtp > -1.2) == (level_dbfs < -20), "where the limiter works, peaks reach the ceiling"


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


def test_warm_in_bands_steadies_lows_bends_the_middle_and_leaves_the_highs():
    """2:1 halves what is above -28 dBFS; even harmonics lead in the middle; 9 kHz passes as it came."""
    soft_db, loud_db = (
        db(through("warm_in_bands", sine(80, level, 1))[RATE_HZ // 2 :, 0]) for level in (-24, -12)
    )
    assert loud_db - soft_db < 7.5
    assert -36 < harmonic_db("warm_in_bands", 500, -12, 2) < -26
    assert harmonic_db("warm_in_bands", 500, -12, 3) < harmonic_db("warm_in_bands", 500, -12, 2) - 6
    high = through("warm_in_bands", sine(9000, -12, 1))[RATE_HZ // 2 :, 0]
    assert db(high) == pytest.approx(-12, abs=0.05)


def test_open_and_gentle_brings_the_loudest_moments_closer():
    """Of 10 dB across a wide knee 2:1 takes 1.8 dB, where 1.5:1 takes 1.2 and 4:1 takes 2.7."""
    bus = on_both_sides(np.concatenate([pink(2, -24), pink(1, -14, 2)]))
    found = gain_db("open_and_gentle", bus)
    assert 1.4 < found[50:95].mean() - found[115:].mean() < 2.2


@pytest.mark.parametrize("name", ["bent_return", "squeezed_return"])
def test_a_parallel_return_is_as_loud_as_what_it_is_sent_and_never_takes_from_it(name):
    """Within 0.1 LU: the level of the return alone says how much is blended; no band of the sum is softer."""
    soft, loud = on_both_sides(pink(3, -30)), on_both_sides(pink(2, -18, 4))
    sent = np.concatenate([soft, loud, soft])
    came = process(load_preset(name), sent, RATE_HZ)
    before, after = (METER.integrated_loudness(sound) for sound in (sent, came))
    assert after == pytest.approx(before, abs=0.1)
    spectra = [np.abs(np.fft.rfft(sound[:, 0])) ** 2 for sound in (sent, sent + came)]
    freqs_hz = np.fft.rfftfreq(len(sent), 1 / RATE_HZ)
    for low_hz in (40, 80, 160, 320, 1000, 4000, 8000, 12000):
        band = (freqs_hz >= low_hz) & (freqs_hz < 1.26 * low_hz)
        assert spectra[1][band].sum() > spectra[0][band].sum()


def test_squeezed_return_brings_up_what_is_soft():
    """Above the threshold 6:1: 12 dB between two levels become 2 dB."""
    found = gain_db("squeezed_return", on_both_sides(np.concatenate([pink(2, -30), pink(2, -18, 2)])))
    assert 9 < found[60:95].mean() - found[140:195].mean() < 10.5


def test_bent_return_adds_both_kinds_of_harmonics():
    assert -30 < harmonic_db("bent_return", 500, -18, 2) < -10
    assert -36 < harmonic_db("bent_return", 500, -18, 3) < -16
