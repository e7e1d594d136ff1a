"""Meters by others, to hold ours against: libebur128 through ctypes, and peaks by Fourier interpolation."""

from __future__ import annotations

import ctypes
import ctypes.util
from contextlib import contextmanager, suppress
from dataclasses import dataclass

import numpy as np
import pytest

_DOUBLE = ctypes.POINTER(ctypes.c_double)
_HANDLE = ctypes.c_void_p
_SIGNATURES = {
    "init": (_HANDLE, [ctypes.c_uint, ctypes.c_ulong, ctypes.c_int]),
    "destroy": (None, [ctypes.POINTER(_HANDLE)]),
    "add_frames_double": (ctypes.c_int, [_HANDLE, ctypes.c_void_p, ctypes.c_size_t]),
    "loudness_global": (ctypes.c_int, [_HANDLE, _DOUBLE]),
    "loudness_momentary": (ctypes.c_int, [_HANDLE, _DOUBLE]),
    "loudness_shortterm": (ctypes.c_int, [_HANDLE, _DOUBLE]),
    "loudness_range_multiple": (ctypes.c_int, [ctypes.POINTER(_HANDLE), ctypes.c_size_t, _DOUBLE]),
    "true_peak": (ctypes.c_int, [_HANDLE, ctypes.c_uint, _DOUBLE]),
}
INTEGRATED = 0b000101
LOUDNESS_RANGE = 0b001011
TRUE_PEAK = 0b110001
EVERYTHING = INTEGRATED | LOUDNESS_RANGE | TRUE_PEAK


def _load():
    library = None
    with suppress(OSError):
        library = ctypes.CDLL(ctypes.util.find_library("ebur128") or "libebur128.so.1")
    if library is not None:
        for name, (result, arguments) in _SIGNATURES.items():
            function = getattr(library, f"ebur128_{name}")
            function.restype, function.argtypes = result, arguments
    return library


_LIBRARY = _load()
needs_libebur128 = pytest.mark.skipif(
    _LIBRARY is None, reason="the shared library libebur128 is not installed (Debian: libebur128-1)"
)


class Ebur128:
    """One libebur128 meter; `open_ebur128` closes it."""

    def __init__(self, rate_hz, channels, mode):
        self.channels = channels
        self.handle = _HANDLE(_LIBRARY.ebur128_init(channels, rate_hz, mode))

    def feed(self, block):
        block = np.ascontiguousarray(block, dtype=np.float64)
        assert _LIBRARY.ebur128_add_frames_double(self.handle, block.ctypes.data, len(block)) == 0

    def ask(self, what, *arguments):
        value = ctypes.c_double()
        assert getattr(_LIBRARY, f"ebur128_{what}")(self.handle, *arguments, ctypes.byref(value)) == 0
        return value.value

    def true_peak_dbtp(self):
        return 20 * np.log10(max(self.ask("true_peak", channel) for channel in range(self.channels)))


@contextmanager
def open_ebur128(rate_hz, channels=2, mode=EVERYTHING):
    meter = Ebur128(rate_hz, channels, mode)
    try:
        yield meter
    finally:
        _LIBRARY.ebur128_destroy(ctypes.byref(meter.handle))


@dataclass
class EburReading:
    integrated_lufs: float
    momentary_max_lufs: float
    short_term_max_lufs: float
    loudness_range_lu: float
    true_peak_dbtp: float


def read_ebur128(audio, rate_hz, hop_ms=10):
    """Read all there is, momentary and short-term every `hop_ms`, the range from short-term each 100 ms."""
    hop = rate_hz * hop_ms // 1000
    momentary, short_term = [], []
    with open_ebur128(rate_hz, audio.shape[1]) as meter:
        for start in range(0, len(audio) - hop + 1, hop):
            meter.feed(audio[start : start + hop])
            momentary.append(meter.ask("loudness_momentary"))
            short_term.append(meter.ask("loudness_shortterm"))
        meter.feed(audio[len(audio) - len(audio) % hop :])
        integrated = meter.ask("loudness_global")
        meter.feed(np.zeros((rate_hz // 100, audio.shape[1])))
        true_peak = meter.true_peak_dbtp()
    return EburReading(integrated, max(momentary), max(short_term), range_ebur128(audio, rate_hz), true_peak)


def range_ebur128(audio, rate_hz):
    """Loudness range from short-term values each 100 ms.

    By itself libebur128 takes one each second. Ten meters begun 100 ms apart and read together have them all.
    """
    handles = (_HANDLE * 10)()
    for i in range(10):
        meter = Ebur128(rate_hz, audio.shape[1], LOUDNESS_RANGE)
        meter.feed(audio[i * rate_hz // 10 :])
        handles[i] = meter.handle
    value = ctypes.c_double()
    assert _LIBRARY.ebur128_loudness_range_multiple(handles, 10, ctypes.byref(value)) == 0
    for handle in handles:
        _LIBRARY.ebur128_destroy(ctypes.byref(_HANDLE(handle)))
    return value.value


def fourier_peak_dbtp(audio, factor=32):
    """Peak of the wave through the samples, by Fourier interpolation; the ends should be silent."""
    size = len(audio)
    fine = np.fft.irfft(np.fft.rfft(audio, axis=0), n=factor * size, axis=0) * factor
    return 20 * np.log10(np.abs(fine).max())
