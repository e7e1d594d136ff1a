"""Sheets with pictures of chains, and chains in words: readable, the same bytes each time, refusals."""

from __future__ import annotations

import functools
import itertools
import json
import pkgutil
import subprocess
import sys

import matplotlib as mpl
import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from busproc.chain import Chain
from busproc.cli import main
from busproc.pictures.layout import draw_chain, save_picture, wrapped
from busproc.pictures.panels import panel_of
from busproc.pictures.style import styled
from busproc.pictures.wording import chain_in_words, settings_in_words
from busproc.presets import load_preset, preset_names, preset_path
from busproc.stages import REGISTRY
from busproc.studies import in_order

RATE_HZ = 48000
BAND = {"shape": "bell", "freq_hz": 300, "gain_db": -4, "q": 1.5}


def chain_of(*stages, **heads):
    return Chain.model_validate({"stages": stages, **heads})


@functools.cache
def drawn_preset(name):
    return draw_chain(load_preset(name), RATE_HZ)


def texts_of(figure):
    """Every text that shows, with its corners in inches; tick labels off the axes do not show."""
    with styled():
        renderer = FigureCanvasAgg(figure).get_renderer()
        figure.draw(renderer)
    hidden = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            hidden |= {
                tick.label1
                for tick in axis.get_major_ticks()
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9
            }
    for text in figure.findobj(Text):
        if text.get_visible() and text.get_text().strip() and text not in hidden:
            yield text.get_text(), text.get_window_extent(renderer).extents / figure.dpi


def assert_readable(figure):
    """No text leaves the sheet or is crossed by a rule, and no two overlap."""
    width, height = figure.get_size_inches()
    texts = list(texts_of(figure))
    assert texts
    for text, (left, bottom, right, top) in texts:
        assert left >= 0.1, text
        assert bottom >= 0.1, text
        assert right <= width - 0.1, text
        assert top <= height - 0.1, text
        assert not any(bottom < rule.get_ydata()[0] * height < top for rule in figure.artists), text
    for (one, here), (other, there) in itertools.combinations(texts, 2):
        apart = here[0] >= there[2] or there[0] >= here[2] or here[1] >= there[3] or there[1] >= here[3]
        assert apart, (one, other)


@pytest.mark.parametrize("name", preset_names())
def test_every_preset_is_drawn_with_nothing_cut_and_nothing_overlapping(name):
    figure = drawn_preset(name)
    assert_readable(figure)
    assert load_preset(name).title in [text for text, _ in texts_of(figure)]
    assert len(figure.artists) == len(list(in_order(load_preset(name).placed())))  # a rule before each stage
    for axes in figure.axes:
        assert axes.get_xlabel()
        assert axes.get_ylabel()
        assert any(len(each.get_xdata()) > 1 for each in axes.lines) or axes.containers


@pytest.mark.parametrize("tag", list(REGISTRY))
def test_every_stage_is_in_a_picture(tag):
    told = [text.get_text() for name in preset_names() for text in drawn_preset(name).texts]
    assert any(text.startswith((f"{tag} (", f"{tag} '", f"{tag}, only where")) for text in told)


LONG = "a purpose that goes on " * 18 + "Andoneword" * 16

EXTREMES = [
    {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 20 + k, "gain_db": k - 9} for k in range(20)]},
    {"stage": "eq", "name": "n" * 60, "bands": [{"shape": "notch", "freq_hz": 1000, "q": 3}]},
    {"stage": "compressor", "threshold_dbfs": -79.75, "ratio": "infinity", "knee_db": 40, "attack_ms": 500,
     "release_ms": 5000, "hold_ms": 1000},
    {"stage": "saturator", "curve": "clip", "drive_db": 0, "level": "matched", "tone_db": 3},
    {"stage": "limiter", "ceiling_dbtp": -23.75, "sustained_release_ms": 10000, "lookahead_ms": 0.5},
    {"stage": "split", "bands": [{"up_to_hz": 100, "level_db": -80}], "top": {"stages": [
        {"stage": "parallel", "dry_db": None, "branches": [
            {"level_db": 0, "stages": [{"stage": "gain", "pan": 1}]}]}]}},
]  # fmt: skip


