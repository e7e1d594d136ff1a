"""Width and what folding to mono costs, by broad band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busproc.measure.bands import EDGES_HZ, NAMES
from busproc.measure.decibels import power_db

if TYPE_CHECKING:
    from busproc.measure.spectrum import ThirdOctaves

_LEAST_SHARE = 1e-12
_LEAST_FOLDED = 1e-6


@dataclass(frozen=True)
class Stereo:
    """How the sides of a band belong together.

    Attributes
    ----------
    side_to_mid_db
        Power of side (L - R) over that of mid (L + R); None where one is 120 dB under the other, and for
        silence.
    mono_loss_db
        Level of (L + R) / 2 less that of both sides: 0 dB where both are alike, -3.01 where they have nothing
        in common, -60 at least; None for silence.
    """

    side_to_mid_db: float | None
    mono_loss_db: float | None


def stereo_by_band(spectrum: ThirdOctaves) -> dict[str, Stereo]:
    """Read the width of each band of `measure.bands`, made of the third octaves with their middle in it."""
    levels = zip(spectrum.midbands_hz, spectrum.levels_db(), spectrum.mono_levels_db(), strict=True)
    both, mono = dict.fromkeys(NAMES, 0.0), dict.fromkeys(NAMES, 0.0)
    for freq_hz, level_db, mono_level_db in levels:
        name = NAMES[sum(freq_hz >= edge for edge in EDGES_HZ)]
        both[name] += _power(level_db)
        mono[name] += _power(mono_level_db)
    return {name: _stereo(both[name], mono[name]) for name in NAMES}


def _stereo(both: float, mid: float) -> Stereo:
    side = both - mid
    if not both:
        return Stereo(None, None)
    has_both = min(side, mid) > _LEAST_SHARE * both
    return Stereo(power_db(side / mid) if has_both else None, power_db(max(mid / both, _LEAST_FOLDED)))


def _power(level_db: float | None) -> float:
    return 0.0 if level_db is None else 10 ** (level_db / 10)
