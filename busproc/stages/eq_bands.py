"""The bands of an EQ: what each is set to, and the sections it needs."""

from __future__ import annotations

from types import ModuleType
from typing import Annotated, Literal

from pydantic import Field

from busproc.settings import Settings
from busproc.stages import analog, filters
from busproc.stages.ballistics import Ballistics, keep_of
from busproc.stages.dynamic_bells import BandPass, Detector
from busproc.stages.filters import Section

On = Literal["left_right", "mid", "side"]
Design = Literal["analog", "bilinear"]
Freq = Annotated[float, Field(ge=10, le=40000, strict=True)]
Gain = Annotated[float, Field(ge=-24, le=24, strict=True)]
Q = Annotated[float, Field(ge=0.1, le=20, strict=True)]

DESIGNS: dict[Design, ModuleType] = {"analog": analog, "bilinear": filters}

BAND_PASS_DEPTH_DB = -12.0
"""Cut of the bell that a moving band is made from: amid what moves, where the error is least."""

RMS_WINDOW_MS = 10.0
"""Time constant of a dynamic bell's level, for frequencies from 100 Hz up; lower ones have one period."""


def _designed(design: Design, shape: str, *numbers: float) -> list[Section]:
    """What the design's function with the shape's name makes of the numbers."""
    made: Section | list[Section] = getattr(DESIGNS[design], shape)(*numbers)
    return made if isinstance(made, list) else [made]


class Shaped(Settings):
    """A band that raises or lowers a region."""

    shape: Literal["bell", "low_shelf", "high_shelf"]
    """Bell, or a shelf below or above the frequency."""
    freq_hz: Freq
    """Centre of a bell; where a shelf has half its gain."""
    gain_db: Gain
    """How much louder the region becomes."""
    q: Q = 0.7071
    """Narrowness; a shelf overshoots above 0.7071."""
    on: On = "left_right"
    """What is filtered."""

    @property
    def is_neutral(self) -> bool:
        """Whether it leaves the sound alone."""
        return not self.gain_db

    def sections(self, rate_hz: float, design: Design = "bilinear") -> list[Section]:
        """Second-order sections of this band; none where it does nothing."""
        if self.is_neutral:
            return []
        return _designed(design, self.shape, self.freq_hz, self.gain_db, self.q, rate_hz)

    def in_words(self) -> str:
        """Short name for the log."""
        return f"{self.gain_db:+g} dB {self.shape.replace('_', ' ')} at {self.freq_hz:g} Hz"


class Tilt(Settings):
    """A band that raises one half of the spectrum and lowers the other."""

    shape: Literal["tilt"]
    """A slope through the frequency."""
    freq_hz: Freq
    """Where the level stays."""
    gain_db: Gain
    """How much louder the far top becomes, and softer the far bottom; 6 dB/octave at most between."""
    on: On = "left_right"
    """What is filtered."""

    @property
    def is_neutral(self) -> bool:
        """Whether it leaves the sound alone."""
        return not self.gain_db

    def sections(self, rate_hz: float, design: Design = "bilinear") -> list[Section]:
        """Second-order sections of this band; none where it does nothing."""
        if self.is_neutral:
            return []
        return _designed(design, self.shape, self.freq_hz, self.gain_db, rate_hz)

    def in_words(self) -> str:
        """Short name for the log."""
        return f"{self.gain_db:+g} dB tilt at {self.freq_hz:g} Hz"


class Notch(Settings):
    """A band that takes one frequency out."""

    shape: Literal["notch"]
    """All passes but one frequency."""
    freq_hz: Freq
    """Where nothing passes."""
    q: Q
    """Narrowness: frequency over the distance of the points 3 dB down."""
    on: On = "left_right"
    """What is filtered."""

    @property
    def is_neutral(self) -> bool:
        """Whether it leaves the sound alone."""
        return False

    def sections(self, rate_hz: float, design: Design = "bilinear") -> list[Section]:
        """Second-order sections of this band."""
        return _designed(design, self.shape, self.freq_hz, self.q, rate_hz)

    def in_words(self) -> str:
        """Short name for the log."""
        return f"notch at {self.freq_hz:g} Hz, Q {self.q:g}"


