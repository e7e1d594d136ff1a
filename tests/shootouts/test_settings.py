"""Shootout files: what is taken, and what is said of the rest."""

from __future__ import annotations

import json
from typing import get_args

import pytest

from busproc.errors import SettingsFileError
from busproc.jsonfile import load_settings, schema_of
from busproc.shootouts.goal import DISTANCES, Amounts, Figure, Weights
from busproc.shootouts.settings import Shootout
from busproc.shootouts.significance import COUNTS

LEAST = {"format": "busproc-shootout/1", "shootout": "Slow or fast", "songs": [{"file": "a.wav"}]}


def read(folder, **keys):
    """A shootout file read as such; nothing that it names is looked for."""
    file = folder / "shootout.json"
    file.write_text(json.dumps(LEAST | keys))
    return load_settings(file, Shootout)


def faults(folder, **keys):
    """What is said of one."""
    with pytest.raises(SettingsFileError) as caught:
        read(folder, **keys)
    return caught.value.faults


def test_the_least_that_a_file_says(tmp_path):
    shootout = read(tmp_path)
    assert shootout.controls is not None
    assert [passage.called for passage in shootout.passages] == ["whole"]
    assert shootout.match.to == "integrated"
    assert shootout.goal is shootout.blind is shootout.refine is None


def test_figures_have_one_vocabulary():
    assert set(get_args(Figure)) == set(Amounts.model_fields)
    assert set(DISTANCES) == set(Weights.model_fields) < set(Amounts.model_fields)


def test_every_key_is_described_and_every_default_written_down():
    schema = schema_of(Shootout)
    for node in (schema, *schema["$defs"].values()):
        for key, value in node["properties"].items():
            if key != "format":
                assert value.get("description"), key
                assert ("default" in value) is (key not in node.get("required", [])), key


@pytest.mark.parametrize(
    ("goal", "figure"),
    [
        ({"raise": "transient_to_body_db"}, "transient_to_body_db"),
        ({"lower": "mono_loss_db", "keep": {"loudness_range_lu": 0}}, "mono_loss_db"),
        ({"near": {"crest_factor_db": -12.5}}, "crest_factor_db"),
    ],
)
def test_a_goal_is_about_one_figure(tmp_path, goal, figure):
    read_goal = read(tmp_path, goal=goal).goal
    assert read_goal.figure == figure
    assert read_goal.figures() == {figure: next(iter(goal))} | {
        key: f"keep.{key}" for key in goal.get("keep", {})
    }


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        (
            {"songs": [{"file": "a\0.wav"}], "chain": "c\0", "reference": "r\0"},
            [
                f"{where}: {name!r} is no path that a file can have"
                for where, name in (("songs[0].file", "a\0.wav"), ("chain", "c\0"), ("reference", "r\0"))
            ],
        ),
        ({"goal": {}}, ["goal: give exactly one of raise, lower and near"]),
        (
            {"goal": {"lower": "thd_db", "near": {"width_db": 1}}},
            ["goal: give exactly one of raise, lower and near"],
        ),
        ({"goal": {"near": {"width_db": 1, "thd_db": 1}}}, ["goal.near: give one figure, not 2"]),
        (
            {"goal": {"raise": "width_db", "keep": {"thd_db": -1, "widht_db": 1}}},
            ["goal.keep.widht_db: unknown key; did you mean width_db?"],
        ),
        (
            {"goal": {"raise": "width_db", "keep": {"thd_db": -1}}},
            ["goal.keep: how far a figure may move is 0 or more, also for thd_db"],
        ),
        ({"weights": {"width_distance_db": 0}}, ["weights: at least one weight must be above 0"]),
        (
            {"passages": [{"from_s": 1}, {"from_s": 1, "to_s": 2}, {"name": "a", "from_s": 2, "to_s": 2}]},
            [
                "passages[0]: give find, or from_s and to_s",
                "passages[1]: a passage from here to there needs a name",
                "passages[2]: ends at 2 s, which is not after its start at 2 s",
            ],
        ),
        (
            {"passages": [{}, {"find": "loudest", "to_s": 2}, {"find": "loudest", "from_s": 0, "to_s": 2}]},
            [f"passages[{n}]: give find, or from_s and to_s" for n in range(3)],
        ),
        (
            {"match": {"to": "short_term"}},
            ['match: "to": "short_term" names a passage, and "integrated" none'],
        ),
        (
            {"match": {"passage": "whole"}},
            ['match: "to": "short_term" names a passage, and "integrated" none'],
        ),
        (
            {"grid": {"set": {"a.b": [], "a.c": 3, "a.d": [1, 2, 1]}}},
            [
                "grid.set.a.b: must be a list of values",
                "grid.set.a.c: must be a list of values",
                "grid.set.a.d: 1 stands 2 times",
            ],
        ),
        ({"grid": {"set": {}}}, ["grid.set: must name 1 to 16 settings, not 0"]),
        (
            {"samples": {"ranges": {"a.b": [1], "a.c": [2, 1], "a.d": [1, True], "a.e": [0, 1e300]}}},
            [
                "samples.ranges.a.b: must be two numbers, [low, high]",
                "samples.ranges.a.c: must rise, and 2 is not under 1",
                "samples.ranges.a.d: must be two numbers, [low, high]",
                "samples.ranges.a.e: must be two numbers, [low, high]",
            ],
        ),
        ({"refine": {"ranges": {}}}, ["refine.ranges: must name 1 to 16 settings, not 0"]),
        (
            {"blind": {"abx": 17, "preference": 22}},
            [f"blind.preference: must be 0, or one of {', '.join(map(str, COUNTS))}, not 22"],
        ),
        (
            {"blind": {"abx": 0, "preference": 0}},
            ["blind: asks for no trials: give abx or preference a number, or leave blind out"],
        ),
    ],
)
def test_what_cannot_be_meant_is_told(tmp_path, keys, told):
    assert faults(tmp_path, **keys) == told
