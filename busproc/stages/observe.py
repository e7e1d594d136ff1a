"""What is kept of a run for the decision log: levels, spectra and what a decision did."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from busproc.kernels import tally
from busproc.measure.level import LevelTally
from busproc.measure.spectrum import ThirdOctaves
from busproc.measure.true_peak import TruePeak

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busproc.stages.treatments import Treatment

NOMINAL_HZ = (
    *("20", "25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200", "250", "315", "400", "500"),
    *("630", "800", "1000", "1250", "1600", "2000", "2500", "3150", "4000", "5000", "6300", "8000"),
    *("10000", "12500", "16000", "20000"),
)
"""Names of the third octaves, ISO 266:1997."""

HEARD_DB = 60.0
"""Third octaves further than this under the loudest are left out of what changed."""

WORKING_DB = 0.1
"""Less reduction than this is not counted as working: nobody hears it. Ours, not a standard's."""


class DecisionTally(Protocol):
    """Counts what decisions did, block by block."""

    def feed(self, decision: NDArray[np.float64]) -> None:
        """Count one block's decision."""


class GainTally:
    """Reduction of a gain curve: share of time, percentiles, deepest, events, ten values a second.

    Parameters
    ----------
    rate_hz
        Frames a second.
    lag_frames
        Frames to leave out first, so that times are song times.
    scale
        Gain that counts as no reduction.
    """

    def __init__(self, rate_hz: int, lag_frames: int, scale: float) -> None:
        self.rate_hz, self._lag, self._scale = rate_hz, lag_frames, scale
        self._histogram = np.zeros(tally.BINS, dtype=np.int64)
        self._counts = np.zeros(5, dtype=np.int64)
        self._depths = np.zeros(3)
        self.curve_db: list[float] = []

    def feed(self, decision: NDArray[np.float64]) -> None:
        """Count a block of gain `(frames,)`; of two curves `(frames, 2)`, the deeper one."""
        if decision.ndim == 2:
            decision = decision.min(axis=1)
        slots = np.empty(len(decision) * 10 // self.rate_hz + 2)
        ended = tally.tally_reduction(
            decision,
            self._scale,
            self.rate_hz,
            self._lag,
            WORKING_DB,
            self._histogram,
            self._counts,
            self._depths,
            slots,
        )
        self.curve_db += [round(float(depth), 2) for depth in slots[:ended]]

    def percentile_db(self, percent: float) -> float:
        """Reduction that this share of the frames stays at or below, to 0.01 dB."""
        reached = np.searchsorted(np.cumsum(self._histogram), percent / 100 * self._counts[tally.COUNTED])
        return float(min(int(reached), tally.BINS - 1)) / 100

    @property
    def working_share(self) -> float:
        """Share of frames with at least `WORKING_DB` of reduction."""
        return float(self._counts[tally.WORKING] / max(1, self._counts[tally.COUNTED]))

    @property
    def deepest_db(self) -> float:
        """Deepest reduction of all."""
        return float(self._depths[tally.DEEPEST])

    @property
    def deepest_at_s(self) -> float:
        """When it was deepest, in song time."""
        return float(self._counts[tally.DEEPEST_AT] / self.rate_hz)

    @property
    def events(self) -> int:
        """How many times it began to work."""
        return int(self._counts[tally.EVENTS])

    @property
    def told(self) -> str:
        """How deep it was, for a sentence."""
        return (
            f"reduction {self.percentile_db(50):.1f} dB in the median, {self.percentile_db(95):.1f} dB at "
            f"the 95th percentile, {self.deepest_db:.1f} dB at most ({self.deepest_at_s:.1f} s)"
        )

    def as_dict(self) -> dict[str, object]:
        """The figures of the decision log."""
        return {
            "working_percent": round(100 * self.working_share, 1),
            "median_db": self.percentile_db(50),
            "percentile_95_db": self.percentile_db(95),
            "deepest_db": round(self.deepest_db, 2),
            "deepest_at_s": round(self.deepest_at_s, 2),
            "events": self.events,
            "reduction_db_10_per_s": self.curve_db,
        }


class Spot:
    """One place on a bus: level of what passes; its spectrum and true peak where a stage asks for them."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.level = LevelTally()
        self.bands: ThirdOctaves | None = None
        self.true_peak: TruePeak | None = None

    def keep(self, *, spectrum: bool, true_peak: bool) -> None:
        """Ask for more than the level, before anything is fed."""
        if spectrum and self.bands is None:
            self.bands = ThirdOctaves(self.rate_hz)
        if true_peak and self.true_peak is None:
            self.true_peak = TruePeak(self.rate_hz)

    def feed(self, bus: NDArray[np.float64]) -> None:
        """Take in one block of the bus `(frames, 2)`."""
        self.level.feed(bus)
        if self.bands:
            self.bands.feed(bus)
        if self.true_peak:
            self.true_peak.feed(bus)


class Totals:
    """All that one stage's run adds up: level before and after, spectra where it shapes them, decisions.

    Parameters
    ----------
    rate_hz, lag_frames, treatment
        Of the stage.
    true_peak, mono_loss
        Whether the true peak, and what folding to mono costs, is measured.
    entrance
        The spot that the stage before has left its sound at, and feeds; none where nobody does.
    """

    def __init__(
        self,
        rate_hz: int,
        lag_frames: int,
        treatment: Treatment,
        *,
        true_peak: bool = False,
        mono_loss: bool = False,
        entrance: Spot | None = None,
    ) -> None:
        self.rate_hz = rate_hz
        self._feeds_entrance = entrance is None
        self._entrance, self.exit = entrance or Spot(rate_hz), Spot(rate_hz)
        self._spectrum, self._true_peak = treatment.shapes_spectrum, true_peak
        for spot in (self._entrance, self.exit):
            spot.keep(spectrum=treatment.shapes_spectrum, true_peak=true_peak)
        self.exit.keep(spectrum=mono_loss, true_peak=False)
        many = treatment.decisions_per_frame
        self.gain = GainTally(rate_hz * many, lag_frames * many, treatment.resting_gain)
        self.band_gains = [GainTally(rate_hz, lag_frames, 1.0) for _ in range(treatment.band_gains)]
        self._counts_gain = treatment.is_gain

    def feed(
        self, before: NDArray[np.float64], decision: NDArray[np.float64], after: NDArray[np.float64]
    ) -> None:
        """Take in one block of the bus `(frames, 2)` as it came, what was decided, and what left."""
        if self._feeds_entrance:
            self._entrance.feed(before)
        self.exit.feed(after)
        if self._counts_gain:
            self.gain.feed(decision)
        for k, tally_of_band in enumerate(self.band_gains):
            gain = decision[:, k]
            tally_of_band.feed(np.minimum(gain, 1 / gain))

    def as_dict(self) -> dict[str, dict[str, Any]]:
        """Levels before and after for the log, with spectrum and true peak where the stage asks for them."""
        return {"before": self._side(self._entrance), "after": self._side(self.exit)}

    def _side(self, spot: Spot) -> dict[str, Any]:
        side: dict[str, Any] = dict(spot.level.as_dict())
        if self._true_peak and spot.true_peak:
            side["true_peak_dbtp"] = _rounded(spot.true_peak.dbtp, 2)
        if self._spectrum and spot.bands:
            side["third_octaves_db"] = {
                name: _rounded(level, 1)
                for name, level in zip(NOMINAL_HZ, spot.bands.levels_db(), strict=False)
            }
        return side

    @property
    def before(self) -> LevelTally:
        """Level as it came."""
        return self._entrance.level

    @property
    def after(self) -> LevelTally:
        """Level as it left."""
        return self.exit.level

    def band_changes_db(self) -> dict[str, float]:
        """Change of each third octave that sounded, by its nominal frequency in Hz."""
        if not (self._entrance.bands and self.exit.bands):
            return {}
        before, after = self._entrance.bands.levels_db(), self.exit.bands.levels_db()
        heard = max((level for level in before if level is not None), default=0.0) - HEARD_DB
        return {
            name: round(now - was, 2)
            for name, was, now in zip(NOMINAL_HZ, before, after, strict=False)
            if was is not None and now is not None and was > heard
        }

    def mono_loss_db(self) -> dict[str, float]:
        """Level of (L + R) / 2 less that of both sides, in each third octave that sounded, after the stage.

        0 dB where both sides are alike, -3.0 where they have nothing in common; at least -60.
        """
        if not self.exit.bands:
            return {}
        both, mono = self.exit.bands.levels_db(), self.exit.bands.mono_levels_db()
        heard = max((level for level in both if level is not None), default=0.0) - HEARD_DB
        return {
            name: round(max(-HEARD_DB, (-math.inf if folded is None else folded) - level), 2)
            for name, level, folded in zip(NOMINAL_HZ, both, mono, strict=False)
            if level is not None and level > heard
        }

    @property
    def level_change_db(self) -> float:
        """RMS level after less before; 0 for silence."""
        if self.before.rms_dbfs is None or self.after.rms_dbfs is None:
            return 0.0
        return self.after.rms_dbfs - self.before.rms_dbfs


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
