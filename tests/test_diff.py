"""What changed between two revisions: exactly that, in settings, decisions and sound."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner
from scipy import signal

import busproc
from busproc.cli import main
from busproc.delivery import diff_sound
from busproc.delivery.diff import diff
from busproc.delivery.diff_settings import matched
from busproc.delivery.diff_sound import apart
from busproc.delivery.diff_words import in_words
from busproc.delivery.printing import print_session
from busproc.errors import InputError
from tests.songs import RATE_HZ, noise, write_session

EQ = {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 300, "gain_db": -1.0}]}
GLUE = {"stage": "compressor", "name": "glue", "threshold_dbfs": -18, "ratio": 2}
PEAKS = {"stage": "compressor", "name": "peaks", "threshold_dbfs": -9, "ratio": 8}
LIMITER = {"stage": "limiter", "ceiling_dbtp": -1}
FULL_OCTAVES = ("500", "1000", "2000", "4000", "8000")
"""Those in which three seconds of noise hold so much that chance stays small."""


def chain(path, *stages, **rest):
    path.write_text(json.dumps({"format": "busproc-chain/1", "stages": [*stages]} | rest))
    return path


def rows(before, after):
    """The words, without indents."""
    return [line.strip() for line in in_words(diff(before, after)).splitlines()]


def section(before, after, title):
    """The rows under one title."""
    for part in in_words(diff(before, after)).split("\n\n"):
        head, *told = part.splitlines()
        if head.startswith(title):
            return [row.strip() for row in told]
    return []


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ([EQ, GLUE], [EQ, GLUE], []),
        ([{"stage": "gain"}], [{"stage": "gain", "gain_db": 0.0, "pan": 0}], []),  # a default written out
        (
            [EQ, GLUE],
            [EQ, GLUE | {"threshold_dbfs": -20}],
            ["stages[1] compressor 'glue'.threshold_dbfs: -18 -> -20 dBFS"],
        ),
        (
            [{"stage": "width"}],
            [{"stage": "width", "mono_below_hz": 90}],
            ["stages[0] width.mono_below_hz: none -> 90 Hz"],
        ),
        (
            [{"stage": "width", "mono_below_hz": 90}],
            [{"stage": "width"}],
            ["stages[0] width.mono_below_hz: 90 Hz -> none"],
        ),
        (
            [EQ],
            [{"stage": "gain", "gain_db": -2}, EQ],
            ["stages[0] gain: added (gain -2 dB)"],
        ),
        ([EQ, GLUE, LIMITER], [EQ, LIMITER], ["stages[1] compressor 'glue': removed"]),
        (
            [EQ, GLUE, LIMITER],
            [GLUE, EQ, LIMITER],
            ["stages[0] compressor 'glue': moved, was after eq, is first"],
        ),
        (  # by name, wherever it stands
            [GLUE, EQ, PEAKS],
            [PEAKS | {"ratio": 6}, GLUE, EQ],
            [
                "stages[0] compressor 'peaks': moved, was after eq, is first",
                "stages[0] compressor 'peaks'.ratio: 8 -> 6",
            ],
        ),
        (  # another name and other settings: another stage
            [GLUE],
            [PEAKS],
            [
                "stages[0] compressor 'glue': removed",
                "stages[0] compressor 'peaks': added (threshold -9 dBFS, ratio 8)",
            ],
        ),
        ([GLUE], [GLUE | {"name": "hold"}], ["stages[0] compressor 'hold'.name: glue -> hold"]),
        (  # of two alike, the one that differs least
            [EQ | {"phase": "linear"}, EQ],
            [{"stage": "eq"}, EQ | {"phase": "linear"}, EQ],
            ["stages[0] eq: added (as by default)"],
        ),
        (
            [EQ],
            [
                {
                    "stage": "eq",
                    "bands": [{"shape": "high_pass", "freq_hz": 30}, EQ["bands"][0] | {"gain_db": -2}],
                }
            ],
            [
                "stages[0] eq.bands[0] high_pass: added (freq 30 Hz, slope 12 dB/octave, on left_right)",
                "stages[0] eq.bands[1] bell.gain_db: -1 -> -2 dB",
            ],
        ),
        (
            [{"stage": "parallel", "branches": [{"level_db": -8, "stages": [GLUE]}]}],
            [{"stage": "parallel", "branches": [{"level_db": -6, "stages": [GLUE | {"ratio": 4}]}]}],
            [
                "stages[0] parallel.branches[0].stages[0] compressor 'glue'.ratio: 2 -> 4",
                "stages[0] parallel.branches[0].level_db: -8 -> -6 dB",
            ],
        ),
    ],
)
def test_two_chains(tmp_path, before, after, told):
    pair = chain(tmp_path / "a.json", *before), chain(tmp_path / "b.json", *after)
    assert rows(*pair) == (["settings", *told] if told else ["no difference"])


def test_a_condition_and_words_of_a_chain_are_settings_too(tmp_path):
    pair = (
        chain(tmp_path / "a.json", GLUE, title="Bus"),
        chain(
            tmp_path / "b.json", GLUE | {"when": {"measure": "integrated_lufs", "above": -20}}, title="Band"
        ),
    )
    assert rows(*pair) == [
        *("settings", "title: Bus -> Band"),
        "stages[0] compressor 'glue'.when: none -> (measure integrated_lufs, above -20, below none)",
    ]


def test_json_says_where_it_was_and_where_it_is(tmp_path):
    pair = chain(tmp_path / "a.json", EQ, GLUE), chain(tmp_path / "b.json", GLUE | {"ratio": 3}, EQ)
    result = CliRunner().invoke(main, ["diff", "--json", *map(str, pair)])
    assert result.exit_code == 0
    assert json.loads(result.stdout)["settings"] == [
        {"path": where, "label": label, "change": change, "before": before, "after": after, "unit": ""}
        for where, label, change, before, after in [
            ("stages[0]", "stages[0] compressor 'glue'", "moved", "eq", None),
            ("stages[0].ratio", "stages[0] compressor 'glue'.ratio", "changed", 2.0, 3.0),
        ]
    ]


def test_long_rides_are_matched_by_time(tmp_path):
    ride = [{"at_s": float(second), "level_db": 0.0} for second in range(10000)]
    other = [point for point in ride if point["at_s"] != 7.0]
    other[6] = {"at_s": 6.0, "level_db": 1.0}
    assert len(matched("ride", ride, other)) == 9999
    before = write_session(tmp_path / "a", {"kick": noise(0.1, 1)}, stem_keys={"kick": {"ride": ride}})
    after = write_session(tmp_path / "b", {"kick": noise(0.1, 1)}, stem_keys={"kick": {"ride": other}})
    assert rows(before, after) == [
        *("settings", "stems[0] 'kick'.ride[7]: removed"),
        "stems[0] 'kick'.ride[6].level_db: 0 -> 1 dB",
    ]


def test_two_sessions_with_their_chains(tmp_path):
    sounds = {name: noise(0.1, n) for n, name in enumerate(["kick", "bass", "horn"])}
    groups = {"groups": [{"name": "low"}], "returns": [{"name": "room"}], "mix_bus": {"chain": "bus.json"}}
    before = write_session(
        tmp_path / "a",
        sounds,
        {"bus": [EQ, GLUE], "horn": [EQ]},
        stem_keys={"bass": {"group": "low"}, "horn": {"chain": "horn.json"}},
        sends=[{"from": "kick", "to": "room", "level_db": -6}, {"from": "low", "to": "room"}],
        **groups,
    )
    after = write_session(
        tmp_path / "b",
        {"choir": noise(0.1, 9), "bass": sounds["bass"], "horn": sounds["horn"]},
        {"bus": [EQ], "horn": [EQ | {"phase": "linear"}]},
        stem_keys={"bass": {"pan": -0.25}, "horn": {"chain": "horn.json"}},
        sends=[{"from": "low", "to": "room", "level_db": -3}],
        deliver=[{"bits": "32_float"}, {"what": "stems", "bits": "32_float"}],
        **groups,
    )
    assert rows(before, after) == [
        "settings",
        "stems[0] 'kick': removed",
        (
            "stems[0] 'choir': added (level 0 dB, file choir.wav, gain 0 dB, polarity as_is, pan 0, "
            "mute false, heard true, fade in 0 ms, fade out 0 ms)"
        ),
        "stems[1] 'bass'.group: low -> none",
        "stems[1] 'bass'.pan: 0 -> -0.25",
        "sends[0] kick to room: removed",
        "sends[0] low to room.level_db: 0 -> -3 dB",
        "deliver[1] stems: added (container wav, bits 32_float, dither true, if over refuse)",
        "stems.horn.stages[0] eq.phase: minimum -> linear",
        "mix_bus.stages[1] compressor 'glue': removed",
    ]


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    """Two renders: a bell was raised, a threshold lowered, a stage added, a stem's file changed."""
    made = []
    for n, (gain_db, threshold_dbfs, more) in enumerate([(0, -12, []), (6, -24, [LIMITER])]):
        folder = tmp_path_factory.mktemp("song")
        bell = {"shape": "bell", "freq_hz": 1000, "gain_db": gain_db, "q": 1.0}
        bus = [{"stage": "eq", "bands": [bell]}, GLUE | {"threshold_dbfs": threshold_dbfs}, *more]
        session = write_session(
            folder,
            {"horn": noise(3, 1), "kick": noise(3, 2 + n)},
            {"bus": bus},
            mix_bus={"chain": "bus.json"},
        )
        made.append(busproc.render(session, folder / "out").log)
    return made


