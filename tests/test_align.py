"""A stem brought into time and phase with another: to a part of a frame, in any block, and told."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf
from scipy import signal

import busproc
from busproc.measure.alignment import align_pair
from busproc.measure.alignment_rotation import AllPass, fit_rotation
from busproc.mixing import start_graph
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.song import load_session
from tests.songs import RATE_HZ, noise, write_session

SECONDS = 2.0
TURNS = [{"freq_hz": 300.0, "q": 0.7}, {"freq_hz": 2000.0}]


def mix_of(session, block_frames=4096):
    song = load_session(session)
    plan = plan_graph(song, {})
    return np.concatenate(list(stream(plan, start_graph(plan), block_frames)))[:, 0]


def solo(folder, sound, align=None, rest=None, rate_hz=RATE_HZ, block_frames=4096, **keys):
    """The mix of one stem, with silence of the same length and half a second more beside it."""
    stems = {"a": sound, "still": np.zeros((len(sound) + rate_hz // 2, 1))}
    keys |= {} if align is None else {"align": align}
    rates = {"a": rate_hz, "still": rate_hz} | (rest or {})
    session = write_session(folder, stems, stem_keys={"a": keys}, rates=rates, rate_hz=RATE_HZ)
    return mix_of(session, block_frames)


def stored(sound):
    return sound.astype(np.float32).astype(np.float64)


def source(seconds=SECONDS, seed=0, channels=1):
    """White noise that falls away from 18 to 20 kHz, between 0.1 s of silence, `(frames, channels)`."""
    sound = np.random.default_rng(seed).normal(0, 0.1, (round(seconds * RATE_HZ), channels))
    sound *= signal.windows.tukey(len(sound), 0.1)[:, None]
    sound = np.pad(sound, ((RATE_HZ // 10, RATE_HZ // 10), (0, 0)))
    down = np.clip(np.fft.rfftfreq(len(sound), 1 / RATE_HZ) / 2000 - 9, 0, 1)
    gain = (0.5 + 0.5 * np.cos(np.pi * down))[:, None]
    return np.fft.irfft(np.fft.rfft(sound, axis=0) * gain, len(sound), axis=0)


def late(sound, frames):
    """The sound so many frames later, by the phases of its spectrum."""
    turn = 2 * np.pi * np.fft.rfftfreq(len(sound)) * frames
    return np.fft.irfft(np.fft.rfft(sound, axis=0) * np.exp(-1j * turn)[:, None], len(sound), axis=0)


def gains_db(made, before, top_hz=15000):
    """Level of one sound against another in bands of 200 Hz from 100 Hz on, on the left."""
    freqs_hz = np.fft.rfftfreq(len(before), 1 / RATE_HZ)
    powers = [np.abs(np.fft.rfft(each[:, 0])) ** 2 for each in (made, before)]
    bands = [(freqs_hz >= low) & (freqs_hz < low + 200) for low in range(100, top_hz, 200)]
    return np.array([10 * np.log10(powers[0][band].sum() / powers[1][band].sum()) for band in bands])


@pytest.mark.parametrize("frames", [0.3, 37.41, -5.5, -212.777, 400.99])
def test_a_pair_adds_up_once_the_measured_delay_is_undone(tmp_path, frames):
    one = source()
    other = late(one, frames)
    found = align_pair(one[:, 0], other[:, 0], RATE_HZ)
    keys = {"align": {"delay_ms": -1000 * found.delay_frames / RATE_HZ}}
    stems = {"one": one, "other": other}
    now = mix_of(write_session(tmp_path / "now", stems))
    then = mix_of(write_session(tmp_path / "then", stems, stem_keys={"other": keys}))[: len(one)]
    np.testing.assert_allclose(gains_db(then, one), 20 * np.log10(2), atol=0.1)
    assert gains_db(now, one).min() < 5.7


@pytest.mark.parametrize("delay", [12.25, -12.25, -0.001, 2399.5, -2399.5])
@pytest.mark.parametrize("start_frame", [0, 4321])
def test_the_sound_comes_where_it_is_put(tmp_path, delay, start_frame):
    sound = source(0.3, channels=2)
    keys = {"align": {"delay_ms": 1000 * delay / RATE_HZ}, "start_s": start_frame / RATE_HZ}
    made = solo(tmp_path, sound, **keys)
    expected = np.zeros_like(made)
    expected[start_frame : start_frame + len(sound)] = sound
    np.testing.assert_allclose(made, late(expected, delay), atol=1e-6)


@pytest.mark.parametrize("frames", [1, -1, 145, -145, -2400, 2400])
def test_whole_frames_are_moved_bit_for_bit(tmp_path, frames):
    """A number of ms that is a whole number of frames but for its last digits, too."""
    sound = stored(noise(0.4, 5))
    plain = solo(tmp_path / "plain", sound)
    for n, ms in enumerate((1000 * frames / RATE_HZ, round(1000 * frames / RATE_HZ, 5))):
        moved = solo(tmp_path / str(n), sound, {"delay_ms": ms})
        kept = slice(max(0, -frames), len(sound))
        expected = np.zeros_like(moved)
        expected[kept.start + frames : kept.stop + frames] = sound[kept]
        assert moved.tobytes() == expected.tobytes()
        assert plain[: len(sound)].tobytes() == sound.tobytes()


def test_without_a_correction_the_bytes_are_those_of_before(tmp_path):
    sound = noise(0.3, 2, channels=1)
    files = [
        busproc.render(
            write_session(tmp_path / name, {"a": sound}, stem_keys={"a": keys}), tmp_path / name / "out"
        ).files[0]
        for name, keys in {
            "left_out": {},
            "neutral": {"align": {"delay_ms": 0, "rotate": []}},
            "empty": {"align": {}},
        }.items()
    ]
    assert len({file.read_bytes() for file in files}) == 1
    assert (sf.read(files[0])[0] == np.repeat(stored(sound), 2, axis=1)).all()


@pytest.mark.parametrize("delay_ms", [3.3, -3.3])
@pytest.mark.parametrize(
    "keys", [{}, {"start_s": 0.0015}, {"fade_in_ms": 30, "fade_out_ms": 20, "gain_db": 3}]
)
def test_block_size_does_not_matter(tmp_path, delay_ms, keys):
    align = {"delay_ms": delay_ms, "rotate": TURNS}
    whole = solo(tmp_path, noise(0.4, 3), align, block_frames=1 << 20, **keys)
    for block_frames in (37, 4096):
        again = solo(tmp_path, noise(0.4, 3), align, block_frames=block_frames, **keys)
        assert again.tobytes() == whole.tobytes()


def test_a_passage_equals_that_part_of_the_whole(tmp_path):
    keys = {"align": {"delay_ms": -4.321, "rotate": TURNS}}
    session = write_session(tmp_path, {"a": noise(0.6, 1)}, stem_keys={"a": keys})
    whole = sf.read(busproc.render(session, tmp_path / "whole").files[0])[0]
    part = sf.read(busproc.render(session, tmp_path / "part", from_s=0.11, to_s=0.37).files[0])[0]
    np.testing.assert_array_equal(part, whole[round(0.11 * RATE_HZ) : round(0.37 * RATE_HZ)])


def test_filters_have_heard_what_lies_before_the_song(tmp_path):
    """A file cut at its front by the move sounds from frame 0 on as if it had been whole."""
    sound, align = noise(0.4, 4), {"delay_ms": -20.005, "rotate": [{"freq_hz": 40, "q": 4}]}
    cut = solo(tmp_path, sound, align)
    placed = solo(tmp_path, sound, align, start_s=0.1)
    late_frames = RATE_HZ // 10
    assert cut[:-late_frames].tobytes() == placed[late_frames:].tobytes()


@pytest.mark.parametrize("turn", TURNS)
def test_a_rotation_is_its_all_pass(tmp_path, turn):
    """Against a filter of textbook form: the response of a single frame."""
    click = np.zeros((RATE_HZ, 1))
    click[0] = 1
    made = solo(tmp_path, click, {"rotate": [turn]})[:, 0]
    freqs_hz = np.geomspace(20, 20000, 300)
    response = signal.freqz(made, worN=freqs_hz, fs=RATE_HZ)[1]
    x = 1j * np.tan(np.pi * freqs_hz / RATE_HZ) / np.tan(np.pi * turn["freq_hz"] / RATE_HZ)
    over = 1 - x if "q" not in turn else 1 + x * x - x / turn["q"]
    np.testing.assert_allclose(response, over / np.conj(over), atol=1e-9)


def test_a_measured_rotation_brings_back_what_an_all_pass_took(tmp_path):
    """The dry sound against itself through an all-pass and 2.6 frames late: nearly all of the 6 dB."""
    one = source(6)
    *b, a1, a2 = AllPass(400.0, 0.7).section(RATE_HZ)
    dry, turned = late(signal.lfilter(b, [1, a1, a2], one, axis=0), 2.6), one
    found = align_pair(dry[:, 0], turned[:, 0], RATE_HZ)
    fitted = fit_rotation(dry[:, 0], turned[:, 0], RATE_HZ, found)
    align = {
        "delay_ms": -1000 * fitted.delay_frames / RATE_HZ,
        "rotate": [{"freq_hz": each.freq_hz, "q": each.q} for each in fitted.filters],
    }
    stems = {"dry": dry, "turned": turned}
    keys = {"turned": {"align": align, "polarity": "as_is" if fitted.polarity == 1 else "inverted"}}
    only_late = {"turned": {"align": {"delay_ms": -1000 * found.delay_frames / RATE_HZ}}}
    then = mix_of(write_session(tmp_path / "then", stems, stem_keys=keys))[: len(dry)]
    delayed = mix_of(write_session(tmp_path / "delayed", stems, stem_keys=only_late))[: len(dry)]
    assert gains_db(then, dry).min() > 5.9
    assert gains_db(delayed, dry).min() < 3


def test_a_converted_stem_is_aligned_in_frames_of_the_song(tmp_path):
    sound = noise(0.4, 6, rate_hz=44100)
    rates = {"a": 44100}
    plain = solo(tmp_path / "plain", sound, rest=rates)
    moved = solo(tmp_path / "moved", sound, {"delay_ms": 1000 * 100 / RATE_HZ}, rest=rates)
    assert moved[100:].tobytes() == plain[:-100].tobytes()


def test_fades_go_with_the_file(tmp_path):
    keys = {"fade_in_ms": 100, "fade_out_ms": 50}
    sound = np.full((24000, 2), 0.5)
    plain = solo(tmp_path / "plain", sound, **keys)
    moved = solo(tmp_path / "moved", sound, {"delay_ms": 10}, **keys)
    assert moved[480:].tobytes() == plain[:-480].tobytes()


@pytest.mark.parametrize(("delay_ms", "frames"), [(0, 4800), (-50, 4800), (10, 5280), (10.01, 5281)])
def test_an_alignment_can_make_a_song_longer_and_never_shorter(tmp_path, delay_ms, frames):
    keys = {"align": {"delay_ms": delay_ms}}
    session = write_session(tmp_path, {"a": noise(0.1, 1)}, stem_keys={"a": keys})
    assert load_session(session).frames == len(mix_of(session)) == frames


def test_a_file_moved_out_of_the_song_leaves_silence(tmp_path):
    session = write_session(
        tmp_path, {"a": noise(0.02, 1)}, stem_keys={"a": {"align": {"delay_ms": -50}, "gain_db": 3}}
    )
    assert not mix_of(session).any()
    done = busproc.render(session, tmp_path / "out")
    assert "aligned 50 ms earlier (2400 frames; cut 960 before the song's start)" in moves_of(done, "a")


def moves_of(done, name):
    (place,) = [each for each in done.decisions["places"] if name in each["place"]]
    return place["moved"]


def test_the_log_tells_what_was_moved_and_turned(tmp_path):
    keys = {
        "early": {"align": {"delay_ms": -2.5, "rotate": TURNS}, "start_s": 0.1, "polarity": "inverted"},
        "later": {"align": {"delay_ms": 0.01}},
        "cut": {"align": {"delay_ms": -0.111}},
        "plain": {"align": {}},
    }
    stems = {name: noise(0.2, n) for n, name in enumerate(keys)}
    done = busproc.render(write_session(tmp_path, stems, stem_keys=keys), tmp_path / "out")
    assert moves_of(done, "early") == [
        "polarity inverted",
        "aligned 2.5 ms earlier (120 frames)",
        "phase turned by all-pass at 300 Hz q 0.7 and 2000 Hz",
    ]
    assert moves_of(done, "later") == ["aligned 0.01 ms later (0.48 frames)"]
    assert moves_of(done, "cut") == ["aligned 0.111 ms earlier (5.328 frames; cut 6 before the song's start)"]
    assert moves_of(done, "plain") == []
    assert "aligned 2.5 ms earlier (120 frames), phase turned" in done.words.read_text()
    held = done.decisions["session"]["stems"][0]["align"]
    assert held == {
        "delay_ms": -2.5,
        "rotate": [{"freq_hz": 300.0, "q": 0.7}, {"freq_hz": 2000.0, "q": None}],
    }


@pytest.mark.parametrize(
    ("align", "fault"),
    [
        ({"delay_ms": 50.1}, "align.delay_ms: must be a number from -50 to 50 ms, not 50.1"),
        ({"delay_ms": -51}, "align.delay_ms: must be a number from -50 to 50 ms, not -51"),
        ({"rotate": [*TURNS, *TURNS]}, "align.rotate: must be "),
        ({"rotate": [{"q": 1}]}, "align.rotate[0].freq_hz: missing"),
        ({"polarity": "inverted"}, "align.polarity: unknown key"),
    ],
)
def test_a_bad_alignment_is_refused_with_its_range(tmp_path, align, fault):
    session = write_session(tmp_path, {"a": noise(0.1, 1)}, stem_keys={"a": {"align": align}})
    with pytest.raises(busproc.SettingsFileError) as caught:
        load_session(session)
    (told,) = caught.value.faults
    assert told.startswith(f"stems[0].{fault}")


def test_an_all_pass_that_the_rate_cannot_carry_is_refused(tmp_path):
    keys = {"align": {"rotate": [{"freq_hz": 16000.0}]}}
    session = write_session(tmp_path, {"a": noise(0.1, 1)}, rate_hz=32000, stem_keys={"a": keys})
    with pytest.raises(busproc.SettingsFileError, match=r"stems\[0\]\.align\.rotate\[0\]: .* under 15968 Hz"):
        load_session(session)
