"""What the trade says of compressors, as far as it holds when it is measured (common practice, no source).

The drum loop is made here: a tone, a click that rises in 2 ms, a room. Figures in the tests are of this loop.
"""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from busproc.chain import process
from busproc.stages.compressor import Compressor
from busproc.stages.eq import Pass
from tests import oracles
from tests.stages.probe import RATE_HZ, db, gain_curve, sine, stereo

BEAT = RATE_HZ // 2
BEATS = 4


@functools.cache
def drums():
    """Four strokes, half a second each."""
    rng = np.random.default_rng(5)
    since = np.arange(BEATS * BEAT) % BEAT / RATE_HZ
    rises = 1 - np.exp(-since / 0.002)
    tone = np.sin(2 * np.pi * (60 * since + 3 * (1 - np.exp(-since / 0.01)))) * np.exp(-since / 0.12)
    click = rng.uniform(-1, 1, len(since)) * np.exp(-since / 0.006)
    room = rng.uniform(-1, 1, len(since)) * np.exp(-since / 0.35) * (1 - np.exp(-since / 0.02))
    wave = rises * (0.5 * tone + 0.8 * click) + 0.08 * room
    return stereo(0.9 * wave / np.abs(wave).max())


def squeezed(attack_ms, release_ms, **rest):
    compressor = Compressor(
        threshold_dbfs=-24.0,
        ratio=4.0,
        attack_ms=attack_ms,
        release_ms=release_ms,
        detector="peak",
        **rest,
    )
    return process(compressor, drums(), RATE_HZ)


def rms_db(sound):
    return 10 * np.log10(np.mean(sound**2))


def transient_to_sustain_db(sound):
    """Peak of a stroke's first 15 ms over the RMS from 80 to 200 ms, the mean of all but the first stroke."""
    strokes = sound[:, 0].reshape(BEATS, BEAT)[1:]
    ratios = [db(np.abs(stroke[:720]).max()) - rms_db(stroke[3840:9600]) for stroke in strokes]
    return np.mean(ratios)


def crest_db(sound):
    """Peak over RMS, without the first stroke."""
    return db(np.abs(sound[BEAT:]).max()) - rms_db(sound[BEAT:])


def test_a_slow_attack_with_a_fast_release_keeps_more_of_the_stroke():
    """Measured: +6.0 dB with 30 ms, -5.3 dB with 0.1 ms."""
    slow, fast = (transient_to_sustain_db(squeezed(attack, 80.0)) for attack in (30.0, 0.1))
    assert slow - fast >= 3


def test_a_fast_attack_with_a_fast_release_brings_the_sustain_up_to_the_stroke():
    """Measured: -5.3 dB."""
    change = transient_to_sustain_db(squeezed(0.1, 80.0)) - transient_to_sustain_db(drums())
    assert change <= -2


def test_look_ahead_brings_the_stroke_down():
    """Attack 1 ms; 0, 1, 2, 5 ms ahead: stroke +0.7, -1.5, -3.5, -5.4 dB, crest +2, -0.1, -2, -3.8 dB."""
    made = [squeezed(1.0, 80.0, lookahead_ms=ahead) for ahead in (0.0, 1.0, 2.0, 5.0)]
    strokes = [transient_to_sustain_db(each) for each in made]
    assert strokes == sorted(strokes, reverse=True)
    without, _, *ahead = [crest_db(each) - crest_db(drums()) for each in made]
    assert without > 0
    assert max(ahead) < -1


def test_a_faster_release_is_louder_at_the_same_peak():
    """Attack 0.1 ms; measured crest factor against the dry loop: -4.1, -3.4, -0.4 dB for 20, 80, 300 ms."""
    crests = [crest_db(squeezed(0.1, release)) for release in (20.0, 80.0, 300.0)]
    assert crests[0] < crests[1] - 0.3 < crests[2] - 2


@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_a_side_chain_high_pass_takes_the_kick_out_of_the_gain(detector):
    """A 55 Hz kick; swing measured with peak and RMS: 11.1 and 12.2 dB without, 4.9 and 5.7 dB at 90 Hz."""
    since = np.arange(2 * BEAT) % BEAT / RATE_HZ
    kick = stereo(sine(55, 2 * BEAT, 0.8) * np.exp(-8 * since) + sine(1000, 2 * BEAT, 0.05))
    swings = []
    for side_chain in ((), (Pass(shape="high_pass", freq_hz=90.0),)):
        compressor = Compressor(
            threshold_dbfs=-20.0,
            ratio=4.0,
            attack_ms=5.0,
            release_ms=80.0,
            detector=detector,
            side_chain=side_chain,
        )
        swings.append(np.ptp(db(gain_curve(compressor, kick)[BEAT:])))
    assert swings[0] > 10
    assert swings[1] < 6


BENT_DB = {  # detector, ballistics, attack in ms: for releases of 20, 100, 1000 ms
    ("peak", "branching", 0.1): (-31, -43, -62),
    ("peak", "branching", 10.0): (-38, -47, -64),
    ("peak", "branching", 30.0): (-43, -50, -65),
    ("peak", "decoupled", 10.0): (-54, -67, -87),
    ("peak", "decoupled", 30.0): (-64, -76, -96),
    ("rms", "branching", 0.1): (-54, -67, -87),
    ("rms", "branching", 10.0): (-62, -71, -88),
    ("rms", "branching", 30.0): (-66, -74, -89),
}


@pytest.mark.parametrize("how", BENT_DB)
def test_the_table_of_what_a_low_tone_suffers_is_measured(how):
    detector, ballistics, attack_ms = how
    for release_ms, told in zip((20.0, 100.0, 1000.0), BENT_DB[how], strict=True):
        compressor = Compressor(
            threshold_dbfs=-20.0,
            ratio=4.0,
            knee_db=0.0,
            attack_ms=attack_ms,
            release_ms=release_ms,
            detector=detector,
            ballistics=ballistics,
        )
        assert bent_db(compressor, -8) == pytest.approx(told, abs=1)


def test_the_docstring_tells_this_table():
    text = " ".join(Compressor.__doc__.split())
    for (detector, ballistics, attack_ms), told in BENT_DB.items():
        row = " / ".join(str(value) for value in told)
        assert f"{detector}, {ballistics}, attack {attack_ms:g} ms: {row}" in text


def bent_db(compressor, level_dbfs, freq_hz=100):
    """All harmonics of a tone together against it, in its second second."""
    tone = stereo(sine(freq_hz, 2 * RATE_HZ, 10 ** (level_dbfs / 20)))
    made = process(compressor, tone, RATE_HZ)[RATE_HZ:, 0]
    own, *others = oracles.harmonic_amplitudes(made, freq_hz, range(1, 30))
    return db(math.hypot(*others) / own)


@pytest.mark.parametrize("release_ms", [120.0, "auto"])
def test_the_default_leaves_a_low_tone_clean(release_ms):
    """100 Hz, 12 dB over the threshold; measured: -79 dB as it comes, -76 dB with an automatic release."""
    assert bent_db(Compressor(release_ms=release_ms), -6) < -70