def test_two_logs(logs):
    """Every figure is that of the logs themselves, read here by hand."""
    old, new = (json.loads(log.read_text())["places"][-1] for log in logs)
    (eq, glue), (other_eq, other_glue, limiter) = old["decisions"], new["decisions"]
    found = {
        (each["place"], each["figure"]): (each["before"], each["after"]) for each in diff(*logs)["decisions"]
    }
    for place, one, other in [(0, eq["did"], other_eq["did"]), (1, glue["did"], other_glue["did"])]:
        pair = found.pop((f"mix_bus.stages[{place}]", "level change"))
        assert pair == (one["level_change_db"], other["level_change_db"])
    pair = found.pop(("mix_bus.stages[1]", "median reduction"))
    assert pair == (glue["did"]["median_db"], other_glue["did"]["median_db"])
    pair = found.pop(("mix_bus.stages[1]", "95th percentile of reduction"))
    assert pair == (glue["did"]["percentile_95_db"], other_glue["did"]["percentile_95_db"])
    assert found.pop(("mix_bus.stages[2]", "added")) == (None, limiter["why"])
    pair = found.pop(("mix_bus", "leaves at"))
    assert pair == (old["left_at"]["integrated_lufs"], new["left_at"]["integrated_lufs"])
    verdicts = [found.pop((f"mix_bus.stages[{n}]", "verdict"), None) for n in (0, 1)]
    assert verdicts[0] == ("left alone", "worked")
    before, after = found.pop(("mix_bus.stages[0]", "third octaves"))
    assert found.keys() <= {("stems.kick", "leaves at")}
    assert set(before.values()) == {0.0}
    change = other_eq["did"]["third_octave_change_db"]
    assert after == {name: value for name, value in change.items() if value >= 0.5}
    assert {"800", "1000", "1250"} < set(after) < set(change)