def test_a_crowded_chain_is_readable_too():
    figure = draw_chain(chain_of(*EXTREMES, title="$x_1$ " * 20, purpose=LONG), RATE_HZ)
    assert_readable(figure)
    assert not any(each.get_parse_math() for each in figure.findobj(Text))  # a dollar is a dollar
    told = "\n".join(text for text, _ in texts_of(figure))
    assert "gain (stages[5].top.stages[0].branches[0].stages[0])" in told
    assert "left silent, right +0.00 dB" in told
    assert "the bus itself: left out\nbranches[0]: +0 dB, through gain" in told
    assert LONG.replace(" ", "") in told.replace("\n", "").replace(" ", "")


@pytest.mark.parametrize("tag", ["compressor", "eq", "gain", "split"])
def test_a_stage_that_nobody_made_a_panel_for_is_drawn_too(tag, monkeypatch):
    monkeypatch.setattr(pkgutil, "iter_modules", lambda path: iter(()))
    ((plot,),) = panel_of(REGISTRY[tag](), RATE_HZ).rows
    assert [curve.label for curve in plot.curves] == ["mid", "side"]
    for curve in plot.curves:
        np.testing.assert_allclose(curve.y, 0, rtol=0, atol=0.01)  # by default no stage colours silence


def test_lines_are_broken_at_words_and_long_words_anywhere():
    lines = wrapped("one two three " + "m" * 40, 1.0, 8.0)
    assert lines[:1] == ["one two three"]
    assert "".join(lines[1:]) == "m" * 40
    assert len(lines) > 3


SMALL = chain_of({"stage": "gain", "gain_db": -3}, {"stage": "eq", "bands": [BAND]}, title="Small")


@pytest.mark.parametrize("suffix", [".svg", ".png", ".pdf"])
def test_a_picture_has_the_same_bytes_each_time_whatever_is_set_for_matplotlib(suffix, tmp_path):
    save_picture(SMALL, tmp_path / f"one{suffix}", RATE_HZ)
    with mpl.rc_context(
        {"font.size": 30, "axes.linewidth": 5, "svg.hashsalt": None, "text.parse_math": True}
    ):
        save_picture(SMALL, tmp_path / f"two{suffix}", RATE_HZ)
        assert mpl.rcParams["font.size"] == 30
    made = (tmp_path / f"one{suffix}").read_bytes()
    assert made == (tmp_path / f"two{suffix}").read_bytes()
    assert made.startswith({".svg": b"<?xml", ".png": b"\x89PNG", ".pdf": b"%PDF"}[suffix])
    for stamp in (b"dc:date", b"CreationDate", b"atplotlib v", b"matplotlib.org"):
        assert stamp not in made


def test_another_process_draws_the_same_bytes(tmp_path):
    (tmp_path / "small.json").write_text(SMALL.model_dump_json(by_alias=True, exclude_none=True))
    save_picture(SMALL, tmp_path / "here.svg", RATE_HZ)
    code = (
        "import sys\n"
        "from busproc.cli import main\n"
        "main(sys.argv[1:], standalone_mode=False)\n"
        "assert 'matplotlib.pyplot' not in sys.modules"
    )
    args = ["chain", tmp_path / "small.json", "--plot", tmp_path / "there.svg"]
    subprocess.run([sys.executable, "-c", code, *args], check=True, capture_output=True)
    assert (tmp_path / "here.svg").read_bytes() == (tmp_path / "there.svg").read_bytes()


def run(*args):
    return CliRunner().invoke(main, ["chain", *map(str, args)])


def test_the_command_draws(tmp_path):
    done = run(preset_path("do_nothing"), "--plot", tmp_path / "sheet.SVG")
    assert (done.exit_code, done.stdout) == (0, f"drawn to {tmp_path / 'sheet.SVG'}\n")
    assert [file.name for file in tmp_path.iterdir()] == ["sheet.SVG"]


def test_another_kind_of_file_is_refused(tmp_path):
    done = run(preset_path("do_nothing"), "--plot", tmp_path / "sheet.jpg")
    assert done.exit_code == 2
    assert (
        done.stderr == f"error: {tmp_path / 'sheet.jpg'}: a picture is a file that ends in .svg, .png, .pdf\n"
    )
    assert not list(tmp_path.iterdir())


