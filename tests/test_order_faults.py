"""What is wrong with versions and deliveries: every fault with its place and how to mend it."""

from __future__ import annotations

import json

import pytest

from busproc.errors import SettingsFileError
from busproc.song import load_session
from tests.songs import noise, write_session

KEYS = {"kick": {"group": "drums"}, "snare": {"group": "drums"}, "spare": {"heard": False}}


def faults(folder, **rest):
    session = write_session(
        folder,
        {name: noise(0.01, 1) for name in ("kick", "snare", "horn", "spare")},
        stem_keys=KEYS,
        groups=[{"name": "drums"}],
        **rest,
    )
    with pytest.raises(SettingsFileError) as error:
        load_session(session)
    return error.value.faults


@pytest.mark.parametrize(
    ("version", "fault"),
    [
        (
            {"without": ["hornn"]},
            "versions[0].without: 'hornn' is not a stem or group of this session; did you mean horn?",
        ),
        (
            {"only": ["drum"]},
            "versions[0].only: 'drum' is not a stem or group of this session; did you mean drums?",
        ),
        (
            {"trim_db": {"horm": 1.0}},
            "versions[0].trim_db: 'horm' is not a stem or group of this session; did you mean horn?",
        ),
        (
            {"also": ["horn"]},
            "versions[0].also: 'horn' is not a stem with \"heard\": false of this session",
        ),
        (
            {"name": "mix", "without": ["horn"]},
            "versions[0].name: 'mix' is the mix itself; give the version another name",
        ),
        ({}, "versions[0]: says nothing that differs from the mix: give without, only, also or trim_db"),
        ({"without": ["horn"], "only": ["kick"]}, "versions[0]: give without or only, not both"),
        (
            {"without": ["horn"], "decided_by": "chance"},
            'versions[0].decided_by: must be one of mix, itself, not "chance"',
        ),
    ],
)
def test_a_version_is_told_what_is_wrong_with_it(tmp_path, version, fault):
    assert faults(tmp_path, versions=[{"name": "other"} | version]) == [fault]


def test_versions_have_names_of_their_own(tmp_path):
    version = {"name": "short", "without": ["horn"]}
    assert faults(tmp_path, versions=[version, version]) == [
        "versions[1].name: 'short' is already the name of another version"
    ]


STEMS = {"what": "stems"}


@pytest.mark.parametrize(
    ("deliver", "told"),
    [
        ([{}, {"what": "versions"}], ['deliver[1]: this session has no versions; add some under "versions"']),
        (
            [{}, {"what": "versions", "versions": ["short"]}],
            [
                "deliver[1].versions: 'short' is not a version of this session",
                'deliver[1]: this session has no versions; add some under "versions"',
            ],
        ),
        ([{"by": "group"}], ['deliver[0]: by belongs to "what": "stems"']),
        ([{"what": "versions", "returns": "shared"}], ['deliver[0]: returns belongs to "what": "stems"']),
        (
            [{}, STEMS | {"by": {"all": ["drums", "hron"]}}],
            ["deliver[1].by.all: 'hron' is not a stem or group of this session; did you mean horn?"],
        ),
        (
            [{}, STEMS | {"by": {"low": ["drums"], "high": ["snare", "horn"]}}],
            ["deliver[1].by: in more than one bundle, so they would count twice: snare"],
        ),
        (
            [{}, STEMS | {"by": {"low": ["kick"]}}],
            ["deliver[1].by: in no bundle, so the stems would not add up: snare, horn"],
        ),
        (
            [{"bits": 16}, STEMS],
            [
                'deliver[1]: stems need the mix they add up to; add {"what": "mix"} of 48000 Hz and 24 bits',
            ],
        ),
        (
            [{}, STEMS | {"dither": False, "if_over": "trim"}],
            [
                "deliver[1].dither: differs from deliver[0], but files of 48000 Hz and 24 bits make one set",
                "deliver[1].if_over: differs from deliver[0], but files of 48000 Hz and 24 bits make one set",
            ],
        ),
        (
            [{}, STEMS, STEMS],
            [
                "deliver[2]: would write the same file as deliver[1], stems/Test_Song_01_kick_48k24.wav",
                "deliver[2]: would write the same file as deliver[1], stems/Test_Song_02_snare_48k24.wav",
                "deliver[2]: would write the same file as deliver[1], stems/Test_Song_03_horn_48k24.wav",
            ],
        ),
    ],
)
def test_a_delivery_is_told_what_is_wrong_with_it(tmp_path, deliver, told):
    assert faults(tmp_path, deliver=deliver) == told


