"""The files of a listening page: exact sounds, honest names, all or nothing, the same bytes again."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
import weakref

import numpy as np
import pytest
import soundfile as sf

from busproc.errors import InputError, RenderError
from busproc.shootouts.listening import (
    Heard,
    HeardPassage,
    HeardSong,
    HeardVariation,
    Listening,
    write_page,
)
from busproc.stages.observe import NOMINAL_HZ
from tests.album.test_page import Tree

RATE_HZ = 48000
HOSTILE = '</script><img src=x onerror="alert(1)"> & <!-- "quoted"'
BANDS_DB = {hz: -30.0 - n for n, hz in enumerate(NOMINAL_HZ)}
SONGS = (
    HeardSong("Tin Lantern", RATE_HZ, (HeardPassage("loudest", 61.0, 63.0), HeardPassage("verse", 5, 6))),
    HeardSong(HOSTILE, 44100, (HeardPassage(HOSTILE, 0, 1),)),
)
VARIATIONS = (
    HeardVariation("dry", "untouched", "untouched", "Nothing done.", ((0.0, 0.0), (0.0,))),
    HeardVariation("slow", "slower", "variation", "glue: attack 60 ms, not 30 ms.", ((1.25, 0.5), (-0.5,))),
    HeardVariation(HOSTILE, HOSTILE, "variation", HOSTILE, ((0.04, 0.0), (None,))),
    HeardVariation("again", "slower, once more", "repeat", "The same as “slower”.", ((1.25, 0.5), (-0.5,))),
)
TRIALS = {
    "format": "busproc-trials/1",
    "shootout": HOSTILE,
    "seed": 4,
    "plan_sha256": "5e" * 32,
    "trials": [
        {"number": 1, "kind": "abx", "song": 0, "passage": 0, "a": "slow", "b": "dry", "x": "b"},
        {"number": 2, "kind": "abx", "song": 1, "passage": 0, "a": HOSTILE, "b": "slow", "x": "a"},
        {"number": 3, "kind": "preference", "song": 0, "passage": 1, "first": "dry", "second": HOSTILE},
    ],
}
LISTENING = Listening("Which glue?", "Two lines,\n<i>no more</i>.", SONGS, VARIATIONS, TRIALS)


def marked(song, passage, variation):
    """Left counts the frames, on the grid of 24 bits; right says which variation it is."""
    where = SONGS[song].passages[passage]
    frames = round((where.to_s - where.from_s) * SONGS[song].rate_hz)
    number = [each.id for each in VARIATIONS].index(variation)
    left = np.arange(frames) / 2**18
    right = np.full(frames, (number + 1) / 16)
    reduction = None if variation == "dry" else [0.5 * number] * 10
    bands = {hz: db + number * (hz == "1000") for hz, db in BANDS_DB.items()}
    return Heard(np.stack([left, right], axis=1), reduction, bands | {"20000": None})


def sound_in(file):
    """Name, samples and rate of a sound's script."""
    name, text = re.fullmatch(r'AUDIO\("([\d-]+)","([\w+/=]+)"\);\n', file.read_text("ascii")).groups()
    flac = io.BytesIO(base64.b64decode(text))
    assert sf.info(flac).subtype == "PCM_24"
    flac.seek(0)
    return name, *sf.read(flac)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page") / "out"
    assert write_page(LISTENING, marked, folder)[0] == folder / "index.html"
    return folder


@pytest.fixture(scope="module")
def page(folder):
    return Tree((folder / "index.html").read_text("utf-8").removeprefix("<!DOCTYPE html>")).root


@pytest.fixture(scope="module")
def data(page):
    return json.loads(page.one("script", id="data").text)


def test_a_sound_for_each_song_passage_and_variation_bit_for_bit(folder):
    places = {f"{s}-{p}-{v}" for s, p in ((1, 1), (1, 2), (2, 1)) for v in (1, 2, 3, 4)}
    assert {file.stem for file in (folder / "sounds").iterdir()} == places
    for file in (folder / "sounds").iterdir():
        name, sound, rate_hz = sound_in(file)
        s, p, v = (int(each) - 1 for each in name.split("-"))
        assert name == file.stem
        assert rate_hz == SONGS[s].rate_hz
        np.testing.assert_array_equal(sound, marked(s, p, VARIATIONS[v].id).sound)