def test_two_logs_in_words(logs):
    assert section(*logs, "settings") == [
        "mix_bus.stages[0] eq.bands[0] bell.gain_db: 0 -> 6 dB",
        "mix_bus.stages[1] compressor 'glue'.threshold_dbfs: -12 -> -24 dBFS",
        "mix_bus.stages[2] limiter: added (as by default)",
    ]
    (kick,) = section(*logs, "inputs")
    assert kick.startswith("kick: kick.wav has SHA-256 ")
    assert section(*logs, "files") == ["1 of 1 files have other bytes"]
    told = section(*logs, "decisions")
    (eq,) = [row for row in told if row.startswith("mix_bus.stages[0] eq: ")]
    assert "verdict left alone -> worked" in eq
    assert "Hz, most at 1000 Hz +0.0 -> +" in eq
    (limiter,) = [row for row in told if row.startswith("mix_bus.stages[2] limiter: ")]
    assert limiter.startswith("mix_bus.stages[2] limiter: added. ")


def test_differences_that_nobody_hears_are_counted(logs, tmp_path):
    log = json.loads(logs[0].read_text())
    log["places"][-1]["decisions"][1]["did"]["median_db"] += 0.09
    log["places"][-1]["left_at"]["integrated_lufs"] += 0.04
    (tmp_path / "log.json").write_text(json.dumps(log))
    assert rows(logs[0], tmp_path / "log.json") == ["decisions", "2 smaller differences, each under 0.1 dB"]
    log["versions"]["soxr"] = "0.1"
    (tmp_path / "log.json").write_text(json.dumps(log))
    (row,) = section(logs[0], tmp_path / "log.json", "made with")
    assert row.endswith(" -> 0.1")


