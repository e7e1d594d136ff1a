"""Peak, RMS and correlation of a stereo stream."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.stereo import tally
from busproc.measure.decibels import SINE_CREST_DB, power_db, raised, rounded

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LEAST_SHARE = 1e-12


class LevelTally:
    """Running sums of a stereo stream, and the levels that follow from them.

    The sums run frame by frame, so the result is the same to the last bit whatever the sizes of the blocks.
    Levels are None for silence: nothing fed, or nothing above -300 dBFS.
    """

    def __init__(self) -> None:
        self.frames = 0
        self._sums = np.zeros(4)

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block, C-contiguous float64 of shape (frames, 2)."""
        tally(block.reshape(-1), self._sums)
        self.frames += len(block)

    @property
    def is_finite(self) -> bool:
        """Whether every number fed so far was finite."""
        return bool(np.isfinite(self._sums).all())

    @property
    def peak_dbfs(self) -> float | None:
        """The larger sample peak of the two channels, 0 dBFS at 1.0."""
        return power_db(float(self._sums[3]) ** 2)

    @property
    def rms_dbfs(self) -> float | None:
        """Mean power of both channels over all frames; a sine reads its own peak (AES17-2015 convention)."""
        mean_square = float(self._sums[0] + self._sums[1]) / (2 * max(self.frames, 1))
        return raised(power_db(mean_square), SINE_CREST_DB)

    @property
    def crest_factor_db(self) -> float | None:
        """Sample peak over plain RMS, 20 lg(peak / rms): a sine reads 3.01 dB, a square wave 0 dB."""
        peak, rms = self.peak_dbfs, self.rms_dbfs
        return None if peak is None or rms is None else peak - rms + SINE_CREST_DB

    @property
    def side_to_mid_db(self) -> float | None:
        """Power of side (L - R) over that of mid (L + R); None where one is 120 dB under the other."""
        left, right, product = (float(value) for value in self._sums[:3])
        side, mid = left + right - 2 * product, left + right + 2 * product
        if min(side, mid) <= _LEAST_SHARE * max(side, mid):
            return None
        return 10 * math.log10(side / mid)

    @property
    def correlation(self) -> float | None:
        """Sum of L * R over the root of the sums of L^2 and R^2: 1 for mono, 0 unrelated, -1 for inverted.

        None where either channel is silent.
        """
        left, right, product = (float(value) for value in self._sums[:3])
        scale = math.sqrt(left) * math.sqrt(right)
        return None if scale == 0 else max(-1.0, min(1.0, product / scale))

    def as_dict(self) -> dict[str, float | None]:
        """Return levels and correlation for JSON, rounded to 0.01; the correlation to 0.001."""
        return {
            "rms_dbfs": rounded(self.rms_dbfs, 2),
            "peak_dbfs": rounded(self.peak_dbfs, 2),
            "correlation": rounded(self.correlation, 3),
        }
