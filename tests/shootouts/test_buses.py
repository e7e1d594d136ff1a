"""Variations of another bus than the mix bus: heard in the whole song, through its own mix bus."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile as sf

import busproc
from busproc.errors import SettingsFileError
from busproc.shootouts.loading import load_shootout
from busproc.shootouts.rendering import shootout
from tests.songs import RATE_HZ, noise, write_session

LAST = [{"stage": "compressor", "threshold_dbfs": -20, "ratio": 2}, {"stage": "saturator", "drive_db": 6}]
SQUEEZE = [{"stage": "compressor", "threshold_dbfs": -40, "ratio": 8, "attack_ms": 1}]
BEND = [{"stage": "saturator", "drive_db": 24}]


def write_chain(file, stages):
    file.write_text(json.dumps({"format": "busproc-chain/1", "stages": stages}))


def write_song(folder, **rest):
    strikes = np.zeros((4 * RATE_HZ, 1))
    strikes[:: RATE_HZ // 2] = 0.6
    keys = {
        "sends": [{"from": "strikes", "to": "under", "level_db": -2}],
        "returns": [{"name": "under", "chain": "squeeze.json", "level_db": -3}],
        "groups": [{"name": "all", "chain": "squeeze.json"}],
        "stem_keys": {"pad": {"group": "all"}},
    }
    return write_session(
        folder,
        {"pad": noise(4.0, 1, peak=0.1), "strikes": np.repeat(strikes, 2, axis=1)},
        chains={"last": LAST, "squeeze": SQUEEZE},
        mix_bus={"chain": "last.json"},
        **(keys | rest),
    )


def write_shootout(folder, **rest):
    write_song(folder)
    write_chain(folder / "bend.json", BEND)
    document = {
        "format": "busproc-shootout/1",
        "shootout": "What lies under",
        "songs": [{"file": "session.json"}],
        "bus": "under",
        "variations": [{"name": "squeezed"}, {"name": "bent", "chain": "bend.json"}],
    }
    (folder / "shootout.json").write_text(json.dumps(document | rest))
    return folder / "shootout.json"


def by_name(done):
    names = {each["id"]: each["name"] for each in done.document["variations"]}
    rows = done.document["results"]
    return {names[row["variation"]]: (row, sf.read(done.folder / row["file"])[0]) for row in rows}


def apart(sound, mix, row):
    """What is heard beside a render at the level that was matched, which the report rounds to 0.01 dB."""
    gain = 10 ** (row["gain_db"] / 20)
    rounding = gain * (10 ** (0.005 / 20) - 1) * np.abs(mix).max() + 2**-22
    return np.abs(sound - mix[: len(sound)] * gain).max() / rounding


@pytest.mark.parametrize("bus", ["under", "all"])
def test_what_is_heard_is_what_a_render_with_that_chain_gives(tmp_path, bus):
    found = by_name(shootout(write_shootout(tmp_path, bus=bus), tmp_path / "out"))
    rendered = {}
    for name, chain in {"squeezed": "squeeze.json", "bent": "bend.json"}.items():
        document = json.loads((tmp_path / "session.json").read_text())
        (entry,) = (each for each in document["returns"] + document["groups"] if each["name"] == bus)
        entry["chain"] = chain
        (tmp_path / f"{name}.json").write_text(json.dumps(document))
        rendered[name] = sf.read(busproc.render(tmp_path / f"{name}.json", tmp_path / name).files[0])[0]
    for name, mix in rendered.items():
        row, sound = found[name]
        assert apart(sound, mix, row) <= 1
        assert apart(found["untouched"][1], mix, row) > 10
    assert found["squeezed"][0]["reduction_db"] > 3
    assert found["bent"][0]["reduction_db"] == 0


def test_untouched_a_return_is_silent_and_a_group_keeps_its_sound(tmp_path):
    session = write_song(tmp_path / "no_return", sends=[], returns=[])
    mix = sf.read(busproc.render(session, tmp_path / "rendered").files[0])[0]
    row, sound = by_name(shootout(write_shootout(tmp_path), tmp_path / "out"))["untouched"]
    assert apart(sound, mix, row) <= 1


def test_a_second_run_renders_nothing_again(tmp_path, monkeypatch):
    file = write_shootout(tmp_path)
    first = shootout(file, tmp_path / "out")
    monkeypatch.setattr("busproc.shootouts.running.try_in_song", None)
    monkeypatch.setattr("busproc.shootouts.running.listen", None)
    assert shootout(file, tmp_path / "out").document == first.document


def test_the_report_says_whose_chain_is_varied(tmp_path):
    done = shootout(write_shootout(tmp_path), tmp_path / "out")
    assert done.document["bus"] == "under"
    (told,) = (tmp_path / "out").glob("*.txt")
    for file in (told, tmp_path / "out" / "index.html"):
        assert "Varied is the chain of 'under', heard in the mix." in file.read_text()


@pytest.mark.parametrize(
    ("rest", "told"),
    [
        ({"bus": "undr"}, r"bus: songs\[0\] has no stem, group or return 'undr'; did you mean under\?"),
        ({"songs": [{"file": "pad.wav"}], "chain": "bend.json"}, r"bus: songs\[0\] has no stem"),
        ({"bus": "all", "chain": "circle.json"}, "'squeezed': one of its keys hears 'all' itself"),
    ],
)
def test_a_bus_that_cannot_be_varied_is_refused(tmp_path, rest, told):
    file = write_shootout(tmp_path, **rest)
    write_chain(tmp_path / "circle.json", [SQUEEZE[0] | {"key": {"from": "round"}}])
    document = json.loads((tmp_path / "session.json").read_text())
    document["sends"].append({"from": "all", "to": "round"})
    document["returns"].append({"name": "round"})
    (tmp_path / "session.json").write_text(json.dumps(document))
    with pytest.raises(SettingsFileError, match=told):
        load_shootout(file)


def test_a_muted_bus_is_refused(tmp_path):
    file = write_shootout(tmp_path)
    document = json.loads((tmp_path / "session.json").read_text())
    document["returns"][0]["mute"] = True
    (tmp_path / "session.json").write_text(json.dumps(document))
    with pytest.raises(SettingsFileError, match=r"bus: 'under' is muted in songs\[0\]"):
        load_shootout(file)
