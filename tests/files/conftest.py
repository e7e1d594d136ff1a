"""Sounds and files that the tests of busproc.files share."""

import numpy as np
import pytest
import soundfile as sf

RATE_HZ = 48_000


@pytest.fixture
def noise():
    """Half a second of stereo noise on the 24-bit grid, read-only."""
    integers = np.random.default_rng(7).integers(-(2**22), 2**22, (24_000, 2))
    block = integers / 2**23
    block.flags.writeable = False
    return block


@pytest.fixture
def sound_file(tmp_path, noise):
    """Write the noise through soundfile, in pieces, and give the path."""

    def write(name, container, encoding, block=noise, rate_hz=RATE_HZ):
        path = tmp_path / name
        channels = block.shape[1]
        with sf.SoundFile(path, "w", rate_hz, channels, encoding, format=container) as file:
            for start in range(0, len(block), 4096):
                file.write(block[start : start + 4096])
        return path

    return write
