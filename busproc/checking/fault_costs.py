"""How much of a stem a fault spoils, 0 to 1: ours, to put faults in order."""

from __future__ import annotations

import functools
import math
from itertools import pairwise
from typing import TYPE_CHECKING

from busproc.measure.excitation import ERB_NUMBERS, erb_number
from busproc.measure.faults.channels import OneSound, Silence
from busproc.measure.faults.clicks import Clicks
from busproc.measure.faults.clipping import Clipping
from busproc.measure.faults.cutoff import Cutoff
from busproc.measure.faults.dc import Constant
from busproc.measure.faults.hum import Hum
from busproc.measure.faults.sides import Inverted, LowEnd
from busproc.measure.masking import EXPONENT

if TYPE_CHECKING:
    from busproc.measure.faults.finding import Finding

CLICK_S = 1.0
"""A click spoils so much around it."""
LATE_MS = 50.0
"""Late by so much a stem is spoiled altogether."""


@functools.singledispatch
def severity(found: Finding, length_s: float) -> float:  # noqa: ARG001
    """Share of a stem of this length that a fault spoils."""
    raise TypeError(type(found).__name__)


@severity.register
def _(found: Silence, length_s: float) -> float:  # noqa: ARG001
    return 1.0 if found.is_whole else len(found.channels) / len(found.peaks_dbfs)


@severity.register
def _(found: Constant, length_s: float) -> float:  # noqa: ARG001
    """The headroom that it takes."""
    return min(max(map(abs, found.offsets)), 1.0)


@severity.register
def _(found: Clipping, length_s: float) -> float:
    """The share of time."""
    return min(math.fsum(to_s - from_s for from_s, to_s in found.where) / length_s, 1.0)


@severity.register
def _(found: Clicks, length_s: float) -> float:
    apart = (min(later - sooner, CLICK_S) for sooner, later in pairwise((*found.times_s, math.inf)))
    return min(math.fsum(apart) / length_s, 1.0)


@severity.register
def _(found: Hum, length_s: float) -> float:  # noqa: ARG001
    """Its loudness against that of the stem."""
    return min(math.pow(10, -(found.under_loud_db or 0.0) / 10 * EXPONENT), 1.0)


@severity.register
def _(found: Cutoff, length_s: float) -> float:  # noqa: ARG001
    """The share of the ear's bands that are missing."""
    missing = ERB_NUMBERS[-1] - erb_number(found.freq_hz or 0.0)
    return min(max(missing / len(ERB_NUMBERS), 0.0), 1.0)


@severity.register
def _(found: OneSound, length_s: float) -> float:  # noqa: ARG001
    """Nothing of the sound; a file of one channel would do."""
    return 0.0


@severity.register
def _(found: Inverted, length_s: float) -> float:  # noqa: ARG001
    """What is lost in mono, of sides as much alike."""
    return min(max(-(found.correlation or 0.0), 0.0), 1.0)


@severity.register
def _(found: LowEnd, length_s: float) -> float:  # noqa: ARG001
    """What is lost in mono, in the bands of the ear that the low end takes up."""
    losses = [loss for loss in found.mono_loss_db if loss is not None]
    lost = math.fsum(1 - math.pow(10, -loss / 10) for loss in losses) / max(len(losses), 1)
    bands = sum(number <= erb_number(found.freqs_hz[-1]) for number in ERB_NUMBERS)
    return lost * bands / len(ERB_NUMBERS)


def lateness(late_ms: float) -> float:
    """Share of a stem that a late start spoils."""
    return min(late_ms / LATE_MS, 1.0)
