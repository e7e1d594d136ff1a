"""Second-order sections in series over columns side by side.

A section must wait for what its last sample left behind, so one alone leaves the processor idle most of
the time. Here six sections run on two columns at once, in three registers of four values: each works one
frame behind the section before it, so that none waits for another. Six then cost what one does. Eight
columns fill registers of eight values, one for each section.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numba.extending import register_jitable
from numpy.typing import NDArray

from busproc.kernels.jit import kernel
from busproc.kernels.vector import (
    EIGHTS_FIT,
    absolute,
    any_under,
    load,
    load_before,
    load_eight,
    load_pairs,
    splat_eight,
    store,
    store_last,
    store_pairs,
    zero_under,
)

Audio = NDArray[np.float64]
T = TypeVar("T", float, Audio)

ABREAST = 6
"""Sections that run at once; fewer are made up with sections that change nothing."""
EIGHT = 8
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
    beside = paired // EIGHT * EIGHT if EIGHTS_FIT else 0
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
        run_six(rows, memory, wave, made, k, paired, beside)
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
def run_six(rows: Audio, memory: Audio, wave: Audio, made: Audio, k: int, columns: int, beside: int) -> None:
    """Take all columns of `wave`, an even number, through sections k to k + 5 to `made`.

    The first five frames enter one section after the other until all have work, and the last five leave
    likewise. So many columns as `beside` says go in eights, the others in pairs.
    """
    frames = wave.shape[0] // columns
    lead = min(ABREAST - 1, frames)
    for late in range(lead):
        for c in range(columns):
            run_one(rows, memory, wave, made, k, k + late, c, columns, lead - late)
    if frames > lead:
        w = spread(rows, k)
        for c in range(0, beside, EIGHT):
            run_eight_steadily(rows, memory, wave, made, k, c, columns)
        for c in range(beside, columns, 2):
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


@register_jitable  # no kernel, because registers cannot be handed to one from Python
def rested(x: Audio, s1: Audio, s2: Audio) -> tuple[Audio, Audio]:
    """Memory of a section, zero where it and what comes are tiny."""
    size = absolute(x) + (absolute(s1) + absolute(s2))
    return zero_under(size, TINY, s1), zero_under(size, TINY, s2)


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
            a1, a2 = rested(load_pairs(wave, n, n - 3 * f), a1, a2)
            b1, b2 = rested(load_pairs(wave, n - f, n - 4 * f), b1, b2)
            d1, d2 = rested(load_pairs(wave, n - 2 * f, n - 5 * f), d1, d2)
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


@register_jitable  # no kernel, because registers cannot be handed to one from Python
def step_eight(x: Audio, s1: Audio, s2: Audio, rows: Audio, k: int) -> tuple[Audio, Audio, Audio]:
    """Take a sample of eight columns through section k."""
    b0, b1, b2 = splat_eight(rows[5 * k]), splat_eight(rows[5 * k + 1]), splat_eight(rows[5 * k + 2])
    return step(x, s1, s2, b0, b1, b2, splat_eight(rows[5 * k + 3]), splat_eight(rows[5 * k + 4]))


@kernel
def run_eight_steadily(
    rows: Audio, memory: Audio, wave: Audio, made: Audio, k: int, c: int, columns: int
) -> None:
    """The same with columns c to c + 7, where registers a, b, d, e, g and h hold a section each."""
    f, at = columns, 2 * k * columns + c
    a1, a2 = load_eight(memory, at), load_eight(memory, at + f)
    b1, b2 = load_eight(memory, at + 2 * f), load_eight(memory, at + 3 * f)
    d1, d2 = load_eight(memory, at + 4 * f), load_eight(memory, at + 5 * f)
    e1, e2 = load_eight(memory, at + 6 * f), load_eight(memory, at + 7 * f)
    g1, g2 = load_eight(memory, at + 8 * f), load_eight(memory, at + 9 * f)
    h1, h2 = load_eight(memory, at + 10 * f), load_eight(memory, at + 11 * f)
    n = 5 * f + c
    a, b, d = load_eight(made, n - f), load_eight(made, n - 2 * f), load_eight(made, n - 3 * f)
    e, g = load_eight(made, n - 4 * f), load_eight(made, n - 5 * f)
    loud = 0
    while n < wave.shape[0]:
        x = load_eight(wave, n)
        h, h1, h2 = step_eight(g, h1, h2, rows, k + 5)
        g, g1, g2 = step_eight(e, g1, g2, rows, k + 4)
        e, e1, e2 = step_eight(d, e1, e2, rows, k + 3)
        d, d1, d2 = step_eight(b, d1, d2, rows, k + 2)
        b, b1, b2 = step_eight(a, b1, b2, rows, k + 1)
        a, a1, a2 = step_eight(x, a1, a2, rows, k)
        loud = 0 if any_under(absolute(x), TINY) else loud + 1
        if loud < ABREAST:
            a1, a2 = rested(x, a1, a2)
            b1, b2 = rested(load_eight(wave, n - f), b1, b2)
            d1, d2 = rested(load_eight(wave, n - 2 * f), d1, d2)
            e1, e2 = rested(load_eight(wave, n - 3 * f), e1, e2)
            g1, g2 = rested(load_eight(wave, n - 4 * f), g1, g2)
            h1, h2 = rested(load_eight(wave, n - 5 * f), h1, h2)
        store(made, n - 5 * f, h)
        n += f
    store(made, n - f, a)
    store(made, n - 2 * f, b)
    store(made, n - 3 * f, d)
    store(made, n - 4 * f, e)
    store(made, n - 5 * f, g)
    store(memory, at, a1)
    store(memory, at + f, a2)
    store(memory, at + 2 * f, b1)
    store(memory, at + 3 * f, b2)
    store(memory, at + 4 * f, d1)
    store(memory, at + 5 * f, d2)
    store(memory, at + 6 * f, e1)
    store(memory, at + 7 * f, e2)
    store(memory, at + 8 * f, g1)
    store(memory, at + 9 * f, g2)
    store(memory, at + 10 * f, h1)
    store(memory, at + 11 * f, h2)
