"""Two microphones before one drum: found, and undone in a render; two sources are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from busproc.checking import phase as phase_module
from busproc.checking.check import check
from busproc.checking.families import clans, families, words_of
from busproc.measure.alignment_rotation import AllPass
from busproc.song import load_session
from tests.checking.sessions import checked, late, microphones, of_kind, shaped, strokes, white, with_change
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
