"""Every fault of a session is told at once: of its own file, its chains, its audio files, its routing."""

from __future__ import annotations

import re

import numpy as np
import pytest
import soundfile as sf

from busproc.errors import SettingsFileError
from busproc.routing import plan_graph
from busproc.song import load_session
from tests.songs import write_session

SOUND = np.full((480, 2), 0.1)  # 10 ms
KEYED = {"stage": "compressor", "key": {"from": "kick"}}


def faults(session, **options):
    """What is said of a session file."""
    with pytest.raises(SettingsFileError, match=re.escape(str(session))) as caught:
        load_session(session, **options)
    return caught.value.faults


def session_of(folder, names="a", chains=None, **rest):
    """A session of short stems, one for each word in `names`."""
    return write_session(folder, dict.fromkeys(names.split(), SOUND), chains, **rest)


def test_faults_of_every_kind_are_told_at_once(tmp_path):
    session = session_of(
        tmp_path,
        "kick snare choir choir2",
        {"keyed": [{"stage": "eq"}, KEYED | {"key": {"from": "kik"}}], "bad": [{"stage": "limitr"}]},
        stem_keys={
            "kick": {"group": "drmus", "chain": "keyed.json"},
            "snare": {"group": "drums", "file": "snair.wav"},
            "choir2": {"name": "choir", "chain": "nowhere.json"},
        },
        groups=[{"name": "drums", "chain": "bad.json"}, {"name": "voices"}],
        sends=[{"from": "snar", "to": "hal"}],
        returns=[{"name": "hall"}],
        deliver=[{}, {"dither": False}],
    )
    told = faults(session)
    for fault in (
        "stems[0].group: 'drmus' is not a group of this session; did you mean drums?",
        f"stems[1].file: {tmp_path / 'snair.wav'} does not exist: check the name and the folder",
        "stems[3].chain = nowhere.json: no such file",
        "stems[3].name: 'choir' is already the name of stems[2]; names must differ",
        'groups[1]: nothing feeds \'voices\'; give a stem "group": "voices", or leave it out',
        "sends[0].from: 'snar' is not a stem, group or return of this session; did you mean snare?",
        "sends[0].to: 'hal' is not a return of this session; did you mean hall?",
        "returns[0]: nothing feeds 'hall'; send something to it, or leave it out",
        "deliver[1]: would write the same file as deliver[0], Test_Song_mix_48k24.wav",
    ):
        assert fault in told
    (key,) = [fault for fault in told if "'kik'" in fault]
    assert key.startswith("stems[0].chain")
    assert key.endswith("'kik' is not a stem, group or return of this session; did you mean kick?")
    (tag,) = [fault for fault in told if "limitr" in fault]
    assert tag.startswith("groups[0].chain = bad.json: stages[0].stage: must be one of ")
    assert tag.endswith(', not "limitr"; did you mean limiter?')
    assert len(told) == 11


def test_faults_in_the_session_file_itself_come_first(tmp_path):
    """Of a file that cannot be understood, nothing that it names is looked for."""
    stem_keys = {"a": {"file": "missing.wav", "grop": "x"}, "b": {"pan": 2, "chain": ""}}
    session = session_of(
        tmp_path, "a b", stem_keys=stem_keys, mix_bus={"chain": "nowhere.json", "mute": True}
    )
    assert faults(session) == [
        "stems[0].grop: unknown key; did you mean group?",
        'stems[1].chain: must be text of length 1 to 400, not ""',
        "stems[1].pan: must be a number from -1 to 1, not 2",
        "mix_bus.mute: unknown key",
    ]


@pytest.mark.parametrize("place", ["stems", "groups", "returns"])
def test_nothing_may_be_called_as_the_mix_bus_is(tmp_path, place):
    rest = {place: [{"name": "mix_bus"}]} if place != "stems" else {}
    stem_keys = {"a": {"name": "mix_bus"}} if place == "stems" else {}
    told = faults(session_of(tmp_path, stem_keys=stem_keys, **rest))
    assert f"{place}[0].name: 'mix_bus' is already the name of mix_bus; names must differ" in told


def test_one_name_is_one_thing_whatever_its_kind(tmp_path):
    session = session_of(tmp_path, "drums a", stem_keys={"a": {"group": "drums"}}, groups=[{"name": "drums"}])
    assert "groups[0].name: 'drums' is already the name of stems[0]; names must differ" in faults(session)


def test_what_comes_from_a_chain_file_names_it_wherever_it_is_used(tmp_path):
    (tmp_path / "torn.json").write_text('{"format": "busproc-chain/1",,}')
    session = session_of(
        tmp_path,
        "a b",
        {"bad": [{"stage": "gain", "gain": 3}, {"stage": "parallel", "branches": [{"level_db": 99}]}]},
        stem_keys={"a": {"chain": "bad.json"}, "b": {"chain": "torn.json"}},
    )
    told = faults(session)
    here = "stems[0].chain = bad.json"
    assert told[:2] == [
        f"{here}: stages[0].gain: unknown key; did you mean gain_db?",
        f"{here}: stages[1].branches[0].level_db: must be a number from -80 to 24 dB, not 99",
    ]
    assert told[2].startswith("stems[1].chain = torn.json: line 1, column 30: not valid JSON: ")


