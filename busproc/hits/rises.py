"""Where a sound rises: moments at which a hit may begin, to a few milliseconds.

The measure is spectral flux of compressed band powers, each against its recent maximum. Sources, both from
memory: J. P. Bello and others, "A tutorial on onset detection in music signals", IEEE Transactions on Speech
and Audio Processing 13 (2005), for the flux; S. Böck and G. Widmer, "Maximum filter vibrato suppression for
onset detection", DAFx 2013, for the maximum, which they take over frequency; here it is over time, so that
what beats or has a low pitch does not rise again and again.

It is taken of the sound and of what linear prediction does not foresee of it: a ring is foreseen, a stroke
under it is not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import maximum_filter1d, percentile_filter, uniform_filter1d

from busproc.hits.foreseen import HOP_MS, unforeseen

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

WINDOW_MS = 8.0
"""All numbers here are ours."""
LOWEST_EDGE_HZ, TOP_HZ = 150.0, 20000.0
FROM_HOPS, TO_HOPS = 24, 6
"""A sound rises against its highest power of 6 to 24 ms before."""
AROUND_HOPS = 1000
"""What is noise and what is loud is seen in a second to either side."""
SMOOTH_HOPS, NOISE_STEP, NOISE_PERCENT, NOISE_DB = 30, 10, 5, 3.0
FLOOR_DB, SILENT_DBFS = -50.0, -100.0
"""What lies this far under the loudest, or under full scale, does not rise."""
MOST_DB, LEAST_DB = 30.0, 1.0
APART_HOPS = 12


def rising_hops(sound: Audio, rate_hz: int) -> NDArray[np.int64]:
    """Milliseconds, `(rises,)`, at which `sound (frames, channels)` rises most, about 1 ms after an onset."""
    rises = np.maximum(
        _rise_db(_powers(sound, rate_hz)), _rise_db(_powers(unforeseen(sound, rate_hz), rate_hz))
    )
    highest = maximum_filter1d(rises, 2 * APART_HOPS + 1, mode="constant")
    found = np.flatnonzero((rises >= LEAST_DB) & (rises == highest))
    return found[np.diff(found, prepend=-APART_HOPS) >= APART_HOPS]


def _powers(sound: Audio, rate_hz: int) -> Audio:
    """Power at each hop in bands an octave wide, the lowest up to 150 Hz: `(hops, bands)`."""
    hop, size = round(HOP_MS * rate_hz / 1000), round(WINDOW_MS * rate_hz / 1000)
    window = np.hanning(size + 2)[1:-1]
    window /= np.sqrt(np.sum(window**2) * size)
    freq_hz = np.fft.rfftfreq(size, 1 / rate_hz)
    top = int(np.searchsorted(freq_hz, TOP_HZ))
    edges_hz = LOWEST_EDGE_HZ * 2.0 ** np.arange(8)
    firsts = np.unique(np.searchsorted(freq_hz[:top], [0.0, *edges_hz[edges_hz < freq_hz[top - 1]]]))
    hops = -(-len(sound) // hop)
    padded = np.pad(sound, ((size // 2, size), (0, 0)))
    total = np.zeros((hops, len(firsts)))
    for channel in padded.T:
        pieces = np.lib.stride_tricks.sliding_window_view(channel, size)[: hops * hop : hop]
        power = np.abs(np.fft.rfft(pieces * window, axis=1)[:, :top]) ** 2
        total += 2 * np.add.reduceat(power, firsts, axis=1)
    return np.asarray(total / sound.shape[1])


def _rise_db(powers: Audio) -> Audio:
    """How far each moment stands over those before it, mean of all bands: `(hops,)`."""
    smooth = uniform_filter1d(powers, SMOOTH_HOPS, axis=0, mode="nearest")
    size = (2 * AROUND_HOPS // NOISE_STEP + 1, 1)
    noise = percentile_filter(smooth[::NOISE_STEP], NOISE_PERCENT, size=size, mode="nearest")
    noise = np.repeat(noise, NOISE_STEP, axis=0)[: len(powers)]
    loud = maximum_filter1d(smooth, 2 * AROUND_HOPS + 1, axis=0, mode="nearest")
    floor = 10 ** (NOISE_DB / 10) * noise + 10 ** (FLOOR_DB / 10) * loud + 10 ** (SILENT_DBFS / 10)
    level = 10 * np.log10(powers + floor)
    span = FROM_HOPS - TO_HOPS + 1
    padded = np.pad(level, ((FROM_HOPS, 0), (0, 0)), mode="edge")
    before = maximum_filter1d(padded, span, axis=0, origin=-(span // 2))[: len(level)]
    return np.asarray(np.clip(level - before, 0.0, MOST_DB).mean(axis=1))