def test_stages_in_a_composite_are_compared(tmp_path):
    def log(folder, ratio, drive_db, *first):
        branch = {"level_db": -6, "stages": [GLUE | {"threshold_dbfs": -30, "ratio": ratio}]}
        low = {"up_to_hz": 200, "stages": [{"stage": "gain", "gain_db": drive_db}]}
        stages = [{"stage": "parallel", "branches": [*first, branch]}, {"stage": "split", "bands": [low]}]
        session = write_session(
            tmp_path / folder, {"horn": noise(1, 1)}, {"bus": stages}, mix_bus={"chain": "bus.json"}
        )
        return busproc.render(session, tmp_path / folder / "out").log

    before = log("a", 2, 0.0)
    after = log("b", 8, 3.0, {"level_db": -80, "stages": []})
    assert section(before, after, "settings") == [
        "mix_bus.stages[0] parallel.branches[0]: added (level -80 dB)",
        "mix_bus.stages[0] parallel.branches[1].stages[0] compressor 'glue'.ratio: 2 -> 8",
        "mix_bus.stages[1] split.bands[0].stages[0] gain.gain_db: 0 -> 3 dB",
    ]
    told = {(each["place"], each["figure"]) for each in diff(before, after)["decisions"]}
    assert ("mix_bus.stages[0].branches[1].stages[0]", "median reduction") in told
    assert ("mix_bus.stages[1].bands[0].stages[0]", "level change") in told


def bell_hz(freqs_hz, gain_db=6.0, at_hz=1000.0, q=1.0):
    """Transfer function of an analog bell.

    Source: Robert Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients: H(s) of
    peakingEQ.
    """
    a, s = 10 ** (gain_db / 40), 1j * freqs_hz / at_hz
    return (s * s + s * (a / q) + 1) / (s * s + s / (a * q) + 1)


def expected_residue_db(transfer, freqs_hz):
    """What is left of white noise by octave once the filtered one is turned to the first by least squares."""
    gain = transfer.real.mean() / (np.abs(transfer) ** 2).mean()
    left = np.abs(gain * transfer - 1) ** 2
    middles_hz = {name: 1000 * 10 ** (0.3 * n) for n, name in enumerate(FULL_OCTAVES, -1)}
    return {
        name: 10 * np.log10(left[(freqs_hz >= mid / 10**0.15) & (freqs_hz < mid * 10**0.15)].mean())
        for name, mid in middles_hz.items()
    }


def deliver(folder, *stages, **rest):
    """A delivery of a song of one stem of white noise, 3 s, through these stages."""
    sound = 0.1 * np.random.default_rng(5).uniform(-1, 1, (3 * RATE_HZ, 2))
    rest = {"mix_bus": {"chain": "bus.json"}, "deliver": [{}]} | rest
    session = write_session(folder, {"noise": sound}, {"bus": [*stages]}, **rest)
    return print_session(session, folder / "delivery").folder


def test_a_bell_shows_as_residue_at_the_level_of_its_transfer_function(tmp_path):
    bell = {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 1000, "gain_db": 6.0, "q": 1.0}]}
    pair = deliver(tmp_path / "a"), deliver(tmp_path / "b", bell)
    found = diff(*pair)
    assert [each["path"] for each in found["settings"]] == ["mix_bus.stages[0]"]
    (mix,) = found["sound"]
    assert (mix["what"], mix["piece"], mix["rate_hz"]) == ("mix", "mix", RATE_HZ)
    freqs_hz = np.linspace(0, RATE_HZ / 2, 100_001)
    expected = expected_residue_db(bell_hz(freqs_hz), freqs_hz)
    for name in FULL_OCTAVES[:-1]:  # in the highest the digital bell's phase is no longer the analog one's
        assert mix["octaves"][name]["residue_db"] == pytest.approx(expected[name], abs=0.3)
    octaves = {name: each["residue_db"] for name, each in mix["octaves"].items()}
    assert max(octaves, key=octaves.get) == "1000"