def test_samples_are_rounded_to_24_bits_without_dither(tmp_path):
    """Of 24 bits a step is 2^-23: 0.4 and 0.6 steps go to 0 and 1, halves to even, and equal stays equal."""
    steps = np.array([0.4, 0.6, 0.5, 1.5, -0.6, 2**23 - 2.2])
    sound = np.stack([steps, np.zeros(6)], axis=1) / 2**23
    one = Listening("One", "", SONGS[:1], (HeardVariation("a", "a", "variation", "", ((0.0, 0.0),)),))
    write_page(one, lambda *_: Heard(sound, None, {}), tmp_path)
    for passage in (1, 2):
        _, found, _ = sound_in(tmp_path / "sounds" / f"1-{passage}-1.js")
        np.testing.assert_array_equal(found[:, 0] * 2**23, [0, 1, 0, 2, -1, 2**23 - 2])


def test_one_sound_at_a_time(tmp_path):
    made, living = [], []

    def sounds(*place):
        living.append(sum(each() is not None for each in made))
        heard = marked(*place)
        made.append(weakref.ref(heard.sound))
        return heard

    write_page(LISTENING, sounds, tmp_path)
    assert living == [0] * 12


def test_the_same_bytes_again(folder, tmp_path):
    write_page(LISTENING, marked, tmp_path)
    files = [each for each in folder.rglob("*") if each.is_file()]
    assert len(files) == 13
    for file in files:
        assert (tmp_path / file.relative_to(folder)).read_bytes() == file.read_bytes()


def test_all_or_nothing(tmp_path):
    def broken(song, passage, variation):
        if variation == "again" and song == 1:
            raise RenderError("no more")
        return marked(song, passage, variation)

    with pytest.raises(RenderError, match="no more"):
        write_page(LISTENING, broken, tmp_path)
    assert [each for each in tmp_path.rglob("*") if each.is_file()] == []


def test_what_is_there_is_kept_unless_it_may_be_replaced(tmp_path):
    (tmp_path / "index.html").write_text("mine")
    with pytest.raises(InputError, match=r"index\.html exists; add --overwrite"):
        write_page(LISTENING, marked, tmp_path)
    assert (tmp_path / "index.html").read_text() == "mine"
    write_page(LISTENING, marked, tmp_path, overwrite=True)
    assert "mine" not in (tmp_path / "index.html").read_text()


def test_nothing_runs_but_the_page_s_own_script_and_those_beside_it(page):
    data, script = page.all("script")
    assert data["type"] == "application/json"
    digests = [
        base64.b64encode(hashlib.sha256(each.text.encode()).digest()).decode()
        for each in (script, page.one("style"))
    ]
    policy = page.one("meta", **{"http-equiv": "Content-Security-Policy"})["content"]
    assert policy == (
        f"default-src 'none'; base-uri 'none'; form-action 'none'; script-src file: 'sha256-{digests[0]}'; "
        f"style-src 'sha256-{digests[1]}'"
    )
    assert not [each for each in page.all() if any(name.startswith("on") for name in each.attributes)]
    assert {each["href"] for each in page.all("a")} == {"#named", "#blind"}
    assert not list(page.all("img", "link", "iframe", "audio", "object"))
    assert re.findall(r"https?://[^\"]+", script.text + page.one("style").text) == [
        "http://www.w3.org/2000/svg"
    ]


def test_names_are_text(page, data):
    assert page.one("h1").text == "Which glue?"
    assert page.one("p", class_="notes").text == "Two lines,\n<i>no more</i>."
    assert [each.text for each in page.one("select", id="song").all("option")] == ["Tin Lantern", HOSTILE]
    assert [each.text for each in page.one("ol", id="variations").all("strong")] == [
        v.name for v in VARIATIONS
    ]
    assert [each.text for each in page.all("span", class_="says")] == [v.says for v in VARIATIONS]
    assert data["songs"][1]["name"] == data["variations"][2]["id"] == HOSTILE
    assert data["trials"] == TRIALS


def test_lists_and_labels(page, data):
    boxes = list(page.one("ol", id="variations").all("input"))
    assert {(each["type"], each["name"]) for each in boxes} == {("radio", "heard")}
    assert [each["value"] for each in boxes] == ["0", "1", "2", "3"]
    labelled = {each["for"] for each in page.all("label") if "for" in each.attributes}
    wrapped = {each["id"] for label in page.all("label") for each in label.all("input", "select")}
    assert {each["id"] for each in page.all("input", "select")} == labelled | wrapped
    status = page.one("p", id="status")
    assert (status["role"], status["aria-live"]) == ("status", "polite")
    volume = page.one("input", id="volume")
    assert (volume["min"], volume["value"], volume["max"]) == ("-60", "-30", "0")
    assert "Care for your hearing" in page.one("p", class_="care").text
    assert [each.text for each in page.one("select", id="passage").all("option")] == [
        each["name"] for each in data["songs"][0]["passages"]
    ]
    assert data["songs"][0]["passages"][0]["name"] == "loudest, 1:01 to 1:03"
    assert [each["gained_lu"] for each in data["variations"]] == [
        [list(song) for song in v.gained_lu] for v in VARIATIONS
    ]