@pytest.mark.parametrize(
    ("routes", "circle"),
    [
        ({"groups": [{"name": "g", "group": "g"}]}, "g -> g"),
        ({"groups": [{"name": "g", "group": "h"}, {"name": "h", "group": "g"}]}, "g -> h -> g"),
        (
            {
                "groups": [{"name": "g"}],
                "returns": [{"name": "r"}, {"name": "s", "group": "g"}],
                "sends": [{"from": "g", "to": "r"}, {"from": "r", "to": "s"}],
            },
            "g -> r -> s -> g",
        ),
        ({"groups": [{"name": "g", "chain": "keyed.json"}]}, "kick -> g -> kick"),
    ],
)
def test_a_circle_is_refused_with_its_way_named(tmp_path, routes, circle):
    """Through groups, through sends, through a key."""
    keyed = [{"stage": "parallel", "branches": [{"level_db": 0, "stages": [KEYED]}]}]
    listens = {"chain": "listens.json"} if "kick" in circle else {}
    session = session_of(
        tmp_path,
        "a kick",
        {"keyed": keyed, "listens": [KEYED | {"key": {"from": "g"}}]},
        stem_keys={"a": {"group": "g"}, "kick": listens},
        **routes,
    )
    (told,) = faults(session)
    start = "routing: sound goes round in a circle: "
    assert told.startswith(start)
    assert _turned(told.removeprefix(start)) == _turned(circle)


def _turned(circle):
    """A circle told from the first of its names, wherever it began."""
    way = circle.split(" -> ")[:-1]
    first = way.index(min(way))
    return way[first:] + way[:first]


def test_a_chain_may_not_listen_to_its_own_bus(tmp_path):
    session = session_of(tmp_path, "kick", {"keyed": [KEYED]}, stem_keys={"kick": {"chain": "keyed.json"}})
    assert faults(session) == ["routing: sound goes round in a circle: kick -> kick"]


def test_a_stem_that_only_keys_goes_nowhere(tmp_path):
    session = session_of(
        tmp_path,
        "a kick",
        stem_keys={"a": {"group": "g"}, "kick": {"heard": False, "group": "g"}},
        groups=[{"name": "g"}],
        sends=[{"from": "kick", "to": "r"}],
        returns=[{"name": "r"}],
    )
    song = load_session(session)
    assert {bus.bus.name for bus in plan_graph(song, {}).buses} == {"a", "g", "r", "mix_bus"}


def test_a_group_fed_only_by_a_stem_that_only_keys_is_fed_by_nobody(tmp_path):
    stem_keys = {"kick": {"heard": False, "group": "g"}}
    told = faults(session_of(tmp_path, "a kick", stem_keys=stem_keys, groups=[{"name": "g"}]))
    assert 'groups[0]: nothing feeds \'g\'; give a stem "group": "g", or leave it out' in told


@pytest.mark.parametrize("keys", [{"mute": True}, {"heard": False}])
def test_a_session_in_which_nothing_can_be_heard_is_refused(tmp_path, keys):
    session = session_of(tmp_path, "a b", stem_keys={"a": keys, "b": {"mute": True}})
    assert faults(session) == ["stems: nothing can be heard: every stem is muted or only keys"]


def test_stems_of_several_rates_need_a_rate_for_the_song(tmp_path):
    session = session_of(tmp_path, "a b c", rates={"b": 44100})
    (told,) = faults(session)
    assert told.startswith("rate_hz: missing, and the stems do not share one rate: most are at 48000 Hz")
    assert "b 44100" in told
    assert load_session(session_of(tmp_path, "a b c", rates={"b": 44100}, rate_hz=96000)).rate_hz == 96000


def test_audio_files_that_cannot_be_taken_are_told_each(tmp_path):
    session = session_of(tmp_path, "a b c d", stem_keys={"b": {"file": "."}, "c": {"file": "session.json"}})
    sf.write(tmp_path / "a.wav", np.zeros((480, 3)), 48000)
    (tmp_path / "d.wav").write_bytes(b"")
    told = faults(session)
    assert [fault.partition(":")[0] for fault in told] == [f"stems[{n}].file" for n in range(4)]
    for fault, what in zip(
        told, ["has 3 channels", "is a folder", "is text, not audio", "is empty"], strict=True
    ):
        assert what in fault


