"""Stages left out alone and together: what goes, what stays, with which figures and words."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.delivery.printing import print_session
from busproc.delivery.recall import recall
from busproc.progress import silently
from busproc.pruning.judging import judge, pruned
from busproc.pruning.places import Place, places_of, without
from busproc.song import load_session
from tests.songs import RATE_HZ, noise, write_session


def shelf(gain_db):
    return {"stage": "eq", "bands": [{"shape": "high_shelf", "freq_hz": 2000.0, "gain_db": gain_db}]}


def bell(gain_db):
    return {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 1000.0, "gain_db": gain_db}]}


def gain(gain_db):
    return {"stage": "gain", "gain_db": gain_db}


def limiter(ceiling_dbtp, **rest):
    return {"stage": "limiter", "ceiling_dbtp": ceiling_dbtp} | rest


def loaded(folder, sounds, chains, **rest):
    """A song of these stems, with chains under the names of their buses."""
    own = rest.pop("stem_keys", {})
    stem_keys = {
        name: ({"chain": f"{name}.json"} if name in chains else {}) | own.get(name, {}) for name in sounds
    }
    mix_bus = {"mix_bus": {"chain": "mix_bus.json"}} if "mix_bus" in chains else {}
    return load_session(write_session(folder, sounds, chains, stem_keys=stem_keys, **mix_bus, **rest))


def two_stems(folder, chains, **rest):
    return loaded(folder, {"drone": noise(2.0, 1), "wash": noise(2.0, 2)}, chains, **rest)


def peaked(folder, peak, mix_bus):
    """A steady bed with one sample that stands over it."""
    bed = noise(2.0, 1)
    bed[40000] = peak
    return loaded(folder, {"bed": bed}, {"mix_bus": mix_bus})


def words(song):
    return [each.word for each in judge(song, silently).stages]


def test_figures_are_those_of_the_change(tmp_path):
    song = two_stems(tmp_path, {"mix_bus": [bell(3.0)]})
    (record,) = judge(song, silently).records(song)
    assert record["level_change_db"] == pytest.approx(-3.0, abs=0.5)  # what loudness changes is given back
    assert record["level_at_hz"] == pytest.approx(1000, rel=0.15)  # bands are an ERB apart
    assert record["verdict"] == "heard"
    assert f"{record['level_change_db']:+.2f} dB at most" in record["why"]


def test_what_only_changes_the_level_stays_and_is_told(tmp_path):
    song = two_stems(tmp_path, {"mix_bus": [gain(-3.0)]})
    found = judge(song, silently)
    (judged,) = found.stages
    assert judged.word == "level only"
    assert judged.outcome.loudness_change_db == pytest.approx(3.0, abs=1e-6)
    assert judged.outcome.difference.weight < 1e-6
    assert "nothing but the level can be heard" in found.records(song)[0]["why"]
    assert found.needless == []


def test_of_stages_that_are_heard_together_the_one_that_matters_most_stays(tmp_path):
    """0.2 and 0.3 dB are each less than 0.4, and 0.55 together more."""
    song = two_stems(tmp_path, {"mix_bus": [shelf(0.2), shelf(0.3), shelf(0.05)]})
    found = judge(song, silently)
    assert [each.word for each in found.stages] == ["not heard", "heard together", "not heard"]
    assert found.together.may_go
    assert abs(found.together.difference.level.db) == pytest.approx(0.25, abs=0.05)
    (back,) = pruned(song, silently).left_out["put_back"]
    assert back["place"] == "mix_bus.stages[1]"
    assert back["why"].endswith("it is heard together with others that are left out.")


def test_of_two_stages_that_do_the_same_work_one_stays(tmp_path):
    """Either limiter holds what the other one would."""
    song = two_stems(tmp_path, {"wash": [limiter(-24.0, verify=False)] * 2})
    assert sorted(words(song)) == ["heard together", "not heard"]


def test_a_limiter_that_guards_the_ceiling_stays_though_nobody_hears_it(tmp_path):
    """The peak stands at about -5.9 dBTP, and 0.2 dB of it are taken."""
    song = peaked(tmp_path, 0.5, [limiter(-6.1)])
    found = judge(song, silently)
    (judged,) = found.stages
    assert judged.word == "guards the ceiling"
    assert judged.outcome.weight < 1
    assert judged.outcome.over == (pytest.approx(-5.92, abs=0.1), pytest.approx(-6.6))
    assert found.records(song)[0]["why"].startswith("Guards the ceiling: without it peaks reach -5.")


def test_a_limiter_far_over_the_peaks_goes(tmp_path):
    song = peaked(tmp_path, 0.5, [limiter(-1.0)])
    assert words(song) == ["not heard"]
    assert pruned(song, silently).session.mix_bus.chain is None


def test_without_a_limiter_what_keeps_peaks_under_full_scale_stays(tmp_path):
    """A peak of 0.1 dB over full scale or more, turned down by 0.3: whole numbers could not hold it."""
    assert words(peaked(tmp_path, 10 ** (0.1 / 20), [gain(-0.3)])) == ["guards the ceiling"]


def test_what_a_stage_does_outside_of_the_chosen_passages_is_heard_too(tmp_path):
    """One short tone at 48 s is limited, in a song that is loud to 16 s, then soft, then softer."""
    at = np.arange(70 * RATE_HZ) / RATE_HZ
    bed = noise(70.0, 1) * np.select([at < 16, at < 60], [0.25, 0.02], 0.01)[:, None]
    tone = slice(48 * RATE_HZ, 48 * RATE_HZ + 2400)
    bed[tone] = 0.15 * np.sin(np.arange(2400))[:, None]
    song = loaded(tmp_path, {"bed": bed}, {"bed": [limiter(-20.0, verify=False)]})
    (judged,) = judge(song, silently).stages
    *chosen, most_apart = judged.outcome.passages
    assert not any(each.from_s <= 48 < each.to_s for each in chosen)
    assert most_apart.from_s <= 48 < most_apart.to_s
    assert judged.word == "heard"
    assert judged.outcome.difference.level.at_s == pytest.approx(48.0, abs=0.6)  # spans of half a second


def test_what_the_mix_does_not_tell_of_is_left_alone(tmp_path):
    """A take that versions alone have, and the group it goes to."""
    song = two_stems(
        tmp_path,
        {"wash": [gain(0.0)], "drone": [gain(0.0)], "group": [gain(0.0)], "mix_bus": [gain(0.0)]},
        groups=[{"name": "takes", "chain": "group.json"}, {"name": "rest", "chain": "group.json"}],
        stem_keys={"wash": {"heard": False, "group": "takes"}, "drone": {"group": "rest"}},
        versions=[{"name": "with wash", "also": ["wash"]}],
    )
    assert places_of(song) == [("mix_bus", 0), ("drone", 0), ("rest", 0)]


def test_a_muted_stem_is_left_alone(tmp_path):
    song = two_stems(tmp_path, {"wash": [gain(0.0)]}, stem_keys={"wash": {"mute": True}})
    assert places_of(song) == []


def test_a_bus_without_its_last_stage_names_no_chain(tmp_path):
    song = two_stems(tmp_path, {"wash": [gain(1.0)], "mix_bus": [gain(1.0), bell(2.0)]})
    bare = without(song, [Place("wash", 0), Place("mix_bus", 1)])
    assert bare.buses["wash"].fader.chain is None
    assert [stem.chain for stem in bare.session.stems] == [None, None]
    assert bare.session.mix_bus.chain == "mix_bus.json"
    assert bare.buses["mix_bus"].chain.stages == song.buses["mix_bus"].chain.stages[:1]
    assert song.buses["wash"].fader.chain == "wash.json"


def test_a_delivery_whose_chains_all_went_comes_out_the_same_again(tmp_path):
    song = two_stems(tmp_path / "song", {"wash": [gain(0.0)], "mix_bus": [gain(0.0)]})
    printed = print_session(song, tmp_path / "out", prune=True)
    assert [each["place"] for each in printed.manifest["left_out"]] == [
        "mix_bus.stages[0]",
        "stems.wash.stages[0]",
    ]
    assert not [name for name in printed.manifest["beside"] if "chains" in name]
    assert recall(tmp_path / "out", tmp_path / "song").is_same