@pytest.mark.parametrize("gain_db", [6.0, -9.0])
def test_residue_of_a_filter_by_somebody_else(tmp_path, gain_db):
    """The files are written by soundfile, filtered by scipy, and predicted from the filter alone."""
    a, angle = 10 ** (gain_db / 40), 2 * np.pi * 1000 / RATE_HZ
    alpha = np.sin(angle) / 2
    taps = (
        [1 + alpha * a, -2 * np.cos(angle), 1 - alpha * a],
        [1 + alpha / a, -2 * np.cos(angle), 1 - alpha / a],
    )
    sound = 0.1 * np.random.default_rng(7).standard_normal((4 * RATE_HZ, 2))
    sf.write(tmp_path / "a.wav", sound, RATE_HZ, "FLOAT")
    sf.write(tmp_path / "b.wav", signal.lfilter(*taps, sound, axis=0), RATE_HZ, "FLOAT")
    freqs_hz, transfer = signal.freqz(*taps, worN=100_000, fs=RATE_HZ)
    found = apart(tmp_path / "a.wav", tmp_path / "b.wav")
    for name, level_db in expected_residue_db(transfer, freqs_hz).items():
        assert found["octaves"][name]["residue_db"] == pytest.approx(level_db, abs=0.15)
    gain = transfer.real.mean() / (np.abs(transfer) ** 2).mean()
    assert found["matched_by_db"] == pytest.approx(20 * np.log10(gain), abs=0.05)


def test_a_change_of_gain_leaves_no_residue(tmp_path):
    pair = (
        deliver(tmp_path / "a", {"stage": "gain"}),
        deliver(tmp_path / "b", {"stage": "gain", "gain_db": -1.5}),
    )
    (mix,) = diff(*pair)["sound"]
    assert mix["loudness_difference_lu"] == pytest.approx(-1.5, abs=0.011)  # two figures of 0.01
    assert mix["matched_by_db"] == pytest.approx(1.5, abs=0.005)
    assert len(mix["octaves"]) == 10
    assert all(each["residue_db"] < -100 for each in mix["octaves"].values())
    told = rows(*pair)
    assert told[told.index("settings") + 1] == "mix_bus.stages[0] gain.gain_db: 0 -> -1.5 dB"
    assert told[-1].split() == ["mix,", "48", "kHz", "-1.5", "LU", *["<-100"] * 10]


def test_deliveries_that_are_the_same_have_no_difference(tmp_path):
    pair = deliver(tmp_path / "a", EQ), deliver(tmp_path / "b", EQ)
    assert rows(*pair) == ["no difference"]
    assert diff(*pair)["sound"] == []


def test_names_of_chain_files_in_a_delivery_are_no_difference(tmp_path):
    """A chain more renames those behind it."""
    keys = {"stem_keys": {"noise": {"chain": "first.json"}}}
    (tmp_path / "b").mkdir()
    chain(tmp_path / "b" / "first.json", {"stage": "gain", "gain_db": -3})
    pair = deliver(tmp_path / "a", EQ), deliver(tmp_path / "b", EQ, **keys)
    assert section(*pair, "settings") == ["stems.noise.stages[0] gain: added (gain -3 dB)"]


def test_files_are_matched_by_role(tmp_path):
    """A set in 16 bits comes, one at another rate goes; what stays is compared with its like."""
    low, other = {"bits": 16}, {"rate_hz": 44100}
    pair = (
        deliver(tmp_path / "a", GLUE, deliver=[{}, other]),
        deliver(tmp_path / "b", GLUE | {"threshold_dbfs": -40}, deliver=[low, {}, {"what": "stems"}]),
    )
    found = diff(*pair)
    assert [(each["before_file"], each["after_file"]) for each in found["sound"]] == [
        ("Test_Song_mix_48k24.wav", "Test_Song_mix_48k24.wav")
    ]
    assert found["files"] == {
        "of": 1,
        "only_before": ["Test_Song_mix_44.1k24.wav"],
        "only_after": ["Test_Song_mix_48k16.wav", "stems/Test_Song_01_noise_48k24.wav"],
        "other_bytes": ["Test_Song_mix_48k24.wav"],
    }


