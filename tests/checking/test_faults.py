"""Stems with one fault each, all in one session, beside what they would be without."""

from __future__ import annotations

import re

import numpy as np
import pytest
import soundfile as sf

from busproc.checking.check import check
from busproc.rendering import render
from tests.checking.sessions import SECONDS, band, late, of_kind, shaped, strokes, white, with_change
from tests.songs import RATE_HZ, write_session

pytestmark = pytest.mark.slow

LATE_FRAMES = 1024
COPY_MS = 4.0
HUM_HZ = 50.0


def hum(level_db=-40.0):
    times_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    return 10 ** (level_db / 20) * sum(np.sin(2 * np.pi * HUM_HZ * k * times_s) / k for k in range(1, 8))


def stems():
    """Faults by the stems that have them; the band of each keeps clear of the others'."""
    clipped = np.clip(strokes(1), -0.3, 0.3)
    running = band(300, 900, 2, -30)
    behind = np.concatenate([np.zeros((LATE_FRAMES, 1)), band(150, 400, 4, -30)])
    viola = strokes(6, 0.37, -26)
    side = band(900, 2000, 8, -34)
    return {
        "tabor": clipped,
        "lute": strokes(5, 4.0, -30) + hum()[:, None],
        "viol": running,
        "theorbo": behind,
        "shawm": viola,
        "shawm copy": 0.7 * late(viola, COPY_MS),
        "psaltery": np.concatenate([side, -side], axis=1) + 1e-4 * white(9, channels=2),
        "sackbut": band(80, 300, 10, -30) + 0.02,
        "regal": np.zeros((RATE_HZ, 1)),
    }


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    return write_session(tmp_path_factory.mktemp("faults"), stems(), tail_s=0.0)


@pytest.fixture(scope="module")
def found(session):
    return check(session)


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        ("clipping", ("tabor",)),
        ("hum", ("lute",)),
        ("late", ("theorbo",)),
        ("double", ("shawm copy", "shawm")),
        ("inverted", ("psaltery",)),
        ("dc", ("sackbut",)),
        ("silence", ("regal",)),
    ],
)
def test_each_fault_is_found_where_it_is_and_nowhere_else(found, kind, names):
    assert [each.stems for each in of_kind(found, kind)] == [names]
    (fault,) = of_kind(found, kind)
    assert 0.5 <= fault.confidence <= 1
    assert 0 < fault.cost < 1
    assert names[0] in fault.words


def test_no_other_kind_is_found(found):
    known = {"clipping", "hum", "late", "double", "inverted", "dc", "silence", "masking"}
    assert {each.kind for each in found.findings} <= known


def test_those_that_cost_most_come_first(found):
    costs = [round(each.cost, 4) for each in found.findings]
    assert costs == sorted(costs, reverse=True)
    inverted, constant = (of_kind(found, kind)[0] for kind in ("inverted", "dc"))
    assert inverted.cost > constant.cost


def test_a_clipped_stem_tells_where(found):
    (clipped,) = of_kind(found, "clipping")
    assert clipped.figures["level_dbfs"] == pytest.approx(20 * np.log10(0.3), abs=0.01)
    assert clipped.where
    assert all(0 <= a < b <= SECONDS for a, b in clipped.where)


def test_hum_is_notched_out_and_searched_again(found):
    (fault,) = of_kind(found, "hum")
    (trial,) = fault.tried
    assert fault.figures["freq_hz"] == pytest.approx(HUM_HZ, abs=0.05)
    assert trial.works
    assert trial.after is None
    bands = fault.suggestion["stage"]["bands"]
    assert [each["freq_hz"] for each in bands[:3]] == pytest.approx([50, 100, 150], abs=0.2)


def test_a_constant_is_filtered_out_and_searched_again(found):
    (fault,) = of_kind(found, "dc")
    (trial,) = fault.tried
    assert trial.works
    assert trial.before == pytest.approx(20 * np.log10(0.02), abs=0.1)
    assert trial.after is None or trial.after < -60
    assert fault.suggestion["stage"]["bands"][0]["shape"] == "high_pass"


def test_what_is_late_is_brought_back(found, session):
    (fault,) = of_kind(found, "late")
    ms = 1000 * LATE_FRAMES / RATE_HZ
    assert fault.suggestion == {"stem": "theorbo", "align": {"delay_ms": pytest.approx(-ms, abs=1e-5)}}
    (trial,) = fault.tried
    assert trial.works
    assert trial.before == pytest.approx(ms)
    assert trial.after == 0.0


