"""A shootout with all that it names: every fault at once, songs of both kinds ready to render."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile as sf

from busproc.chain import Chain
from busproc.delivery.orders import Delivery
from busproc.errors import AudioFileError, SettingsFileError
from busproc.rendering import render
from busproc.shootouts.loading import finished_mix, load_shootout
from busproc.stages.gain import Gain
from tests.songs import noise, write_session

HOLD = {"stage": "compressor", "name": "hold", "attack_ms": 30}


def write_chain(file, *stages):
    file.write_text(json.dumps({"format": "busproc-chain/1", "stages": stages}))


def write_shootout(folder, **keys):
    """A session of 4 s with a chain of its own, a finished mix of 2 s, and a shootout of both."""
    write_session(
        folder / "song",
        {"a": noise(4.0, 1), "kick": noise(1.0, 2)},
        {"own": [HOLD, {"stage": "gain", "gain_db": -3}]},
        stem_keys={"kick": {"heard": False}},
        mix_bus={"chain": "own.json"},
        song="Low Tide",
    )
    sf.write(folder / "mix.wav", noise(2.0, 3), 48000, subtype="FLOAT")
    write_chain(folder / "base.json", HOLD, {"stage": "gain", "gain_db": 2})
    document = {
        "format": "busproc-shootout/1",
        "shootout": "Slow or fast",
        "songs": [{"file": "song/session.json"}, {"file": "mix.wav"}],
        "chain": "base.json",
        "variations": [{"name": "slower", "set": {"hold.attack_ms": 60}}],
    }
    file = folder / "shootout.json"
    file.write_text(json.dumps({k: v for k, v in (document | keys).items() if v is not None}))
    return file


def faults(file):
    """What is said of a shootout file."""
    with pytest.raises(SettingsFileError) as caught:
        load_shootout(file)
    return caught.value.faults


def test_songs_of_both_kinds_go_through_the_same_variations(tmp_path):
    sf.write(tmp_path / "longer.wav", noise(5.0, 3), 44100)
    contest = load_shootout(
        write_shootout(
            tmp_path,
            reference="mix.wav",
            goal={"lower": "distance_db"},
            weights={"width_distance_db": 1},
            blind={},
            refine={"ranges": {"hold.attack_ms": [1, 100]}},
            match={"to": "short_term", "passage": "start"},
            songs=[
                {"file": "song/session.json", "passages": [{"name": "start", "from_s": 0.5, "to_s": 4}]},
                {"file": "longer.wav", "passages": [{"name": "start", "from_s": 0, "to_s": 3.5}]},
            ],
        )
    )
    session, mix = contest.songs
    assert [each.name for each in session.variations] == ["untouched", "slower", "hidden repeat"]
    assert session.variations == mix.variations
    assert session.variations[1].chain.stages[0].attack_ms == 60
    assert [passage.called for passage in session.passages] == ["whole", "start"]
    assert (session.song.rate_hz, mix.song.rate_hz) == (48000, 44100)
    assert mix.song.session.song == "longer"
    assert contest.reference.frames == 96000
    assert contest.pairs == (("v01", "v00"),)


def test_without_a_base_chain_each_session_varies_its_own(tmp_path):
    songs = [{"file": "song/session.json"}, {"file": "other/session.json"}]
    write_session(tmp_path / "other", {"a": noise(1.0, 1)}, {"own": [HOLD]}, mix_bus={"chain": "own.json"})
    one, other = load_shootout(write_shootout(tmp_path, chain=None, songs=songs)).songs
    assert [len(each.variations[1].chain.stages) for each in (one, other)] == [2, 1]
    assert [each.variations[1].chain.stages[0].attack_ms for each in (one, other)] == [60, 60]
    assert [each.id for each in one.variations] == [each.id for each in other.variations]
    write_shootout(tmp_path, chain=None, songs=songs, variations=[{"name": "x", "set": {"gain.gain_db": 1}}])
    assert faults(tmp_path / "shootout.json") == [
        "songs[1]: variations[0].set: gain.gain_db: no stage is called 'gain'"
    ]


def test_a_finished_mix_has_no_chain_to_vary(tmp_path):
    assert faults(write_shootout(tmp_path, chain=None)) == [
        "chain: missing; songs[1] is a finished mix and has no chain of its own to vary"
    ]
    whole = [{"name": "other", "chain": "base.json", "set": {"gain.gain_db": 1}}]
    contest = load_shootout(write_shootout(tmp_path, chain=None, variations=whole))
    assert contest.songs[1].variations[1].chain.stages[1].gain_db == 1


@pytest.mark.parametrize("channels", [1, 2])
def test_a_finished_mix_renders_as_it_is_and_through_a_chain(tmp_path, channels):
    sound = noise(1.0, 5, channels).astype(np.float32)
    sf.write(tmp_path / "mix.wav", sound, 44100, subtype="FLOAT")
    song = finished_mix(tmp_path / "mix.wav")
    song = replace(song, session=song.session.model_copy(update={"deliver": (Delivery(bits="32_float"),)}))
    for chain, factor in ((Chain(), 1.0), (Chain(stages=(Gain(gain_db=-20.0),)), 0.1)):
        treated = song.with_mix_bus(chain)
        (file,) = render(treated, tmp_path / f"out{factor}").files
        written, rate_hz = sf.read(file, dtype="float32", always_2d=True)
        assert rate_hz == 44100
        wanted = np.broadcast_to(sound.astype(np.float64) * factor, written.shape)
        np.testing.assert_allclose(written, wanted, rtol=2e-7 if factor != 1.0 else 0)  # 32-bit rounding


def test_faults_of_every_kind_are_told_at_once(tmp_path):
    told = faults(
        write_shootout(
            tmp_path,
            songs=[
                {"file": "song/session.json", "passages": [{"name": "end", "from_s": 3, "to_s": 5}]},
                {"file": "mix.wav", "passages": [{"name": "whole", "from_s": 1, "to_s": 2}]},
                {"file": "mix.wav"},
                {"file": "nowhere.wav"},
                {"file": "song/sesion.json"},
            ],
            variations=[
                {"name": "a", "set": {"hold.ratio": 0.5}},
                {"name": "b", "chain": "nowhere.json"},
                {"name": "a"},
            ],
            reference="silence.wav",
            goal={"raise": "distance_db"},
            refine={"ranges": {"hold.ratio": [0.5, 20], "hold.rato": [1, 2]}},
            match={"to": "short_term", "passage": "edn"},
        )
    )
    ratio = 'stages[0].ratio: must be a number from 1 to 1000 or "infinity", not 0.5'
    assert told == [
        "songs[2].file: mix.wav is songs[1] already",
        f"songs[3].file: {tmp_path / 'nowhere.wav'} does not exist: check the name and the folder",
        "songs[4].file = song/sesion.json: no such file; did you mean session.json?",
        "variations[1].chain = nowhere.json: no such file",
        "variations[2].name: 'a' is already the name of variations[0]; names must differ",
        "songs[0].passages[0].to_s: 5 s is after the end of 'Low Tide' (songs[0]), which lasts 4.000 s",
        f"variations[0].set: {ratio}",
        f"refine.ranges.hold.ratio[0]: {ratio}",
        *(
            f"refine.ranges.hold.rato[{n}]: hold.rato: there is no such setting; did you mean ratio?"
            for n in range(2)
        ),
        "songs[1].passages[0].name: 'whole' is already the name of passages[0]; names must differ",
        "match.passage: songs[0] has no passage called 'edn'; did you mean end?",
        "match.passage: songs[1] has no passage called 'edn'",
        "goal.raise: distance_db is made of parts that you weigh; give weights",
        f"reference: {tmp_path / 'silence.wav'} does not exist: check the name and the folder",
    ]


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        (
            {"passages": [{"name": "end", "from_s": 1, "to_s": 3}]},
            ["passages[0].to_s: 3 s is after the end of 'mix' (songs[1]), which lasts 2.000 s"],
        ),
        (
            {"match": {"to": "short_term", "passage": "whole"}},
            ["match.passage: 'whole' lasts 2 s in songs[1]; short-term loudness needs 3 s"],
        ),
        (
            {"goal": {"raise": "width_db", "keep": {"width_distance_db": 1}}},
            ["goal.keep.width_distance_db: width_distance_db is the distance to a reference; give one"],
        ),
        (
            {"weights": {"width_distance_db": 1}},
            ["weights: weigh the parts of the distance to a reference; give one"],
        ),
        (
            {"refine": {"ranges": {"hold.attack_ms": [1, 2]}}},
            ["refine: searches for the goal; give one"],
        ),
        (
            {"blind": {}, "controls": None},
            ["blind.pairs: missing; without controls there is no untouched input to compare with"],
        ),
        (
            {"blind": {"pairs": [["slower", "fast"]]}},
            ["blind.pairs[0]: no variation is called 'fast'"],
        ),
        ({"chain": "nowhere.json"}, ["chain = nowhere.json: no such file"]),
    ],
)
def test_what_does_not_go_together_is_told(tmp_path, keys, told):
    file = write_shootout(tmp_path, **keys)
    if None in keys.values():
        file.write_text(json.dumps(json.loads(file.read_text()) | keys))
    assert faults(file) == told


def test_a_chain_must_run_on_every_song(tmp_path):
    """A filter too high for one song's rate; a key that only one song has."""
    high = {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 22500, "gain_db": 3}]}
    file = write_shootout(tmp_path, chain="high.json", variations=[{"name": "high"}, {"name": "again"}])
    write_chain(tmp_path / "high.json", high, HOLD | {"key": {"from": "kick"}})
    sf.write(tmp_path / "mix.wav", noise(2.0, 3), 44100)
    filters, keys = sorted(faults(file), key=lambda fault: "kick" in fault)
    assert filters.startswith("songs[1]: 'high': stages[0]: a filter at 22500 Hz cannot run at 44100 Hz")
    assert keys == "songs[1]: 'high': stages[1].key.from: 'kick' is no stem, group or return of it"


