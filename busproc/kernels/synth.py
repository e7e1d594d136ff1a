"""Sound sources for the demo: struck modes, voiced harmonics, resonances, early reflections."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TINY = 1e-30
LN_1000 = math.log(1000.0)
HOP_FRAMES = 32
CACHED_FRAMES = 4096
TOP_OF_BAND = 0.46


@kernel
def add_modes(
    out: NDArray[np.float64],
    start: int,
    freq_hz: NDArray[np.float64],
    gain: NDArray[np.float64],
    decay_s: NDArray[np.float64],
    attack_s: float,
    bend: float,
    damp_s: float,
    rate_hz: int,
) -> None:
    """Add one stroke: sines that die away, `gain (modes, channels)`, to `out (frames, channels)`.

    `decay_s (modes,)` is the time to -60 dB; from `damp_s` on a damper shortens it to at most 0.3 s.
    The pitch starts a share `bend` too high and settles in 40 ms. Modes near Nyquist are left out.
    """
    channels = out.shape[1]
    attack = max(int(attack_s * rate_hz), 1)
    for m in range(freq_hz.shape[0]):
        if freq_hz[m] * (1.0 + bend) > TOP_OF_BAND * rate_hz:
            continue
        re, im = 1.0, 0.0
        n = start
        while n < out.shape[0] and re * re + im * im > 1e-11:
            seconds = (n - start) / rate_hz
            decay = decay_s[m] if seconds < damp_s else min(decay_s[m], 0.3)
            shrink = math.exp(-LN_1000 / (decay * rate_hz))
            turn = 2.0 * math.pi * freq_hz[m] * (1.0 + bend * math.exp(-seconds / 0.04)) / rate_hz
            a, b = shrink * math.cos(turn), shrink * math.sin(turn)
            for _ in range(min(HOP_FRAMES, out.shape[0] - n)):
                rise = min((n - start) / attack, 1.0)
                level = im * rise * rise * (3.0 - 2.0 * rise)
                for c in range(channels):
                    out[n, c] += gain[m, c] * level
                re, im = re * a - im * b, re * b + im * a
                n += 1


@kernel
def add_burst(
    out: NDArray[np.float64],
    start: int,
    noise: NDArray[np.float64],
    rise: int,
    decay_frames: float,
    gain: float,
) -> None:
    """Add a burst of noise to the first column of `out`.

    It swells for `rise` frames, then falls by 60 dB in each `decay_frames`.
    """
    shrink = math.exp(-LN_1000 / decay_frames)
    level = gain
    for n in range(min(rise + int(1.6 * decay_frames), out.shape[0] - start)):
        up = min(n / rise, 1.0)
        out[start + n, 0] += level * up * up * noise[(start + n) % noise.shape[0]]
        if n >= rise:
            level *= shrink


@kernel
def _power(base: complex, exponent: int) -> complex:
    """Whole power of a complex number by squaring: multiplications only."""
    result = complex(1.0, 0.0)
    while exponent > 0:
        if exponent % 2 == 1:
            result *= base
        base *= base
        exponent //= 2
    return result


@kernel
def add_voice(
    out: NDArray[np.float64],
    pan: NDArray[np.float64],
    freq_hz: NDArray[np.float64],
    level: NDArray[np.float64],
    edge_hz: NDArray[np.float64],
    noise: NDArray[np.float64],
    tick_frames: int,
    rate_hz: int,
) -> None:
    """Add one voice to `out (frames, channels)`: harmonics falling off as exp(-frequency / edge_hz).

    Curves `freq_hz`, `level`, `edge_hz` `(ticks,)` are joined by straight lines; level 1 has the power of a
    full sine, however bright; `noise` is breath that follows; `pan (channels,)` are gains. Harmonics below
    Nyquist are one finite geometric series, so nothing aliases (discrete summation; J. A. Moorer, JAES 24,
    1976, from memory).
    """
    frames = out.shape[0]
    to_turn = 2.0 * math.pi / rate_hz
    phase = 0.0
    for tick in range(level.shape[0] - 1):
        if level[tick] == 0.0 and level[tick + 1] == 0.0:
            continue
        partials = int(TOP_OF_BAND * rate_hz / freq_hz[tick])
        turn = to_turn * freq_hz[tick]
        more_turn = to_turn * (freq_hz[tick + 1] - freq_hz[tick]) / tick_frames
        z = complex(math.cos(phase), math.sin(phase))
        step = complex(math.cos(turn), math.sin(turn))
        more_step = complex(math.cos(more_turn), math.sin(more_turn))
        r, next_r = math.exp(-freq_hz[tick] / edge_hz[tick]), math.exp(-freq_hz[tick + 1] / edge_hz[tick + 1])
        loud, next_loud = (
            level[tick] * math.sqrt(1.0 - r * r),
            level[tick + 1] * math.sqrt(1.0 - next_r * next_r),
        )
        more_r, more_loud = (next_r - r) / tick_frames, (next_loud - loud) / tick_frames
        reaches_top = max(r, next_r) ** partials > 1e-7
        for i in range(min(tick_frames, frames - tick * tick_frames)):
            n = tick * tick_frames + i
            u = (r + i * more_r) * z
            top = z * (1.0 - _power(u, partials)) if reaches_top else z
            bottom = 1.0 - u
            size = bottom.real * bottom.real + bottom.imag * bottom.imag
            total = (top.imag * bottom.real - top.real * bottom.imag) / size
            value = (loud + i * more_loud) * (total + noise[n % noise.shape[0]])
            for c in range(out.shape[1]):
                out[n, c] += pan[c] * value
            z *= step
            step *= more_step
        phase += tick_frames * turn + 0.5 * tick_frames * (tick_frames - 1) * more_turn
        phase -= 2.0 * math.pi * math.floor(phase / (2.0 * math.pi))


@kernel
def add_resonances(
    out: NDArray[np.float64],
    x: NDArray[np.float64],
    freq_hz: NDArray[np.float64],
    q: NDArray[np.float64],
    gain: NDArray[np.float64],
    rate_hz: int,
) -> None:
    """Add to `out` what parallel band-passes make of `x`, both `(frames, channels)`; peak gains are `gain`.

    Source: R. Bristow-Johnson, audio EQ cookbook, BPF with constant 0 dB peak gain (from memory).
    """
    for k in range(freq_hz.shape[0]):
        turn = 2.0 * math.pi * freq_hz[k] / rate_hz
        alpha = math.sin(turn) / (2.0 * q[k])
        a1, a2 = -2.0 * math.cos(turn) / (1.0 + alpha), (1.0 - alpha) / (1.0 + alpha)
        b0 = gain[k] * alpha / (1.0 + alpha)
        for c in range(x.shape[1]):
            s1, s2 = 0.0, 0.0
            for n in range(x.shape[0]):
                value = b0 * x[n, c] + s1
                s1, s2 = s2 - a1 * value, -b0 * x[n, c] - a2 * value
                s1 = s1 if abs(s1) > TINY else 0.0
                s2 = s2 if abs(s2) > TINY else 0.0
                out[n, c] += value


@kernel
def soften(x: NDArray[np.float64], corner_hz: float, rate_hz: int) -> None:
    """Low-pass `x (frames, channels)` in place with one pole."""
    keep = math.exp(-2.0 * math.pi * corner_hz / rate_hz)
    for c in range(x.shape[1]):
        state = 0.0
        for n in range(x.shape[0]):
            state = x[n, c] + keep * (state - x[n, c])
            state = state if abs(state) > TINY else 0.0
            x[n, c] = state


@kernel
def add_reflections(
    out: NDArray[np.float64], x: NDArray[np.float64], delay: NDArray[np.int64], gain: NDArray[np.float64]
) -> None:
    """Add delayed copies of `x (frames, channels)` to `out`; `delay` (frames), `gain`: `(taps, channels)`."""
    for first in range(0, x.shape[0], CACHED_FRAMES):
        last = min(first + CACHED_FRAMES, x.shape[0])
        for k in range(delay.shape[0]):
            for c in range(x.shape[1]):
                late, share = delay[k, c], gain[k, c]
                for n in range(max(first, late), last):
                    out[n, c] += share * x[n - late, c]
