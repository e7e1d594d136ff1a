"""Second-order sections in series over columns side by side.

A section must wait for what its last sample left behind, so one alone leaves the processor idle most of
the time. Here six sections run on two columns at once, in three registers of four values: each works one
frame behind the section before it, so that none waits for another. Six then cost what one does.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel
from busproc.kernels.vector import (
    absolute,
    any_under,
    load,
    load_before,
    load_pairs,
    store_last,
    store_pairs,
    zero_under,
)

Audio = NDArray[np.float64]
T = TypeVar("T", float, Audio)

ABREAST = 6
"""Sections that run at once; fewer are made up with sections that change nothing."""
TINY = 1e-30


@kernel
def run_sections(coefficients: Audio, state: Audio, x: Audio) -> Audio:
    """Filter each column of `x (frames, columns)` by all sections, transposed direct form II.

    `coefficients (sections, 5)`: b0, b1, b2, a1, a2 with a0 = 1. `state (sections, 2, columns)` is
    carried and updated; where a section's memory and what comes to its six fall to 1e-30 together, the
    memory becomes zero, so that a tail ends in silence and no denormal slows it down. Without sections
    x itself comes back.
    """
    columns = x.shape[1]
    sections, paired = whole(coefficients.shape[0], ABREAST), whole(columns, 2)
    rows, memory = np.zeros(sections * 5), np.zeros(sections * 2 * paired)
    rows[::5] = 1.0
    for i in range(coefficients.size):
        rows[i] = coefficients.flat[i]
    for i in range(state.size):
        memory[i // columns * paired + i % columns] = state.flat[i]
    wave = np.ascontiguousarray(x).reshape(-1)
    if paired > columns:  # by sound, not by silence, which would be slower
        wave = with_columns(wave, columns, paired)
    for k in range(0, sections, ABREAST):
        made = np.empty_like(wave)
        run_six(rows, memory, wave, made, k, paired)
        wave = made
    if paired > columns:
        wave = with_columns(wave, paired, columns)
    for i in range(state.size):
        state.flat[i] = memory[i // columns * paired + i % columns]
    return wave.reshape(x.shape)


@kernel
def whole(count: int, of: int) -> int:
    """The next multiple."""
    return (count + of - 1) // of * of


@kernel
def with_columns(wave: Audio, columns: int, wanted: int) -> Audio:
    """The same frames with so many columns: the last left out, or the first again."""
    made = np.empty(wave.shape[0] // columns * wanted)
    for c in range(wanted):
        into = made[c::wanted]
        for n, value in enumerate(wave[c % columns :: columns]):
            into[n] = value
    return made


@kernel
def step(x: T, s1: T, s2: T, b0: T, b1: T, b2: T, a1: T, a2: T) -> tuple[T, T, T]:
    """Take one sample through a section: its output and what it remembers."""
    y = b0 * x + s1
    return y, (b1 * x + s2) - a1 * y, b2 * x - a2 * y


@kernel
def run_one(
    rows: Audio,
    memory: Audio,
    wave: Audio,
    made: Audio,
    first: int,
    k: int,
    start: int,
    columns: int,
    count: int,
) -> None:
    """Take so many frames of one column, from the value `start` on, through section k.

    It is of the six from `first` on, which itself reads `wave`; the others read what the one before has
    left in `made`.
    """
    b0, b1, b2, a1, a2 = rows[5 * k], rows[5 * k + 1], rows[5 * k + 2], rows[5 * k + 3], rows[5 * k + 4]
    at = 2 * k * columns + start % columns
    s1, s2 = memory[at], memory[at + columns]
    source = wave if k == first else made
    for n in range(start, start + count * columns, columns):
        made[n], s1, s2 = step(source[n], s1, s2, b0, b1, b2, a1, a2)
        if abs(wave[n]) + (abs(s1) + abs(s2)) <= TINY:
            s1, s2 = 0.0, 0.0
    memory[at], memory[at + columns] = s1, s2


@kernel
def run_six(rows: Audio, memory: Audio, wave: Audio, made: Audio, k: int, columns: int) -> None:
    """Take all columns of `wave`, an even number, through sections k to k + 5 to `made`.

    The first five frames enter one section after the other until all have work, and the last five leave
    likewise.
    """
    frames = wave.shape[0] // columns
    lead = min(ABREAST - 1, frames)
    for late in range(lead):
        for c in range(columns):
            run_one(rows, memory, wave, made, k, k + late, c, columns, lead - late)
    if frames > lead:
        w = spread(rows, k)
        for c in range(0, columns, 2):
            run_steadily(w, memory, wave, made, k, c, columns)
    for late in range(1, ABREAST):
        left = min(late, frames)
        for c in range(columns):
            run_one(rows, memory, wave, made, k, k + late, (frames - left) * columns + c, columns, left)


@kernel
def spread(rows: Audio, k: int) -> Audio:
    """Coefficients of sections k to k + 5 as the registers take them, each for two columns."""
    wide = np.empty(3 * 5 * 4)
    for section in range(ABREAST):
        for i in range(5):
            at = (section % 3 * 5 + i) * 4 + section // 3 * 2
            wide[at] = wide[at + 1] = rows[5 * (k + section) + i]
    return wide


@kernel
def run_steadily(w: Audio, memory: Audio, wave: Audio, made: Audio, k: int, c: int, columns: int) -> None:
    """Take columns c and c + 1 through sections k to k + 5 from frame 5 on, where all have work.

    Register a holds sections k and k + 3, b k + 1 and k + 4, d k + 2 and k + 5, so that what one gives the
    next takes as it is; only d's first half goes to a's second, and new sound to its first. On frame n
    section k is at n, k + 1 at n - 1, and so on. The coefficients are loaded anew each time: kept in
    registers, they would push the sound out.
    """
    f, at = columns, 2 * k * columns + c
    a1, a2 = load_pairs(memory, at, at + 6 * f), load_pairs(memory, at + f, at + 7 * f)
    b1, b2 = load_pairs(memory, at + 2 * f, at + 8 * f), load_pairs(memory, at + 3 * f, at + 9 * f)
    d1, d2 = load_pairs(memory, at + 4 * f, at + 10 * f), load_pairs(memory, at + 5 * f, at + 11 * f)
    n = 5 * f + c
    a, b = load_pairs(made, n - f, n - 4 * f), load_pairs(made, n - 2 * f, n - 5 * f)
    d = load_pairs(made, n - 3 * f, n - 3 * f)
    loud = 0
    while n < wave.shape[0]:
        x = load_before(wave, n, d)
        d, d1, d2 = step(b, d1, d2, load(w, 40), load(w, 44), load(w, 48), load(w, 52), load(w, 56))
        b, b1, b2 = step(a, b1, b2, load(w, 20), load(w, 24), load(w, 28), load(w, 32), load(w, 36))
        a, a1, a2 = step(x, a1, a2, load(w, 0), load(w, 4), load(w, 8), load(w, 12), load(w, 16))
        loud = 0 if any_under(absolute(x), TINY) else loud + 1
        if loud < ABREAST:
            size = absolute(load_pairs(wave, n, n - 3 * f)) + (absolute(a1) + absolute(a2))
            a1, a2 = zero_under(size, TINY, a1), zero_under(size, TINY, a2)
            size = absolute(load_pairs(wave, n - f, n - 4 * f)) + (absolute(b1) + absolute(b2))
            b1, b2 = zero_under(size, TINY, b1), zero_under(size, TINY, b2)
            size = absolute(load_pairs(wave, n - 2 * f, n - 5 * f)) + (absolute(d1) + absolute(d2))
            d1, d2 = zero_under(size, TINY, d1), zero_under(size, TINY, d2)
        store_last(made, n - 5 * f, d)
        n += f
    store_pairs(made, n - f, n - 4 * f, a)
    store_pairs(made, n - 2 * f, n - 5 * f, b)
    store_pairs(made, n - 3 * f, n - 6 * f, d)
    store_pairs(memory, at, at + 6 * f, a1)
    store_pairs(memory, at + f, at + 7 * f, a2)
    store_pairs(memory, at + 2 * f, at + 8 * f, b1)
    store_pairs(memory, at + 3 * f, at + 9 * f, b2)
    store_pairs(memory, at + 4 * f, at + 10 * f, d1)
    store_pairs(memory, at + 5 * f, at + 11 * f, d2)