def test_a_file_that_is_there_stays_unless_told_otherwise(tmp_path):
    (tmp_path / "sheet.svg").write_text("mine")
    done = run(preset_path("do_nothing"), "--plot", tmp_path / "sheet.svg")
    assert (done.exit_code, "add --overwrite" in done.stderr) == (2, True)
    assert (tmp_path / "sheet.svg").read_text() == "mine"
    assert run(preset_path("do_nothing"), "--plot", tmp_path / "sheet.svg", "--overwrite").exit_code == 0
    assert "Do nothing" in (tmp_path / "sheet.svg").read_text()


@pytest.mark.parametrize("suffix", ["", ".svg"])
def test_a_chain_that_cannot_run_at_the_rate_is_refused_and_leaves_nothing(suffix, tmp_path):
    band = {"shape": "bell", "freq_hz": 9000, "gain_db": 1}
    chain = {"format": "busproc-chain/1", "stages": [{"stage": "eq", "bands": [band]}]}
    (tmp_path / "high.json").write_text(json.dumps(chain))
    plot = ["--plot", tmp_path / f"sheet{suffix}"] if suffix else []
    done = run(tmp_path / "high.json", "--rate-hz", 8000, *plot)
    assert done.exit_code == 2
    assert "9000 Hz cannot run at 8000 Hz" in done.stderr
    assert [file.name for file in tmp_path.iterdir()] == ["high.json"]


def test_a_rate_out_of_range_is_refused():
    assert run(preset_path("do_nothing"), "--rate-hz", 100).exit_code == 2


def test_a_chain_is_told_in_words_without_matplotlib():
    code = (
        "import sys\n"
        "from busproc.cli import main\n"
        "main(sys.argv[1:], standalone_mode=False)\n"
        "assert 'matplotlib' not in sys.modules"
    )
    args = ["chain", preset_path("drums_in_parallel")]
    done = subprocess.run([sys.executable, "-c", code, *args], check=True, capture_output=True, text=True)
    title, _, rate, blank, *stages = done.stdout.splitlines()
    assert (title, blank) == ("Drums in parallel", "")
    assert rate.startswith("At 48000 Hz; latency ")
    assert [each.split()[0] for each in stages] == [
        "stages[0]",
        "stages[1]",
        *(f"stages[1].branches[0].stages[{k}]" for k in range(3)),
    ]


def test_latency_is_told_in_ms_at_the_rate():
    chain = chain_of({"stage": "compressor", "lookahead_ms": 2.5, "detector": "peak"}, {"stage": "gain"})
    assert "At 96000 Hz; latency 2.50 ms at most" in chain_in_words(chain, 96000)
    assert "At 96000 Hz; no latency." in chain_in_words(chain_of({"stage": "gain"}), 96000)
    assert chain_in_words(Chain(), 48000).endswith("no stages: every sample leaves as it came")


@pytest.mark.parametrize(
    ("stage", "told"),
    [
        ({"stage": "gain"}, ""),
        ({"stage": "gain", "gain_db": -2.5, "polarity": "inverted"}, "gain -2.5 dB, polarity inverted"),
        ({"stage": "limiter", "target_lufs": -14, "verify": False}, "target -14 LUFS, verify off"),
        ({"stage": "eq", "bands": [BAND]}, "bands (bell, freq 300 Hz, gain -4 dB, q 1.5)"),
        ({"stage": "compressor", "key": {"from": "kick"}, "mix": 0.25}, "key (from kick), mix 0.25"),
        ({"stage": "parallel", "dry_db": None, "branches": []}, "dry off"),
        ({"stage": "parallel", "branches": [{"level_db": -6}]}, "branches (level -6 dB)"),
        ({"stage": "split", "bands": [{"up_to_hz": 90}], "top": {}}, "bands (up to 90 Hz)"),
    ],
)  # fmt: skip
def test_settings_that_are_not_by_default_are_told_with_units(stage, told):
    assert settings_in_words(chain_of(stage).stages[0]) == told


def test_name_and_condition_are_in_the_headline():
    stage = {"stage": "gain", "name": "down", "when": {"measure": "true_peak_dbtp", "above": -1}}
    head, _, told = chain_in_words(chain_of(stage), 48000).splitlines()[-1].partition(" is above -1  ")
    assert head == "stages[0]  gain 'down', only where true_peak_dbtp"
    assert told == "gain 0 dB, polarity as_is, pan 0, pan law balance"