def test_what_is_drawn(data):
    assert data["bands_hz"] == list(NOMINAL_HZ)
    passage = data["songs"][0]["passages"][0]
    assert passage["frames"] == 2 * RATE_HZ
    for v, drawn in enumerate(passage["heard"]):
        sound = marked(0, 0, VARIATIONS[v].id).sound.reshape(600, -1)
        assert drawn["highest"] == np.rint(sound.max(axis=1) * 1000).astype(int).tolist()
        assert drawn["lowest"] == np.rint(sound.min(axis=1) * 1000).astype(int).tolist()
        assert drawn["reduction_db"] == (None if v == 0 else [0.5 * v] * 10)
        assert drawn["bands_db"][NOMINAL_HZ.index("1000")] == BANDS_DB["1000"] + v
        assert drawn["bands_db"][-1] is None


def test_a_page_without_trials_and_a_very_short_sound(tmp_path):
    short = Listening("Short", "", SONGS[:1], (HeardVariation("a", "a", "variation", "", ((None, None),)),))
    write_page(short, lambda *_: Heard(np.zeros((7, 2)), [], {}), tmp_path)
    root = Tree((tmp_path / "index.html").read_text("utf-8").removeprefix("<!DOCTYPE html>")).root
    assert not list(root.all("nav"))
    assert not list(root.all("section", id="blind"))
    drawn = json.loads(root.one("script", id="data").text)["songs"][0]["passages"][0]["heard"][0]
    assert drawn["highest"] == [0] * 7
    assert set(drawn["bands_db"]) == {None}


def with_trial(**change):
    return {"trials": TRIALS | {"trials": [TRIALS["trials"][0] | change]}}


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"songs": ()}, "songs: give one at least"),
        ({"songs": (HeardSong("a", RATE_HZ, ()),) * 2}, "each with a passage at least"),
        ({"variations": (), "trials": None}, "variations: give one at least"),
        ({"variations": VARIATIONS + VARIATIONS[:1]}, "two have the id 'dry'"),
        ({"songs": SONGS[:1], "trials": None}, "'slow' needs one gained_lu for each passage of each song"),
        ({"trials": TRIALS | {"format": "busproc-trials/2"}}, "plan of format busproc-trials/1"),
        ({"trials": {**TRIALS, "plan_sha256": ""}}, "and its plan_sha256"),
        (with_trial(a="gone"), "trials: number 1 names"),
        (with_trial(song=2), "trials: number 1 names"),
        (with_trial(passage=5), "trials: number 1 names"),
        (with_trial(x="c"), "trials: number 1 names"),
        (with_trial(kind="triangle"), "trials: number 1 names"),
    ],
)
def test_faults_are_told_before_a_sound_is_asked_for(tmp_path, change, fault):
    parts = {name: getattr(LISTENING, name) for name in ("title", "notes", "songs", "variations", "trials")}
    with pytest.raises(InputError, match=fault):
        write_page(Listening(**parts | change), None, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("sound", "error", "fault"),
    [
        (np.zeros((9, 2)), InputError, "variation 2 has 9 frames, the first variation 96000"),
        (np.zeros((0, 2)), InputError, "song 1, passage 1, variation 2 is empty"),
        (np.zeros(9), InputError, "shape"),
        (np.zeros((9, 2), np.float32), InputError, "float64"),
        (np.full((96000, 2), 1.01), RenderError, "over full scale"),
        (np.full((96000, 2), np.nan), RenderError, "not a finite number"),
    ],
)
def test_sounds_that_do_not_fit(tmp_path, sound, error, fault):
    def sounds(song, passage, variation):
        return Heard(sound, None, {}) if variation == "slow" else marked(song, passage, variation)

    with pytest.raises(error, match=fault):
        write_page(LISTENING, sounds, tmp_path)
    assert [each for each in tmp_path.rglob("*") if each.is_file()] == []
