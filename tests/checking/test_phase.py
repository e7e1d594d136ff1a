"""Two microphones before one drum: found, and undone in a render; two sources are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import signal

from busproc.checking import phase as phase_module
from busproc.checking.check import check
from busproc.checking.families import clans, families, words_of
from busproc.cli import main
from busproc.errors import InputError
from busproc.measure.alignment_rotation import AllPass
from busproc.song import load_session
from tests.checking.sessions import (
    SECONDS,
    checked,
    late,
    microphones,
    of_kind,
    shaped,
    strokes,
    white,
    with_change,
)
from tests.songs import RATE_HZ, write_session

pytestmark = pytest.mark.slow

MS = 2.31
DRUMS = {"stem_keys": {"drum top": {"group": "drums"}, "drum under": {"group": "drums"}}}
GROUPS = {"groups": [{"name": "drums"}]}


def two(folder, **keys):
    drums = {name: {"group": "drums"} | keys.get(name, {}) for name in DRUMS["stem_keys"]}
    return write_session(folder, microphones(), stem_keys=drums, **GROUPS)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return check(two(tmp_path_factory.mktemp("two")))


def test_delay_and_polarity_are_found(found):
    (phase,) = of_kind(found, "phase")
    assert phase.stems == ("drum under", "drum top")  # the louder one stays
    assert phase.figures["delay_ms"] == pytest.approx(MS, abs=0.0005)
    assert phase.figures["polarity"] == -1
    assert phase.figures["path_cm"] == pytest.approx(MS / 10 * 343.2, rel=0.001)  # ISO 9613-1 at 20 °C
    assert phase.confidence > 0.9
    assert "2.31 ms late, 79 cm of path at 20 °C and upside down against drum top" in phase.words


def test_the_notch_lies_where_theory_has_it(found):
    """Opposite polarity: 1 / tau."""
    (phase,) = of_kind(found, "phase")
    notch = phase.figures["notch_hz"]
    assert notch["theory_hz"] == pytest.approx(1000 / MS, rel=0.001)
    assert notch["measured_hz"] == pytest.approx(1000 / MS, rel=0.05)


def test_the_correction_was_rendered_and_gains_what_there_is_to_gain(found):
    (phase,) = of_kind(found, "phase")
    trial = phase.tried[0]
    assert trial.works
    assert trial.after > trial.before + 1
    heard = [each for each in phase.figures["bands"] if each["hz"] < 16000]
    assert len(heard) > 20
    assert max(each["most_db"] - each["after_db"] for each in heard) < 0.1
    assert max(each["after_db"] - each["now_db"] for each in heard) > 5
    assert phase.cost > 0.05


def test_two_microphones_on_one_drum_hide_nothing_of_each_other(found):
    pairs = [{each["masked"], each["masker"]} for each in found.as_dict()["masking"]["pairs"]]
    assert pairs
    assert {"drum top", "drum under"} not in pairs


def test_all_are_moved_against_one_that_stays(tmp_path):
    drums = microphones()
    bright = shaped(drums["drum top"], lambda f: np.minimum(f / 3000, 1))
    drums["drum out"] = late(bright, -1.2) + 1e-4 * white(21)
    found = of_kind(checked(tmp_path, drums), "phase")
    assert {each.stems for each in found} == {("drum under", "drum top"), ("drum out", "drum top")}
    moved = {each.stems[0]: each.suggestion["align"]["delay_ms"] for each in found}
    assert moved == {"drum under": pytest.approx(-MS, abs=0.001), "drum out": pytest.approx(1.2, abs=0.001)}


def test_all_passes_are_offered_where_delay_is_not_enough(tmp_path):
    """A box on the direct line turns the phases around 700 Hz; the microphone has to follow."""
    source = strokes(7)
    b0, b1, _, a1, _ = AllPass(700.0, None).section(RATE_HZ)
    direct = signal.lfilter([b0, b1], [1, a1], source, axis=0)
    amp = 0.8 * late(source, 1.0) + 1e-4 * white(8)
    (phase,) = of_kind(checked(tmp_path, {"bass direct": direct, "bass amp": amp}), "phase")
    delayed, turned = phase.tried
    assert turned.works
    assert turned.after > delayed.after + 0.3
    (one,) = turned.suggestion["align"]["rotate"]
    assert one["freq_hz"] == pytest.approx(700, rel=0.05)
    session = with_change(tmp_path / "session.json", turned.suggestion)
    after = check(session)
    (pair,) = after.as_dict()["phase"]
    assert of_kind(after, "phase") == []
    assert abs(pair["delay_ms"]) < 0.005


def test_what_a_render_shows_to_harm_is_no_finding(tmp_path, monkeypatch):
    monkeypatch.setattr(phase_module, "HELPS_DB", 99.0)
    monkeypatch.setattr(phase_module, "HELPS_A_BAND_DB", 99.0)
    assert of_kind(check(two(tmp_path)), "phase") == []


def test_a_suggestion_taken_leaves_nothing_to_suggest(found, tmp_path):
    (phase,) = of_kind(found, "phase")
    assert phase.suggestion == {
        "stem": "drum under",
        "polarity": "inverted",
        "align": {"delay_ms": pytest.approx(-MS, abs=0.0005)},
    }
    after = check(with_change(two(tmp_path), phase.suggestion))
    assert of_kind(after, "phase") == []
    pair = next(each for each in after.as_dict()["phase"] if each["other"] == "drum under")
    assert pair["polarity"] == 1
    assert pair["delay_frames"] == pytest.approx(0, abs=0.02)


def test_a_suggestion_counts_from_what_is_set_already(tmp_path):
    keys = {"drum under": {"align": {"delay_ms": -1.0}, "polarity": "inverted"}}
    (phase,) = of_kind(check(two(tmp_path, **keys)), "phase")
    assert phase.suggestion["polarity"] == "inverted"
    assert phase.suggestion["align"]["delay_ms"] == pytest.approx(-MS, abs=0.0005)


def test_the_path_is_told_at_the_temperature_that_is_stated(tmp_path):
    """At 0 °C sound travels at 331.3 m/s (ISO 9613-1)."""
    found = check(two(tmp_path), temperature_c=0.0)
    (pair,) = found.as_dict()["phase"]
    assert pair["path_cm"] == pytest.approx(MS / 10 * 331.3, rel=0.001)
    (phase,) = of_kind(found, "phase")
    assert phase.figures["path_cm"] == pytest.approx(MS / 10 * 331.3, rel=0.001)
    assert phase.figures["temperature_c"] == 0.0
    assert "77 cm of path at 0 °C" in phase.words
    assert "path in air at 0 °C" in found.page


def test_the_command_takes_a_temperature_and_refuses_one_that_no_air_has(tmp_path):
    command = ["check", str(two(tmp_path)), "--temperature-c"]
    cold = CliRunner().invoke(main, [*command, "-10"])
    assert cold.exit_code == 0
    assert f"{MS / 10 * 325.2:.0f} cm of path at -10 °C" in cold.stdout  # ISO 9613-1
    hot = CliRunner().invoke(main, [*command, "80"])
    assert (hot.exit_code, hot.stdout) == (2, "")
    assert "the temperature of the air is -20 to 50 °C, not 80 °C" in hot.stderr


@pytest.mark.parametrize("temperature_c", [-20.5, 51.0, float("nan")])
def test_no_air_is_that_cold_or_hot(temperature_c, tmp_path):
    with pytest.raises(InputError, match=f"-20 to 50 °C, not {temperature_c:g} °C"):
        check(tmp_path / "not read", temperature_c=temperature_c)


@pytest.mark.parametrize("seed", [2, 4, 11])
def test_parts_in_unison_of_a_machine_share_no_source(seed, tmp_path):
    """Each note of each begins in phases of its own, always the same: a correction wins a little in some."""
    pitches = np.random.default_rng(99 + seed).integers(0, 14, 8)
    found = checked(tmp_path, {"part one": part(seed, pitches), "part two": part(seed + 100, pitches)})
    (pair,) = found.as_dict()["phase"]
    assert (pair["verdict"], pair["polarity"]) == ("align", -1)
    assert of_kind(found, "phase") == []


def part(seed, pitches, every_s=0.25):
    """Notes of an instrument, by semitones over 55 Hz, to the end of the song."""
    rng, times_s = np.random.default_rng(seed), np.arange(round(every_s * RATE_HZ)) / RATE_HZ
    notes = {}
    for pitch in sorted(set(pitches)):
        turns = 55 * 2 ** (pitch / 12) * times_s
        partials = range(1, min(40, int(12000 * times_s[1] / turns[1])))
        tone = sum(np.sin(2 * np.pi * k * turns + rng.uniform(0, 2 * np.pi)) / k for k in partials)
        notes[pitch] = 0.05 * tone * np.exp(-times_s / 0.2)
    played = np.concatenate([notes[pitches[n % len(pitches)]] for n in range(round(SECONDS / every_s))])
    return played[:, None] + 1e-5 * white(seed + 500)


def test_a_turn_for_soft_bands_that_costs_the_loudest_is_not_asked_for(tmp_path):
    """Two sounds of a drum, in phase where they are loud and upside down elsewhere."""
    drum = strokes(1, level_db=-30)
    skin = shaped(drum, lambda freqs_hz: np.where(freqs_hz < 90, 6.0, 1.0))
    low = shaped(drum, lambda freqs_hz: np.where(freqs_hz < 90, 6.0, -0.3))
    found = checked(tmp_path, {"drum skin": skin, "drum low": low + 1e-4 * white(5)})
    (pair,) = found.as_dict()["phase"]
    assert (pair["verdict"], pair["polarity"]) == ("align", -1)
    assert of_kind(found, "phase") == []


def test_a_softer_microphone_shares_its_source(tmp_path):
    """12 dB under the other one and more: the sum can gain 1.6 dB."""
    drums = microphones()
    found = checked(tmp_path, drums | {"drum under": 0.25 / 0.65 * drums["drum under"]})
    assert [each.stems for each in of_kind(found, "phase")] == [("drum under", "drum top")]


def test_two_sources_are_left_alone(tmp_path):
    stems = {"drum left hand": strokes(5), "drum right hand": strokes(6, every_s=0.37)}
    found = checked(tmp_path, stems)
    assert of_kind(found, "phase") == []
    (pair,) = found.as_dict()["phase"]
    assert pair["verdict"] == "unknown"


def test_families_are_groups_and_shared_words(tmp_path):
    names = ["kick in", "kick out", "snare", "hat", "bass direct", "organ direct"]
    sound = np.zeros((480, 1))
    session = write_session(
        tmp_path,
        dict.fromkeys(names, sound),
        stem_keys={name: {"group": "drums"} for name in names[:3]},
        **GROUPS,
    )
    found = families(load_session(session))
    assert found == [("kick in", "kick out", "snare")]


def test_words_tell_the_source_and_not_the_place():
    assert words_of("Snare top 2") == {"snare"}
    assert words_of("voiceRoom_left") == {"voice"}


def test_families_that_share_a_stem_are_heard_together():
    assert clans([("a", "b"), ("c", "d"), ("b", "e")]) == [[("c", "d")], [("a", "b"), ("b", "e")]]