def test_paths_do_not_lead_out_of_the_folder_unless_allowed(tmp_path):
    sf.write(tmp_path / "out.wav", SOUND, 48000)
    (tmp_path / "out.json").write_text('{"format": "busproc-chain/1"}')
    session = session_of(
        tmp_path / "song",
        "a b c",
        stem_keys={
            "a": {"file": "../out.wav"},
            "b": {"file": str(tmp_path / "out.wav")},
            "c": {"file": "link.wav"},
        },
        mix_bus={"chain": "../out.json"},
    )
    (tmp_path / "song" / "link.wav").symlink_to(tmp_path / "out.wav")
    told = faults(session)
    assert sorted(fault.partition(":")[0] for fault in told) == [
        "mix_bus.chain",
        *(f"stems[{n}].file" for n in range(3)),
    ]
    for fault in told:
        assert "leads out of the session's folder" in fault
        assert "--allow-outside" in fault
    assert load_session(session, allow_outside=True).frames == len(SOUND)


@pytest.mark.parametrize("name", ["a\0b", "x" * 300, "loop"], ids=["zero byte", "too long", "loop"])
@pytest.mark.parametrize("key", ["file", "chain"])
def test_a_path_that_no_file_can_have_is_told_like_any_fault(tmp_path, name, key):
    session = session_of(tmp_path, "a b", stem_keys={"a": {key: name}, "b": {"file": "missing.wav"}})
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    told = faults(session)
    assert len(told) == 2
    assert told[0].startswith(f"stems[0].{key}")
    assert told[1].startswith("stems[1].file")


@pytest.mark.parametrize(("first_s", "second_s"), [(1.0, 1.0), (2.0, 1.0)])
def test_the_points_of_a_ride_come_at_rising_times(tmp_path, first_s, second_s):
    ride = [{"at_s": first_s, "level_db": 0}, {"at_s": second_s, "level_db": -3}]
    session = session_of(
        tmp_path,
        stem_keys={"a": {"ride": ride}},
        sends=[{"from": "a", "to": "r", "ride": ride}],
        returns=[{"name": "r", "ride": ride}],
    )
    told = faults(session)
    assert [re.match(r"[^:.]*", fault)[0] for fault in told] == [
        "stems[0]",
        "sends[0]",
        "returns[0]",
    ]
    assert all("the points of a ride must come at rising times" in fault for fault in told)


@pytest.mark.parametrize("bits", [32, "32_float"])
def test_flac_of_32_bits_is_refused(tmp_path, bits):
    told = faults(session_of(tmp_path, deliver=[{"container": "flac", "bits": bits}]))
    assert told == [f"deliver[0]: a FLAC file holds 16 or 24 bits, not {bits}; use the wav container"]


def test_two_deliveries_do_not_write_the_same_file(tmp_path):
    """Not only equal ones: the same name is enough, as with the session's own rate written out."""
    deliver = [{"bits": 16}, {"bits": 16, "rate_hz": 44100}, {"bits": 16, "rate_hz": 48000}, {"bits": 24}]
    deliver += [{"bits": 24, "dither": False}, {"bits": 24, "container": "flac"}]
    told = faults(session_of(tmp_path, deliver=deliver))
    assert [fault.partition(", ")[0] for fault in told] == [
        "deliver[2]: would write the same file as deliver[0]",
        "deliver[4]: would write the same file as deliver[3]",
    ]


def test_filters_too_high_for_the_songs_rate_are_told_before_the_render(tmp_path):
    """The rate that counts is the song's, not the file's; conditions and branches hide nothing."""
    high = {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 17000, "gain_db": 3}]}
    chain = [
        {"stage": "gain"},
        high | {"when": {"measure": "rms_dbfs", "above": -60}},
        {"stage": "parallel", "branches": [{"level_db": 0, "stages": [high]}]},
    ]
    keys = {"stem_keys": {"a": {"chain": "high.json"}}, "chains": {"high": chain}}
    told = faults(session_of(tmp_path, **keys, rate_hz=32000))
    assert len(told) == 2
    for fault, step in zip(told, ("stages[1]", "stages[2]"), strict=True):
        assert fault.startswith("stems[0].chain")
        assert step in fault
        assert "a filter at 17000 Hz cannot run at 32000 Hz: its frequency must be under 15968 Hz" in fault
    assert load_session(session_of(tmp_path, **keys)).rate_hz == 48000


def test_a_good_session_is_read_whole(tmp_path):
    """The same pieces as above, put together rightly: none of the checks refuses too much."""
    session = session_of(
        tmp_path,
        "a kick muted",
        {"keyed": [KEYED]},
        stem_keys={"a": {"group": "g"}, "kick": {"heard": False}, "muted": {"mute": True, "group": "g"}},
        groups=[{"name": "g", "chain": "keyed.json", "group": "h"}, {"name": "h"}],
        sends=[{"from": "a", "to": "r"}, {"from": "r", "to": "s"}],
        returns=[{"name": "r"}, {"name": "s", "group": "h"}],
        deliver=[
            {"bits": 16},
            {"bits": 24},
            {"bits": 24, "container": "flac"},
            {"bits": 24, "rate_hz": 44100},
        ],
    )
    order = load_session(session).order
    assert set(order) == {"a", "kick", "muted", "g", "h", "r", "s", "mix_bus"}
    for before, after in ("ag", "gh", "rs", "sh"):
        assert order.index(before) < order.index(after)
    assert order.index("kick") < order.index("g")
    assert order[-1] == "mix_bus"
