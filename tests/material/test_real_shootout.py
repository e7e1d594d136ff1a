"""Twenty-four variations on three real songs from one command: equally loud, and heard in a browser."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pyloudnorm
import pytest
import soundfile as sf
from click.testing import CliRunner

from busproc.cli import main
from busproc.presets import load_preset

pytestmark = pytest.mark.material

SONGS = (
    "xmoto-data/usr/share/games/xmoto/Textures/Musics/foxrun.ogg",
    "xmoto-data/usr/share/games/xmoto/Textures/Musics/legolodio.ogg",
    "frozen-bubble-data/usr/share/games/frozen-bubble/snd/frozen-mainzik-1p.ogg",
)
FROM_S, LENGTH_S = 30, 10
GRID = {"width.width": [0.8, 0.9, 1.0, 1.1, 1.2, 1.3], "limiter.ceiling_dbtp": [-4.0, -3.0, -2.0, -1.0]}


@pytest.fixture(scope="module")
def compared(material, tmp_path_factory):
    folder = tmp_path_factory.mktemp("shootout")
    for n, file in enumerate(SONGS):
        rate_hz = sf.info(material / file).samplerate
        sound, _ = sf.read(material / file, frames=LENGTH_S * rate_hz, start=FROM_S * rate_hz, always_2d=True)
        sf.write(folder / f"{n}.wav", sound, rate_hz, subtype="FLOAT")
    chain = load_preset("forward_and_lively").model_dump(mode="json", by_alias=True, exclude={"schema_"})
    kinds = [stage["stage"] for stage in chain["stages"]]
    chain["stages"] = [stage for stage in chain["stages"] if stage["stage"] not in {"width", "limiter"}]
    chain["stages"] += [{"stage": "width"}, {"stage": "limiter", "ceiling_dbtp": -1.0}]
    assert len(kinds) > 2
    (folder / "chain.json").write_text(json.dumps(chain))
    document = {
        "format": "busproc-shootout/1",
        "shootout": "Width and ceiling",
        "songs": [{"file": f"{n}.wav"} for n in range(3)],
        "chain": "chain.json",
        "grid": {"set": GRID},
        "passages": [{"find": "loudest"}],
    }
    (folder / "shootout.json").write_text(json.dumps(document))
    run = CliRunner().invoke(
        main, ["shootout", str(folder / "shootout.json"), "--out", str(folder / "out"), "--jobs", "2"]
    )
    assert run.exit_code == 0, run.output
    return folder / "out"


def test_all_variations_of_a_song_are_equally_loud(compared):
    document = json.loads((compared / "compared.json").read_text())
    assert len(document["variations"]) == 26
    levels = {}
    for row in document["results"]:
        sound, rate_hz = sf.read(compared / row["file"])
        meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
        levels.setdefault(row["song"], []).append(meter.integrated_loudness(sound))
        assert np.abs(sound).max() <= 1.0
    assert [len(each) for each in levels.values()] == [26, 26, 26]
    assert all(np.ptp(each) < 0.05 for each in levels.values())


def test_wider_is_wider_in_every_song(compared):
    document = json.loads((compared / "compared.json").read_text())
    sets = {each["id"]: each["changes"] for each in document["variations"] if each["kind"] == "grid"}
    for song in range(3):
        rows = [row for row in document["results"] if row["song"] == song and row["variation"] in sets]
        for ceiling in GRID["limiter.ceiling_dbtp"]:
            at = [row for row in rows if sets[row["variation"]]["limiter.ceiling_dbtp"] == ceiling]
            by_width = sorted(at, key=lambda row: sets[row["variation"]]["width.width"])
            assert np.all(np.diff([row["width_db"] for row in by_width]) > 0)


def test_the_page_plays_and_switches_in_a_browser(compared, playwright):
    from playwright.sync_api import expect

    browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
    page = browser.new_page()
    told = []
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.goto((compared / "index.html").as_uri())
    page.keyboard.press("2")
    page.keyboard.press("Space")
    heard = page.locator("#status")
    expect(heard).to_contain_text("Now hearing: width 0.8", timeout=30_000)
    page.keyboard.press("ArrowRight")
    expect(heard).to_contain_text("Now hearing: width 0.8, ceiling -3 dB")
    browser.close()
    assert not told
