"""Typed, immutable settings: the base of every object that is read from JSON, and what its names promise."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict
from pydantic.json_schema import GenerateJsonSchema

UNITS = {
    "_db_per_octave": "dB/octave",
    "_dbfs": "dBFS",
    "_dbtp": "dBTP",
    "_lufs": "LUFS",
    "_db": "dB",
    "_lu": "LU",
    "_hz": "Hz",
    "_ms": "ms",
    "_s": "s",
}
"""Ending of a key name: the unit its number is in."""

DIMENSIONLESS = frozenset(
    {
        "ratio",
        "q",
        "mix",
        "width",
        "pan",
        "factor",
        "above",
        "below",
        "seed",
        "bits",
        "stereo_link",
        "bias",
        "correlation_floor",
    }
)
"""Key names whose numbers need no unit, or (above, below) take that of the measure beside them."""


class Settings(BaseModel):
    """Frozen settings that refuse unknown keys and numbers that are not finite."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        use_attribute_docstrings=True,
        validate_default=True,
    )


def unit_of(key: str) -> str:
    """Tell the unit that a key's name carries, or '' where it needs none.

    >>> unit_of("slope_db_per_octave"), unit_of("attack_ms"), unit_of("ratio")
    ('dB/octave', 'ms', '')
    """
    return next((unit for ending, unit in UNITS.items() if key.endswith(ending)), "")


class PublishedSchema(GenerateJsonSchema):
    """JSON Schema in which the keys that say what an object is (`format`, `stage`) are required."""

    def model_schema(self, schema: Any) -> dict[str, Any]:
        """Add the telling key to what is required."""
        made = super().model_schema(schema)
        telling = [key for key in ("format", "stage") if key in made.get("properties", {})]
        if telling:
            made["required"] = telling + [k for k in made.get("required", []) if k not in telling]
        return made