class Pass(Settings):
    """A band that removes what lies below or above."""

    shape: Literal["high_pass", "low_pass"]
    """Which side passes."""
    freq_hz: Freq
    """Where it is 3 dB down."""
    slope_db_per_octave: Literal[6, 12, 18, 24, 30, 36, 42, 48, 54, 60, 66, 72, 78, 84, 90, 96] = 12
    """How steeply it falls (Butterworth)."""
    on: On = "left_right"
    """What is filtered."""

    @property
    def is_neutral(self) -> bool:
        """Whether it leaves the sound alone."""
        return False

    def sections(self, rate_hz: float, design: Design = "bilinear") -> list[Section]:
        """Second-order sections of this band."""
        return _designed(design, self.shape, self.freq_hz, self.slope_db_per_octave, rate_hz)

    def in_words(self) -> str:
        """Short name for the log."""
        return f"{self.shape.replace('_', '-')} at {self.freq_hz:g} Hz, {self.slope_db_per_octave} dB/octave"


class DynamicBell(Settings):
    """A bell that is turned down while its own region is loud."""

    shape: Literal["dynamic_bell"]
    """A bell with a compressor's gain."""
    freq_hz: Freq
    """Its centre."""
    gain_db: Gain = 0.0
    """How much louder the region is while nothing is turned down."""
    q: Q = 0.7071
    """Narrowness of the bell at rest."""
    threshold_dbfs: Annotated[float, Field(ge=-80, le=0, strict=True)]
    """Level of the region, before any band, where reduction starts (a sine reads its peak)."""
    ratio: Annotated[float, Field(ge=1, le=100, strict=True)] = 2.0
    """How many dB the region must rise for it to come out one dB louder."""
    attack_ms: Annotated[float, Field(ge=0, le=500, strict=True)] = 10.0
    """Time to 63.2 % of a rise in reduction."""
    release_ms: Annotated[float, Field(ge=1, le=5000, strict=True)] = 120.0
    """Time to 63.2 % of a fall in reduction."""
    on: On = "left_right"
    """What is heard and turned down; left and right by the louder of them."""

    @property
    def is_neutral(self) -> bool:
        """Whether it leaves the sound alone."""
        return not self.gain_db and self.ratio == 1

    def sections(self, rate_hz: float, design: Design = "bilinear") -> list[Section]:
        """Second-order sections of the bell at rest."""
        if not self.gain_db:
            return []
        return _designed(design, "bell", self.freq_hz, self.gain_db, self.q, rate_hz)

    def detector(self, rate_hz: float, design: Design) -> Detector:
        """What works out its gain."""
        return Detector(
            self._band_pass(rate_hz, design),
            threshold_dbfs=self.threshold_dbfs,
            slope=1 - 1 / self.ratio,
            rms_keep=keep_of(max(RMS_WINDOW_MS, 1000 / self.freq_hz), rate_hz),
            pace=Ballistics(
                attack_keep=keep_of(self.attack_ms, rate_hz),
                release_keep=keep_of(self.release_ms, rate_hz),
                hold_frames=0,
                decoupled=False,
                slow_keeps=None,
            ),
        )

    def _band_pass(self, rate_hz: float, design: Design) -> BandPass:
        """The region whose gain moves.

        Its poles are the zeros of the bell at rest, so that both together are a bell again whatever the
        gain: the poles of the one at rest stay.
        """
        depth = 10 ** (BAND_PASS_DEPTH_DB / 40)
        q = self.q / 10 ** (self.gain_db / 40) / depth
        bell = _designed(design, "bell", self.freq_hz, BAND_PASS_DEPTH_DB, q, rate_hz)
        return BandPass(filters.sections(bell), depth**2, self.on)

    def in_words(self) -> str:
        """Short name for the log."""
        rest = f"{self.gain_db:+g} dB at rest, " if self.gain_db else ""
        return (
            f"dynamic bell at {self.freq_hz:g} Hz, {rest}{self.ratio:g}:1 above {self.threshold_dbfs:g} dBFS"
        )


Band = Annotated[Shaped | Tilt | Notch | Pass | DynamicBell, Field(discriminator="shape")]