def written(path, sound, rate_hz=RATE_HZ):
    sf.write(path, sound, rate_hz, "FLOAT")
    return path


def test_the_size_of_blocks_does_not_matter(tmp_path, monkeypatch):
    pair = written(tmp_path / "a.wav", noise(0.9, 1)), written(tmp_path / "b.wav", noise(1.0, 2))
    found = apart(*pair)
    monkeypatch.setattr(diff_sound, "BLOCK_FRAMES", 1000)
    assert apart(*pair) == found


def test_polarity_silence_and_what_only_one_has(tmp_path):
    seconds = np.arange(2 * RATE_HZ) / RATE_HZ
    low, high = (np.repeat(0.1 * np.sin(2 * np.pi * f * seconds)[:, None], 2, axis=1) for f in (250, 4000))
    fade = signal.windows.tukey(len(low), 0.5)[:, None]
    one = written(tmp_path / "a.wav", low * fade)
    turned = apart(one, written(tmp_path / "b.wav", -0.5 * low * fade))
    assert turned["polarity_inverted"]
    assert turned["matched_by_db"] == pytest.approx(6.02, abs=0.01)
    assert turned["octaves"]["250"]["residue_dbfs"] is None
    more = apart(one, written(tmp_path / "c.wav", (low + high) * fade))
    assert more["octaves"]["4000"]["residue_dbfs"] - more["octaves"]["250"]["before_dbfs"] == pytest.approx(
        20 * np.log10(0.5), abs=0.2
    )  # two tones of one level: least squares turns both down by half
    silence = written(tmp_path / "d.wav", 0 * low)
    for pair, residue_db in [((silence, one), None), ((one, silence), 0.0)]:
        found = apart(*pair)
        assert found["matched_by_db"] is None
        assert found["octaves"]["250"]["residue_db"] == residue_db
        assert found["octaves"]["250"]["residue_dbfs"] == turned["octaves"]["250"]["before_dbfs"]


def test_a_rate_holds_the_octaves_under_half_of_it(tmp_path):
    pair = (
        written(tmp_path / "a.wav", noise(1, 1, rate_hz=8000), 8000),
        written(tmp_path / "b.wav", noise(1, 2, rate_hz=8000), 8000),
    )
    assert list(apart(*pair)["octaves"]) == ["31.5", "63", "125", "250", "500", "1000", "2000", "4000"]


def test_only_two_of_a_kind_are_compared(tmp_path, logs):
    delivery = deliver(tmp_path / "a", EQ)
    bus, session = tmp_path / "a" / "bus.json", tmp_path / "a" / "session.json"
    for pair in [(bus, session), (session, logs[0]), (logs[0], delivery), (delivery, bus)]:
        with pytest.raises(InputError, match="give two of a kind: two chain files, two session files"):
            diff(*pair)
    with pytest.raises(InputError, match="is the manifest of a delivery; give the folder"):
        diff(delivery / "delivery.json", delivery)
    with pytest.raises(InputError, match=r"delivery\.json: 1 fault\n  no such file"):
        diff(tmp_path, delivery)
    (tmp_path / "other.json").write_text('{"format": "other/1"}')
    with pytest.raises(InputError, match='format: this is "other/1"; busproc compares "busproc-chain/1"'):
        diff(tmp_path / "other.json", bus)
    result = CliRunner().invoke(main, ["diff", str(bus), str(session)])
    assert (result.exit_code, result.stdout) == (2, "")
    assert len(result.stderr.splitlines()) == 1


def test_a_file_that_is_not_the_delivered_one_is_refused(tmp_path):
    pair = deliver(tmp_path / "a", EQ), deliver(tmp_path / "b", GLUE)
    (mix,) = pair[1].glob("*.wav")
    sound, rate_hz = sf.read(mix)
    sf.write(mix, sound[:-1], rate_hz, "PCM_24")
    with pytest.raises(InputError, match="put the delivered file back"):
        diff(*pair)
    mix.unlink()
    with pytest.raises(InputError, match="does not exist"):
        diff(*pair)