@pytest.mark.parametrize("kind", ["late", "double"])
def test_what_a_change_does_to_the_mix_was_heard(kind, found, session, tmp_path):
    """The session with the suggestion pasted is rendered, and measured in another way."""
    (fault,) = of_kind(found, kind)
    (trial,) = fault.tried
    assert fault.suggestion == trial.suggestion
    changed = write_session(tmp_path, stems(), tail_s=0.0)
    before, after = (mix_levels(each) for each in (session, with_change(changed, fault.suggestion)))
    gains = (after - before)[before > before.max() - 30]
    least_db, most_db = (
        float(each.replace("\N{MINUS SIGN}", "-"))
        for each in re.findall(r"([+\N{MINUS SIGN}]?[\d.]+) dB at", trial.price)
    )
    assert gains.min() == pytest.approx(least_db, abs=0.3)
    assert gains.max() == pytest.approx(most_db, abs=0.3)
    assert gains.max() - gains.min() > 0.3 or kind == "late"


def mix_levels(session):
    """Levels of the mix in third octaves, by the spectrum of the whole."""
    (file,) = render(session, session.parent / "out", overwrite=True).files
    mix, _ = sf.read(file)
    power = (np.abs(np.fft.rfft(mix, axis=0)) ** 2).sum(axis=1)
    freqs_hz = np.fft.rfftfreq(len(mix), 1 / RATE_HZ)
    edges = np.searchsorted(freqs_hz, 1000 * 10 ** ((np.arange(-17, 15) - 0.5) / 10))
    return 10 * np.log10(np.add.reduceat(power, edges)[:-1] + 1e-9)


def test_a_copy_too_soft_to_matter_is_told_and_not_muted(tmp_path):
    viola = strokes(6, 0.37, -20)
    found = check(
        write_session(tmp_path, {"viola": viola, "viola copy": 1e-3 * viola, "viol": band(300, 900, 2)})
    )
    (fault,) = of_kind(found, "double")
    (trial,) = fault.tried
    assert not trial.works
    assert fault.suggestion is None


def test_a_copy_is_muted_and_then_no_double(found, tmp_path):
    (fault,) = of_kind(found, "double")
    assert fault.figures["delay_ms"] == pytest.approx(COPY_MS, abs=0.05)
    assert fault.suggestion == {"stem": "shawm copy", "mute": True}
    some = {name: sound for name, sound in stems().items() if name in {"shawm", "shawm copy", "viol"}}
    after = check(with_change(write_session(tmp_path, some), fault.suggestion))
    assert of_kind(after, "double") == []
    assert {each["name"]: each["searched"] for each in after.as_dict()["stems"]} == {
        "viol": True,
        "shawm": True,
        "shawm copy": False,
    }


def test_two_that_are_one_are_no_matter_of_phase_or_masking(found):
    pair = {"shawm", "shawm copy"}
    others = [each for each in found.findings if {*each.stems} == pair]
    assert [each.kind for each in others] == ["double"]


def test_a_file_of_another_rate_is_searched_as_it_is(tmp_path):
    """Converted, its spectrum would end; on the song's time line passages are in song time."""
    clipped = np.clip(0.1 * white(1, 4), -0.15, 0.15)
    session = write_session(
        tmp_path,
        {"tabor": clipped, "viol": band(300, 900, 2, -30)},
        stem_keys={"tabor": {"start_s": 2.0}},
        rates={"tabor": 44100},
        rate_hz=RATE_HZ,
    )
    found = check(session)
    (fault,) = of_kind(found, "clipping")
    assert fault.where[0].from_s == pytest.approx(2.0, abs=0.2)
    assert of_kind(found, "cutoff") == []


def test_a_low_end_turned_over_with_its_whole_side_is_told_once(tmp_path):
    """In mono it loses its low end with all else."""
    bass = band(40, 2000, 3, -24)
    turned = np.concatenate([bass, -bass], axis=1) + 1e-4 * white(5, channels=2)
    found = check(write_session(tmp_path, {"bass": turned}))
    assert [each.kind for each in found.findings] == ["inverted"]


@pytest.mark.parametrize(
    ("file", "told"),
    [
        ("fiddle.ogg", "its file is coded with losses (OGG)"),
        ("fiddle.flac", "as a coder with losses or a steep filter leaves it"),
    ],
)
def test_where_a_spectrum_ends_the_kind_of_file_says_why(tmp_path, file, told):
    """What ends at 17.5 kHz was at no usual rate before."""
    cut = shaped(band(100, 20000, 3), lambda freqs_hz: freqs_hz < 17500)
    session = with_change(write_session(tmp_path, {"fiddle": cut}), {"stem": "fiddle", "file": file})
    sf.write(tmp_path / file, cut, RATE_HZ)
    (fault,) = of_kind(check(session), "cutoff")
    assert told in fault.words


def test_a_low_end_out_of_phase_is_made_mono(tmp_path):
    """Its sides lie 8 dB over its middle."""
    low, middle = band(40, 90, 3, -24), band(40, 90, 6, -32)
    above = band(200, 4000, 4, -24) + 1e-4 * white(5, channels=2)
    wide = np.concatenate([middle + low, middle - low], axis=1) + above
    (fault,) = of_kind(check(write_session(tmp_path, {"bass": wide})), "low_end")
    (trial,) = fault.tried
    assert trial.works
    assert trial.before > 7
    assert trial.after < 3
    assert fault.suggestion["stage"]["bands"][0]["on"] == "side"
