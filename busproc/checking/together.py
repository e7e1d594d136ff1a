"""All stems of the mix heard at once, as they reach the mix bus: how loud each is, and what hides it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busproc.checking.findings import shares_of
from busproc.checking.hearing import Contributions, LoudnessOf, mixed
from busproc.measure.excitation import Excitation
from busproc.measure.masking import Masking
from busproc.measure.passages import Passage

if TYPE_CHECKING:
    from collections.abc import Collection

    from busproc.measure.masking import Hiding
    from busproc.song import Song

HIDDEN = 0.9
"""Loss to one other stem from which on a stem counts as hidden: as much as under a steady one that lies 8 dB
over it in all its bands. A stem as loud as another one and alike loses 0.69 to 0.76 to it, parts that double
each other in finished arrangements just under 0.9, and no fault is seen in that. Ours, and not validated by
listening."""
WORST_SHOWN = 12


class Masked(NamedTuple):
    """What hides what.

    The band of each is that in which most of the masked stem's own power is hidden.

    Attributes
    ----------
    freqs_hz
        Middles of the bands.
    hidden
        Pairs in which the one counts as hidden.
    worst
        The pairs in which most is lost.
    by_second
        For each of these the loss in its band second by second; None where the stem does not sound there.
    rest
        What each stem loses to all others together.
    """

    freqs_hz: tuple[float, ...]
    hidden: list[Hiding]
    worst: list[Hiding]
    by_second: list[list[float | None]]
    rest: list[Hiding]


class Together:
    """The stems in the mix, heard from start to end.

    Attributes
    ----------
    shares
        Each stem's part in the loudness of the mix.
    lufs
        Loudness of each; None for silence.
    """

    def __init__(self, song: Song, contributions: Contributions) -> None:
        names = mixed(song)
        self._masking = Masking(song.rate_hz, names)
        excitations = {name: Excitation(song.rate_hz) for name in names}
        loudness = {name: LoudnessOf(song.rate_hz) for name in names}
        for blocks in contributions.blocks(names):
            self._masking.feed(blocks)
            for name, block in blocks.items():
                excitations[name].feed(block)
                loudness[name].feed(block)
        self._by_band = {
            name: each.cells().sum(axis=0, dtype=np.float64) for name, each in excitations.items()
        }
        self.shares = shares_of({name: each.power for name, each in loudness.items()})
        self.lufs = {name: each.lufs for name, each in loudness.items()}

    def masked(self, of_one_source: Collection[frozenset[str]]) -> Masked:
        """Say what hides what; pairs of one source do so as a matter of course, and are left out."""
        pairs = [
            pair
            for pair in self._masking.pairs()
            if frozenset((pair.masked, pair.masker or "")) not in of_one_source
        ]
        worst = [self._located(pair) for pair in pairs[:WORST_SHOWN]]
        return Masked(
            self._masking.freqs_hz,
            [self._located(pair) for pair in pairs if pair.loss >= HIDDEN],
            worst,
            [self._by_second(pair) for pair in worst],
            self._masking.against_rest(),
        )

    def _located(self, pair: Hiding) -> Hiding:
        """The pair with its band by power: where the loss alone counts, it may be the skirt of another."""
        lost = self._by_band[pair.masked] * np.array(pair.sounds_by_band) * np.array(pair.loss_by_band)
        band = int(lost.argmax())
        located = replace(pair, band=band, freq_hz=self._masking.freqs_hz[band])
        losses = [loss or 0.0 for loss in self._by_second(located)]
        at_s = float(np.argmax(losses))
        return replace(located, worst=Passage(at_s, at_s + 1))

    def _by_second(self, pair: Hiding) -> list[float | None]:
        losses = self._masking.by_second(pair.masked, pair.masker)[:, pair.band]
        return [None if math.isnan(loss) else float(loss) for loss in losses]
