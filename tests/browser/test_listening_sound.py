"""What the listening page plays, sample by sample: no gap, one instant, one level."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.browser.steps import launched, status
from tests.shootouts.test_listening import RATE_HZ

pytestmark = pytest.mark.browser

FADE = round(0.010 * RATE_HZ)
COUNTED = 2**18
RENDER = """async ({names, loop, when, offset_s, switches, frames}) => {
  const context = new OfflineAudioContext(2, frames, 48000);
  const buffers = await soundsOf(names, context, () => true);
  const run = startTogether(context, context.destination, buffers, 0, loop, when, offset_s);
  for (const [heard, at] of switches) crossFade(run, heard, at);
  const rendered = await context.startRendering();
  return [0, 1].map((side) => Array.from(rendered.getChannelData(side)));
}"""
TAP = """async () => {
  const code = `registerProcessor("tap", class extends AudioWorkletProcessor {
    constructor() {
      super();
      this.kept = [];
      this.port.onmessage = () => this.port.postMessage(this.kept);
    }
    process([input]) {
      if (input.length) this.kept.push([currentFrame, input[0].slice(), input.at(-1).slice()]);
      return true;
    }
  })`;
  player.opened();
  await player.context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(code)}`);
  window.tap = new AudioWorkletNode(player.context, "tap");
  player.master.connect(window.tap);
}"""
TAPPED = """() => new Promise((done) => {
  const side = (kept, n) => kept.flatMap((block) => Array.from(block[n]));
  window.tap.port.onmessage = ({data: kept}) =>
    done([kept.map(([frame]) => frame), side(kept, 1), side(kept, 2)]);
  window.tap.port.postMessage("all");
})"""


def test_switching_in_the_page_s_own_graph_sample_by_sample(page):
    """The left side counts frames in every variation: wherever it departs, there is a gap, a jump or a level.

    Two switches are asked for in one cross-fade's time, and the loop wraps within one.
    """
    loop, when, offset = (12_000, 36_000), 4_800, 24_000
    asked = [(1, 9_600), (2, 14_400), (0, 14_500), (3, 40_700), (0, 60_000)]
    frames = 72_000
    rendered = page.evaluate(
        RENDER,
        {
            "names": ["1-1-1", "1-1-2", "1-1-3", "1-1-4"],
            "loop": {"from_s": loop[0] / RATE_HZ, "to_s": loop[1] / RATE_HZ},
            "when": when / RATE_HZ,
            "offset_s": offset / RATE_HZ,
            "switches": [(heard, at / RATE_HZ) for heard, at in asked],
            "frames": frames,
        },
    )
    left, right = np.array(rendered)
    at = np.arange(frames)
    place = offset + at - when
    place = np.where(place < loop[1], place, loop[0] + (place - loop[0]) % (loop[1] - loop[0]))
    begun = np.clip((at - when) / FADE, 0, 1)
    np.testing.assert_allclose(left, begun * place / COUNTED, atol=2e-7)

    starts = (9_600, 14_400, 14_400 + FADE, 40_700, 60_000)
    heard = np.ones(frames)
    for (_, start), (was, now) in zip(
        enumerate(starts), ((1, 2), (2, 3), (3, 1), (1, 4), (4, 1)), strict=True
    ):
        heard += (now - was) * np.clip((at - start) / FADE, 0, 1)
    np.testing.assert_allclose(right, begun * heard / 16, atol=2e-7)


def test_switching_while_it_plays_has_no_gap_no_jump_and_no_level(playwright, written, tmp_path):
    """Every sample that goes to the loudspeaker, tapped in the live graph while keys are pressed.

    The position is that of the count on the left within a tenth of a frame, 2 µs; asked for is 1 ms.
    """
    context = launched(playwright, tmp_path / "user", bypass_csp=True)  # for the tap's own script
    page = context.pages[0]
    page.goto(written.as_uri())
    page.evaluate(TAP)
    page.click("#play")
    status(page, "Now hearing: untouched")
    pressed = ["2", "4", "ArrowLeft", "1", "3", "2"]
    for key in pressed:
        page.wait_for_timeout(350)
        page.keyboard.press(key)
    page.wait_for_timeout(350)
    blocks, *sides = page.evaluate(TAPPED)
    context.close()

    first = np.flatnonzero(sides[1])[0] - 1
    assert {later - earlier for earlier, later in pairwise(blocks[first // 128 :])} == {128}
    left, right = np.array(sides)[:, first + FADE :] / 10 ** (-30 / 20)
    frames = 2 * RATE_HZ
    assert len(left) > frames, "the loop wraps"
    place = (FADE + np.arange(len(left))) % frames
    assert np.max(np.abs(left * COUNTED - place)) < 0.1

    level, fade = right * 16, np.arange(FADE + 1) / FADE
    at = 0
    for was, now in pairwise([1, 2, 4, 3, 1, 3, 2]):
        start = at + np.flatnonzero(np.abs(level[at:] - was) > 1e-4)[0] - 1
        np.testing.assert_allclose(level[start : start + FADE + 1], was + (now - was) * fade, atol=1e-5)
        at = start + FADE
    np.testing.assert_allclose(level[at:], 2, atol=1e-5)
