"""A shootout from file to table: equally loud by another meter, aligned, measured, ranked, known later."""

from __future__ import annotations

import json

import numpy as np
import pyloudnorm
import pytest
import soundfile as sf

import busproc
from busproc.engine import Engine
from busproc.errors import InputError, RenderError, SettingsFileError
from busproc.shootouts import running, words
from busproc.shootouts.loading import load_shootout
from busproc.shootouts.rendering import shootout
from tests.songs import RATE_HZ, noise, write_session

pytestmark = pytest.mark.slow

CHAIN = [
    {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 400, "gain_db": 2}]},
    {"stage": "compressor", "threshold_dbfs": -24, "ratio": 3},
    {"stage": "width", "width": 1.0},
    {"stage": "gain", "gain_db": 0.0},
]
GAINS = {"gain.gain_db": [-3.0, 4.0]}


def write_shootout(folder, chain=CHAIN, songs=1, **rest):
    """Songs of noise in swells with strikes, their session's own mix bus empty."""
    strikes = np.zeros((8 * RATE_HZ, 1))
    strikes[:: RATE_HZ // 2] = 0.6
    for n in range(songs):
        stems = {"pad": noise(8.0, n, peak=0.2), "strikes": np.repeat(strikes, 2, axis=1)}
        write_session(folder / f"song_{n}", stems, song=f"Song {n}")
    (folder / "chain.json").write_text(json.dumps({"format": "busproc-chain/1", "stages": chain}))
    document = {
        "format": "busproc-shootout/1",
        "shootout": "Which one",
        "songs": [{"file": f"song_{n}/session.json"} for n in range(songs)],
        "chain": "chain.json",
        "grid": {"set": GAINS},
    }
    file = folder / "shootout.json"
    file.write_text(json.dumps(document | rest))
    return file


def sounds(done):
    """Every written sound with its row."""
    rows = done.document["results"]
    return [(row, sf.read(done.folder / row["file"])[0]) for row in rows]


def by_name(done):
    names = {each["id"]: each["name"] for each in done.document["variations"]}
    return {names[row["variation"]]: (row, sound) for row, sound in sounds(done)}


def whole_folder(folder):
    files = [file for file in folder.rglob("*") if file.is_file() and ".busproc" not in file.parts]
    return {str(file.relative_to(folder)): file.read_bytes() for file in files}


def test_all_are_equally_loud_and_none_clips_by_another_meter(tmp_path):
    passages = [{"find": "whole"}, {"name": "middle", "from_s": 2.0, "to_s": 6.5}]
    settings = {"compressor.ratio": [1.5, 8], "gain.gain_db": [-6.0, 20.0]}
    done = shootout(
        write_shootout(tmp_path, songs=2, passages=passages, grid={"set": settings}), tmp_path / "out"
    )
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    found = {}
    for row, sound in sounds(done):
        found.setdefault((row["song"], row["passage"]), []).append(meter.integrated_loudness(sound))
        assert np.abs(sound).max() <= 1.0
        assert row["gain_db"] <= 0
    assert len(found) == 4
    assert all(len(levels) == 6 and np.ptp(levels) < 0.05 for levels in found.values())


def test_a_gain_alone_changes_nothing_but_what_it_would_have_gained(tmp_path):
    chain = [CHAIN[3]]
    found = by_name(shootout(write_shootout(tmp_path, chain=chain), tmp_path / "out"))
    untouched = found["untouched"][1]
    for name, gain_db in (("gain -3 dB", -3.0), ("gain 4 dB", 4.0)):
        row, sound = found[name]
        assert row["gained_lu"] == pytest.approx(gain_db, abs=0.01)
        assert np.abs(sound - untouched).max() <= 2**-22
        assert row["null_depth_db"] is None or row["null_depth_db"] < -90


def test_what_is_heard_is_what_a_render_gives(tmp_path):
    file = write_shootout(
        tmp_path, grid=None, variations=[{"name": "as it is"}, {"name": "r", "set": {"compressor.ratio": 6}}]
    )
    done = shootout(file, tmp_path / "out")
    session = json.loads((tmp_path / "song_0" / "session.json").read_text())
    (tmp_path / "song_0" / "chain.json").write_text((tmp_path / "chain.json").read_text())
    session["mix_bus"] = {"chain": "chain.json"}
    (tmp_path / "song_0" / "session.json").write_text(json.dumps(session))
    mix = sf.read(busproc.render(tmp_path / "song_0" / "session.json", tmp_path / "render").files[0])[0]
    row, sound = by_name(done)["as it is"]
    gain = 10 ** (row["gain_db"] / 20)
    np.testing.assert_allclose(sound, mix * gain, atol=gain * 10 ** (0.005 / 20) - gain + 2**-22)


def test_the_hidden_repeat_is_its_twin(tmp_path):
    done = shootout(write_shootout(tmp_path), tmp_path / "out")
    repeat = next(each for each in done.document["variations"] if each["kind"] == "repeat")
    files = {row["variation"]: (done.folder / row["file"]).read_bytes() for row in done.document["results"]}
    assert files[repeat["id"]] == files[repeat["repeats"]]


def test_a_finished_mix_may_be_a_song_and_rates_may_differ(tmp_path):
    file = write_shootout(tmp_path)
    sf.write(tmp_path / "mix.wav", noise(5.0, 4, rate_hz=44100), 44100, subtype="FLOAT")
    document = json.loads(file.read_text())
    document["songs"].append({"file": "mix.wav"})
    file.write_text(json.dumps(document))
    done = shootout(file, tmp_path / "out")
    assert [song["rate_hz"] for song in done.document["songs"]] == [RATE_HZ, 44100]


def test_what_was_rendered_is_known_next_time(tmp_path, monkeypatch):
    file = write_shootout(tmp_path, songs=2)
    shootout(file, tmp_path / "out")
    before = whole_folder(tmp_path / "out")
    calls = {name: spied(monkeypatch, name) for name in ("listen", "follow", "measure")}
    shootout(file, tmp_path / "out")
    assert whole_folder(tmp_path / "out") == before
    assert not any(calls.values())

    document = json.loads(file.read_text())
    document["grid"]["set"]["gain.gain_db"].append(1.0)
    file.write_text(json.dumps(document))
    shootout(file, tmp_path / "out")
    assert len(calls["follow"]) == 2  # the new one in both songs
    assert len(calls["measure"]) == 2


def spied(monkeypatch, name):
    calls, work = [], getattr(running, name)

    def spy(*arguments):
        calls.append(arguments)
        return work(*arguments)

    monkeypatch.setattr(running, name, spy)
    return calls


@pytest.mark.parametrize(
    "engine", [Engine(jobs=2), Engine(jobs=2, processes=True)], ids=["threads", "processes"]
)
def test_side_by_side_gives_the_same_bytes(tmp_path, engine):
    file = write_shootout(tmp_path, songs=2)
    shootout(file, tmp_path / "one")
    shootout(file, tmp_path / "two", engine=engine)
    assert whole_folder(tmp_path / "one") == whole_folder(tmp_path / "two")


def test_matched_by_the_short_term_loudness_of_a_passage(tmp_path):
    passages = [{"find": "whole"}, {"name": "middle", "from_s": 2.0, "to_s": 6.5}]
    match = {"to": "short_term", "passage": "middle"}
    grid = {"set": {"compressor.ratio": [1.2, 10]}}
    done = shootout(write_shootout(tmp_path, passages=passages, match=match, grid=grid), tmp_path / "out")
    rows = done.document["results"]
    middle = [row["matched"]["short_term_max_lufs"] for row in rows if row["passage"] == 1]
    assert np.ptp(middle) <= 0.05
    gains = {(row["variation"], row["gain_db"]) for row in rows}
    assert len(gains) == len(done.document["variations"])  # one gain for all passages of a variation


WIDTH_GOAL = {"near": {"width_db": -6.0}}


def best_width(done):
    """The width that puts the side 6 dB under the mid: a factor on the side of the untouched input."""
    untouched = next(row for row, _ in sounds(done) if row["variation"] == "v00")
    return 10 ** ((-6.0 - untouched["width_db"]) / 20)


def test_a_known_best_setting_is_found_by_a_grid_and_by_a_search(tmp_path):
    chain = [CHAIN[2]]
    grid = {"set": {"width.width": [0.2, 0.35, 0.5, 0.65, 0.8, 1.2]}}
    search = {"ranges": {"width.width": [0.1, 1.5]}, "budget": 24}
    file = write_shootout(tmp_path, chain=chain, grid=grid, goal=WIDTH_GOAL, refine=search)
    done = shootout(file, tmp_path / "out", refine=True)
    width = best_width(done)
    nearest = min(grid["set"]["width.width"], key=lambda each: abs(20 * np.log10(each / width)))
    assert done.ranking()[0] == "refined"
    assert done.ranking()[1] == f"width {nearest:g}"
    found = next(each for each in done.document["variations"] if each["kind"] == "refined")
    assert found["changes"]["width.width"] == pytest.approx(width, rel=0.01)
    refined = busproc.load_chain(tmp_path / "out" / "refined_chain.json")
    assert refined.stages[0].width == found["changes"]["width.width"]
    assert len(done.document["refined"]["tries"]) <= 24


def test_a_search_that_finds_nothing_says_so(tmp_path):
    search = {"ranges": {"gain.gain_db": [-6, 6]}, "budget": 4}
    goal = {"raise": "crest_factor_db"}
    file = write_shootout(tmp_path, chain=[CHAIN[3]], goal=goal, refine=search)
    done = shootout(file, tmp_path / "out", refine=True)
    assert "the best is no better than the untouched input" in done.document["refined"]["told"]
    assert all(each["kind"] != "refined" for each in done.document["variations"])


def test_rows_go_into_a_table(tmp_path):
    rows = shootout(write_shootout(tmp_path), tmp_path / "out").rows()
    assert len(rows) == 4
    assert {"song", "passage", "variation", "crest_factor_db", "set gain.gain_db"} <= set().union(*rows)
    assert all(isinstance(value, str | float | int | None) for row in rows for value in row.values())


def test_numbered_files_are_opened_by_their_key(tmp_path):
    from busproc.shootouts.sealed import open_key

    done = shootout(write_shootout(tmp_path), tmp_path / "out", keys_dir=tmp_path / "keys")
    (key_file,) = (tmp_path / "keys").iterdir()
    folder = next((tmp_path / "out" / "numbered").iterdir())
    assert len(list(folder.glob("*.wav"))) == len(done.document["variations"])
    assert open_key(key_file, folder)


def test_what_an_earlier_run_wrote_and_this_one_does_not_is_taken_away(tmp_path):
    """And nothing else: what others put there stays."""
    shootout(write_shootout(tmp_path, goal=WIDTH_GOAL), tmp_path / "out")
    (tmp_path / "out" / "heard" / "mine.txt").write_text("mine")
    file = write_shootout(tmp_path, grid={"set": {"gain.gain_db": [1.0]}})
    again = shootout(file, tmp_path / "out")
    fresh = shootout(file, tmp_path / "fresh")
    assert again.document == fresh.document
    files = whole_folder(tmp_path / "out")
    assert files.pop("heard/mine.txt") == b"mine"
    assert files == whole_folder(tmp_path / "fresh")


def test_another_shootout_is_not_written_over_unasked(tmp_path):
    shootout(write_shootout(tmp_path), tmp_path / "out")
    other = write_shootout(tmp_path, shootout="Another")
    with pytest.raises(InputError, match="holds another shootout, 'Which one'; add --overwrite"):
        shootout(other, tmp_path / "out")
    assert shootout(other, tmp_path / "out", overwrite=True).document["shootout"] == "Another"


def test_what_has_no_loudness_is_refused_by_name(tmp_path):
    """Too short is told when the file is read, silence when it is heard."""
    short = write_shootout(tmp_path, passages=[{"name": "blip", "from_s": 1.0, "to_s": 1.3}])
    with pytest.raises(SettingsFileError, match=r"passages\[0\]: lasts 0\.3 s .* needs 0\.4 s"):
        load_shootout(short)
    quiet = write_shootout(tmp_path, passages=[{"name": "end", "from_s": 5.0, "to_s": 7.0}])
    sound = noise(8.0, 0)
    sound[4 * RATE_HZ :] = 0
    write_session(tmp_path / "song_0", {"pad": sound}, song="Song 0")
    with pytest.raises(RenderError, match="01 Song 0: has no loudness that could be matched"):
        shootout(quiet, tmp_path / "out")


def test_the_table_stands_in_the_order_of_the_goal_and_shows_its_figure(tmp_path):
    grid = {"set": {"width.width": [1.5, 0.6]}}
    goal = {"near": {"peak_to_short_term_db": 10.0}, "keep": {"width_db": 1.0}}
    told = words.in_words(shootout(write_shootout(tmp_path, grid=grid, goal=goal), tmp_path / "out").document)
    table = [line for line in told.splitlines() if line.split()[-2:-1] != [] and " v0" in line]
    listed = [line.rpartition(" v0")[2][2:] for line in table]
    by_goal = [line for line in told.partition("By the goal")[2].splitlines() if line[:4].strip().isdigit()]
    assert listed == [line.split("  ")[-1].partition(";")[0] for line in by_goal]
    assert "peak/st   width" in told
    assert "to bring peak_to_short_term_db near 10, keeping width_db within 1" in told