def test_files_that_differ_only_in_case_are_one_file_to_some_disks(tmp_path):
    session = write_session(
        tmp_path,
        {"a": noise(0.01, 1)},
        versions=[{"name": "Short", "trim_db": {"a": -1.0}}, {"name": "short", "trim_db": {"a": -2.0}}],
        deliver=[{"what": "versions", "versions": ["Short"]}, {"what": "versions", "versions": ["short"]}],
    )
    with pytest.raises(SettingsFileError, match="would write the same file as deliver"):
        load_session(session)


def test_good_versions_and_deliveries_are_taken(tmp_path):
    session = write_session(
        tmp_path,
        {name: noise(0.01, 1) for name in ("kick", "snare", "horn", "spare")},
        stem_keys=KEYS,
        groups=[{"name": "drums"}],
        versions=[{"name": "other horn", "without": ["horn"], "also": ["spare"]}],
        deliver=[{}, STEMS, STEMS | {"by": "group"}, {"what": "versions"}],
    )
    assert load_session(session).session.versions[0].also == ("spare",)
    assert json.loads(session.read_text())["deliver"][0] == {}


def test_a_pattern_of_names_must_tell_files_apart_and_hold_known_fields(tmp_path):
    assert faults(tmp_path, deliver=[{}, STEMS | {"names": "{song}"}]) == [
        "deliver[1].names: stems/Test_Song.wav would hold 'kick' and 'snare' both",
        "deliver[1].names: stems/Test_Song.wav would hold 'kick' and 'horn' both",
    ]
    assert faults(tmp_path, deliver=[{"names": "{song} {date}"}]) == [
        "deliver[0].names: braces hold one of {song}, {piece}, {number}, {rate}, {bits}"
    ]


@pytest.mark.parametrize(
    ("tags", "fault"),
    [
        (
            {"isrc": "XX-A1B-26-00001"},
            (
                "tags.isrc: must be text: two capitals, three capitals or digits, seven digits, no hyphens, "
                'not "XX-A1B-26-00001"'
            ),
        ),
        (
            {"date": "31 January"},
            'tags.date: must be text: year, month and day, as in 2026-01-31, not "31 January"',
        ),
    ],
)
def test_tags_are_checked_for_their_form(tmp_path, tags, fault):
    assert faults(tmp_path, tags=tags) == [fault]


@pytest.mark.parametrize(
    ("deliver", "told"),
    [
        (
            STEMS | {"by": {"mix": ["drums", "horn"]}},
            "deliver[1]: 'mix' is the mix itself; give the stem or bundle another name",
        ),
        (
            STEMS | {"by": {"residual": ["drums", "horn"]}, "residual": True},
            "deliver[1]: 'residual' is what stems lack to the mix; give the stem or bundle another name",
        ),
        (
            STEMS | {"by": {"room": ["drums", "horn"]}, "returns": "separate"},
            "deliver[1].by: 'room' is the name of a return; give the bundle another name",
        ),
    ],
)
def test_a_name_stands_for_one_thing_in_a_delivery(tmp_path, deliver, told):
    routes = {"returns": [{"name": "room"}], "sends": [{"from": "horn", "to": "room"}]}
    assert faults(tmp_path, deliver=[{}, deliver], **routes) == [told]


def test_a_title_stands_in_one_line(tmp_path):
    (told,) = faults(tmp_path, song="Harbour\x1b[31m Lamps")
    assert told.startswith("song: must be text of length 1 to 120: in one line, without control characters")
    assert "\x1b" not in told
