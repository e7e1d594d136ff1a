"""What a check finds, and what it costs the mix."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from busproc.measure.decibels import rounded
from busproc.measure.masking import EXPONENT
from busproc.pages.markup import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from busproc.measure.passages import Passage

Kind = Literal[
    "phase",
    "masking",
    "silence",
    "dc",
    "clipping",
    "clicks",
    "hum",
    "cutoff",
    "one_sound",
    "inverted",
    "low_end",
    "late",
    "double",
]
Settings = dict[str, Any]


@dataclass(frozen=True)
class Trial:
    """A remedy that was rendered and measured.

    Attributes
    ----------
    what
        In words.
    measure, unit
        What was measured before and after it; the unit is empty for a share.
    before, after
        The measure; None where there is nothing left to measure.
    price
        What else it does, in words; empty for nothing.
    works
        Whether it does what is asked of it.
    suggestion
        What to change, as JSON: keys of a stem, or a stage for its chain.
    """

    what: str
    measure: str
    unit: str
    before: float | None
    after: float | None
    price: str
    works: bool
    suggestion: Settings

    def in_words(self) -> str:
        """The trial as a sentence without its full stop."""
        before, after = (self._shown(value) for value in (self.before, self.after))
        told = f"{self.what}: {self.measure} from {before} to {after}"
        return f"{told}; {self.price}" if self.price else told

    def _shown(self, value: float | None) -> str:
        return "nothing" if value is None else f"{shown(value, 2)} {self.unit}".rstrip()


@dataclass(frozen=True)
class Finding:
    """Something wrong.

    Attributes
    ----------
    kind
        Of what sort.
    stems
        Names of those concerned, the one to be changed first, but for masking: masked, then masker.
    cost
        Share of the mix's loudness that it spoils, 0 to 1. Ours: it puts findings in order, no more.
    confidence
        0 to 1, as the measure behind it gives it.
    words
        What is wrong, in sentences.
    where
        Passages of the song; empty for all of it.
    bands_hz
        Middles of the bands concerned; empty for no band, or all.
    figures
        What was measured.
    tried
        Remedies that were rendered and measured.
    suggestion
        Change to paste, of the trial that was best. None where the stem itself is to be mended, nothing
        helped, or nothing was tried.
    """

    kind: Kind
    stems: tuple[str, ...]
    cost: float
    confidence: float
    words: str
    where: tuple[Passage, ...] = ()
    bands_hz: tuple[float, ...] = ()
    figures: Mapping[str, Any] = field(default_factory=dict)
    tried: tuple[Trial, ...] = ()
    suggestion: Settings | None = None

    @property
    def needs_doing(self) -> bool:
        """Whether it costs the mix anything; what does not is told and may stay."""
        return round(self.cost, 4) > 0

    def as_dict(self) -> dict[str, Any]:
        """All of it for JSON, figures rounded."""
        return {
            "kind": self.kind,
            "stems": list(self.stems),
            "cost": round(self.cost, 4),
            "needs_doing": self.needs_doing,
            "confidence": round(self.confidence, 2),
            "words": self.words,
            "where_s": [[round(each.from_s, 2), round(each.to_s, 2)] for each in self.where],
            "bands_hz": [round(band, 1) for band in self.bands_hz],
            "figures": tidy(self.figures),
            "tried": [tidy(asdict(each)) | {"words": each.in_words()} for each in self.tried],
            "suggestion": self.suggestion,
        }


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Those that cost most first; of the same cost, the surest."""
    return sorted(findings, key=lambda each: (-round(each.cost, 4), -each.confidence, each.kind, each.stems))


def shares_of(powers: Mapping[str, float]) -> dict[str, float]:
    """Share of each stem in the loudness of the mix, from the powers that reach the mix bus.

    Loudness grows with power to the exponent that masking uses, and is added up: what masks what is left out.
    """
    loudness = {name: math.pow(power, EXPONENT) if power > 0 else 0.0 for name, power in powers.items()}
    whole = math.fsum(loudness.values())
    return {name: each / whole if whole else 0.0 for name, each in loudness.items()}


def tidy(value: Any) -> Any:
    """Numbers rounded to thousandths, for JSON."""
    if isinstance(value, float):
        return rounded(value, 3)
    if isinstance(value, dict):
        return {key: tidy(each) for key, each in value.items()}
    return [tidy(each) for each in value] if isinstance(value, list | tuple) else value