def test_a_key_is_heard_before_the_mix_bus_also_where_it_was_not_needed_there(tmp_path):
    """The key's own chain listens to a stem, so nothing else puts it before the mix bus."""
    session = write_session(
        tmp_path / "song",
        {"a": noise(1.0, 1), "kick": noise(1.0, 2)},
        {"ducked": [HOLD | {"key": {"from": "a"}}]},
        stem_keys={"kick": {"heard": False, "chain": "ducked.json"}},
    )
    file = tmp_path / "shootout.json"
    songs = [{"file": str(session.relative_to(tmp_path))}]
    document = {"format": "busproc-shootout/1", "shootout": "Keyed", "songs": songs}
    file.write_text(json.dumps(document | {"variations": [{"name": "as it is"}]}))
    tried = load_shootout(file).songs[0]
    keyed = Chain.model_validate({"stages": [HOLD | {"key": {"from": "kick"}}]})
    assert tried.song.order == ("a", "mix_bus", "kick")
    assert tried.song.with_mix_bus(keyed).order == ("a", "kick", "mix_bus")


def test_a_finished_mix_that_is_none_is_refused(tmp_path):
    (tmp_path / "mix.wav").write_text("no sound")
    with pytest.raises(AudioFileError, match="is text, not audio"):
        finished_mix(tmp_path / "mix.wav")


def test_trials_that_could_prove_nothing_are_told_when_the_file_is_read(tmp_path):
    blind = {"abx": 5, "preference": 0}
    grid = {"set": {"gain.gain_db": [-3, -2, -1, 1, 2]}}
    with pytest.raises(SettingsFileError, match="blind: abx: 5 trials each for 5 pairs cannot prove"):
        load_shootout(write_shootout(tmp_path, grid=grid, blind=blind, variations=[]))
