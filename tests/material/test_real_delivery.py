"""A real song delivered: stems re-summed by soundfile and numpy alone, verified, made again."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

from busproc.delivery.printing import print_session
from busproc.delivery.recall import recall
from busproc.delivery.verify import verify
from tests.material.song_session import full_chains, full_session, write_song
from tests.material.test_real_song import sounds  # noqa: F401 - a fixture

pytestmark = pytest.mark.material

FLOAT_RESIDUE = 1e-7
"""-140 dBFS."""


@pytest.fixture(scope="module")
def printed(sounds, tmp_path_factory):  # noqa: F811
    """The delivery of the session with everything in it: three forms, stems in each, two versions."""
    session = full_session()
    forms = [dict(form) for form in session["deliver"]]
    session["versions"] = [
        {"name": "no voices", "without": ["voices"]},
        {"name": "voices", "only": ["voices"]},
    ]
    session["deliver"] += [{"what": "stems"} | form for form in forms]
    session["deliver"] += [{"what": "stems", "by": "group", "returns": "separate", "bits": 24}]
    session["deliver"] += [{"what": "versions", "bits": 24}]
    folder = tmp_path_factory.mktemp("delivered")
    return print_session(write_song(folder, sounds, full_chains(), session), folder / "out")


def read(printed, name):
    dtype = "float64" if sf.info(printed.folder / name).subtype == "FLOAT" else "int32"
    sound = sf.read(printed.folder / name, dtype=dtype, always_2d=True)[0]
    return sound if dtype == "float64" else sound.astype(np.int64)


def test_stems_add_up_to_the_mix_in_every_form(printed):
    assert len(printed.manifest["adds_up"]) == 4
    for each in printed.manifest["adds_up"]:
        mix, stems = read(printed, each["mix"]), [read(printed, name) for name in each["stems"]]
        assert len(stems) > 2
        assert np.abs(mix).max() > 0
        if each["exactly"]:
            np.testing.assert_array_equal(sum(stems), mix)
        else:
            assert np.abs(sum(stems) - mix).max() < FLOAT_RESIDUE


def test_it_is_verified_and_made_again_byte_for_byte(printed):
    assert verify(printed.folder).faults == ()
    assert recall(printed.folder, printed.folder.parent).is_same
