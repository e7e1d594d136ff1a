"""Small sessions for tests: stems by seed, files written where the test wants them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from busproc.files import open_writer

RATE_HZ = 48000


def noise(
    seconds: float, seed: int, channels: int = 2, rate_hz: int = RATE_HZ, peak: float = 0.2
) -> np.ndarray:
    """Seeded noise in swells, `(frames, channels)`."""
    frames = round(seconds * rate_hz)
    rng = np.random.default_rng(seed)
    swell = 0.6 + 0.4 * np.sin(np.arange(frames) / rate_hz * 2 * np.pi * (1 + seed % 3))
    return peak * swell[:, None] * rng.uniform(-1, 1, (frames, channels))


def write_session(
    folder: Path, stems: dict[str, np.ndarray], chains: dict[str, list] | None = None, **rest
) -> Path:
    """Write stems as 32-bit float files, chain files and a session; returns the session file.

    `rest` are keys of the session; `stem_keys` maps a stem's name to further keys of it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stem_keys = rest.pop("stem_keys", {})
    rates = rest.pop("rates", {})
    for name, sound in stems.items():
        rate_hz = rates.get(name, RATE_HZ)
        with open_writer(
            folder / f"{name}.wav", "wav", "32_float", rate_hz, sound.shape[1], len(sound)
        ) as writer:
            writer.write(np.ascontiguousarray(sound))
    for name, stages in (chains or {}).items():
        chain = {"format": "busproc-chain/1", "stages": stages}
        (folder / f"{name}.json").write_text(json.dumps(chain))
    session = {
        "format": "busproc-session/1",
        "song": "Test Song",
        "stems": [{"name": name, "file": f"{name}.wav"} | stem_keys.get(name, {}) for name in stems],
        "deliver": [{"bits": "32_float"}],
    } | rest
    file = folder / "session.json"
    file.write_text(json.dumps(session))
    return file
