"""Goals: who comes first, what is broken by how much, the Pareto set."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproc.shootouts.goal import Goal, Weights
from busproc.shootouts.ranking import judge, rank, weighted

GOAL = Goal.model_validate(
    {"raise": "crest_factor_db", "keep": {"loudness_range_lu": 1.0, "mono_loss_db": 0.5}}
)
CONTROL = {"Low Tide": {"crest_factor_db": 12.0, "loudness_range_lu": 6.0, "mono_loss_db": 1.0}}


def figures(crest_factor_db, loudness_range_lu=6.0, mono_loss_db=1.0):
    """Of a variation, in the one song there is."""
    return {
        "Low Tide": {
            "crest_factor_db": crest_factor_db,
            "loudness_range_lu": loudness_range_lu,
            "mono_loss_db": mono_loss_db,
        }
    }


def test_what_keeps_its_promises_comes_before_what_does_not():
    ranked = rank(
        {
            "v00": CONTROL,
            "v01": figures(14.0),
            "v02": figures(20.0, loudness_range_lu=4.0),
            "v03": figures(19.0, loudness_range_lu=7.25, mono_loss_db=1.0),
            "v04": figures(13.0, loudness_range_lu=5.0, mono_loss_db=1.5),
            "v05": figures(None),
            "v06": figures(11.0),
            "v07": figures(14.0),
        },
        GOAL,
        CONTROL,
    )
    assert [(each.id, each.place) for each in ranked] == [
        ("v01", 1),
        ("v07", 1),
        ("v04", 3),
        ("v00", 4),
        ("v06", 5),
        ("v03", 6),
        ("v02", 7),
        ("v05", 8),
    ]
    by_id = {each.id: each for each in ranked}
    assert [each.id for each in ranked if each.judged.keeps] == ["v01", "v07", "v04", "v00", "v06", "v05"]
    assert by_id["v01"].judged.better_by == 2.0
    assert by_id["v06"].judged.better_by == -1.0
    assert by_id["v05"].judged.better_by is by_id["v05"].judged.value is None
    assert by_id["v02"].judged.over == 1.0
    assert by_id["v03"].judged.over == 0.25
    assert {each.id for each in ranked if each.is_pareto} == {"v01", "v07", "v02", "v03"}
    assert [kept.in_words() for kept in by_id["v03"].judged.kept] == [
        "loudness_range_lu moved by +1.25 in Low Tide, 0.25 over the 1 allowed.",
        "mono_loss_db moved by +0.00 in Low Tide.",
    ]


def test_songs_are_combined_by_mean_for_the_goal_and_by_the_worst_for_what_is_kept():
    control = {"a": CONTROL["Low Tide"], "b": CONTROL["Low Tide"]}
    both = {"a": figures(20.0, 6.75)["Low Tide"], "b": figures(10.0, 4.5)["Low Tide"]}
    judged = judge(both, GOAL, control)
    assert (judged.value, judged.merit, judged.better_by) == (15.0, 15.0, 3.0)
    assert (judged.kept[0].moved, judged.kept[0].song, judged.kept[0].over) == (-1.5, "b", 0.5)
    near = Goal.model_validate({"near": {"crest_factor_db": 15}})
    judged = judge(both, near, control)
    assert (judged.value, judged.merit, judged.better_by) == (15.0, -5.0, -2.0), (
        "near in each song, not on average"
    )
    assert judge(both, Goal.model_validate({"lower": "crest_factor_db"}), control).better_by == -3.0


@pytest.mark.parametrize("missing", ["variation", "control"])
def test_what_could_not_be_measured_is_not_called_kept(missing):
    known, unknown = figures(14.0), figures(14.0, loudness_range_lu=None)
    judged = judge(*((unknown, GOAL, CONTROL) if missing == "variation" else (known, GOAL, unknown)))
    assert not judged.keeps
    assert judged.kept[0].moved is None
    assert judged.over == math.inf
    assert judged.kept[0].in_words() == "loudness_range_lu could not be measured in Low Tide."
    assert not judged.is_measured()


def test_a_figure_unknown_in_one_song_is_unknown():
    control = {"a": CONTROL["Low Tide"], "b": CONTROL["Low Tide"]}
    judged = judge({"a": figures(14.0)["Low Tide"], "b": figures(None)["Low Tide"]}, GOAL, control)
    assert (judged.value, judged.merit, judged.better_by) == (None, None, None)


def test_what_subtraction_adds_breaks_no_promise():
    assert 3.4 + 1.0 - 3.4 > 1.0
    control = figures(12.0, loudness_range_lu=3.4)
    assert judge(figures(12.0, loudness_range_lu=3.4 + 1.0), GOAL, control).keeps
    assert not judge(figures(12.0, loudness_range_lu=3.4 + 1.01), GOAL, control).keeps


def test_the_weighted_distance_is_the_mean_of_its_parts():
    parts = {"spectrum_distance_db": 6.0, "dynamics_distance_db": 3.0, "width_distance_db": None}
    assert weighted(parts, None) == parts
    weights = Weights(spectrum_distance_db=2.0, dynamics_distance_db=1.0)
    assert weighted(parts, weights)["distance_db"] == 5.0
    assert weighted(parts, Weights(width_distance_db=1.0))["distance_db"] is None


FIGURE = st.one_of(st.none(), st.integers(-8, 8).map(lambda n: n / 4))
SONG = st.fixed_dictionaries(dict.fromkeys(CONTROL["Low Tide"], FIGURE))
MANY = st.dictionaries(
    st.sampled_from([f"v{n:02d}" for n in range(12)]),
    st.fixed_dictionaries({"a": SONG, "b": SONG}),
    min_size=1,
)
WISHES = st.sampled_from(
    [{"raise": "crest_factor_db"}, {"lower": "crest_factor_db"}, {"near": {"crest_factor_db": 1}}]
)


def goal_of(wish):
    return Goal.model_validate(wish | {"keep": {"loudness_range_lu": 1.0, "mono_loss_db": 0.5}})


START = {song: dict.fromkeys(CONTROL["Low Tide"], 0.0) for song in "ab"}


def costs(judged):
    """What is to be as small as can be, worked out again from what is told."""
    return (-judged.merit, *(abs(kept.moved) for kept in judged.kept))


@given(MANY, WISHES)
def test_the_pareto_set_is_what_nothing_beats(many, wish):
    ranked = rank(many, goal_of(wish), START)
    measured = [each for each in ranked if each.judged.is_measured()]
    for each in measured:
        mine = costs(each.judged)
        beaten = any(
            all(a <= b for a, b in zip(costs(other.judged), mine, strict=True))
            and costs(other.judged) != mine
            for other in measured
        )
        assert each.is_pareto is not beaten
    assert not any(each.is_pareto for each in ranked if not each.judged.is_measured())
    assert any(each.is_pareto for each in measured) or not measured


@given(MANY, WISHES, st.randoms(use_true_random=False))
def test_the_order_of_what_is_given_does_not_matter(many, wish, random):
    shuffled = list(many.items())
    random.shuffle(shuffled)
    assert rank(dict(shuffled), goal_of(wish), START) == rank(many, goal_of(wish), START)


@given(MANY, WISHES)
def test_places_are_those_of_the_goal_among_what_keeps(many, wish):
    ranked = rank(many, goal_of(wish), START)
    assert sorted(each.id for each in ranked) == sorted(many)
    good = [each.judged.merit for each in ranked if each.judged.keeps and each.judged.merit is not None]
    assert good == sorted(good, reverse=True)
    kept = [each.judged.keeps for each in ranked if each.judged.merit is not None]
    assert kept == sorted(kept, reverse=True)
    for n, each in enumerate(ranked):
        equal = [k for k, other in enumerate(ranked) if other.judged.order == each.judged.order]
        assert each.place == equal[0] + 1
        assert n in equal


@given(MANY, WISHES)
def test_the_untouched_input_breaks_no_promise_and_nothing_beats_its_stillness(many, wish):
    (untouched,) = [each for each in rank({**many, "v99": START}, goal_of(wish), START) if each.id == "v99"]
    assert untouched.judged.keeps
    assert untouched.judged.better_by == 0.0
    still = [each for each in rank(many, goal_of(wish), START) if each.judged.is_measured()]
    better = [
        each
        for each in still
        if not any(kept.moved for kept in each.judged.kept) and each.judged.better_by > 0
    ]
    assert untouched.is_pareto is not bool(better)
