import hashlib

import pytest

from busproc.files import sha256_file

# FIPS 180-2 (1 August 2002), appendix B.1
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_the_published_example_is_met(tmp_path):
    (tmp_path / "abc").write_bytes(b"abc")
    assert sha256_file(tmp_path / "abc") == ABC


@pytest.mark.parametrize("size", [0, 1, 262_144, 1_000_001])
def test_any_length_gives_the_digest_of_its_bytes(tmp_path, size):
    content = bytes(range(256)) * (size // 256 + 1)
    (tmp_path / "data").write_bytes(content[:size])
    assert sha256_file(str(tmp_path / "data")) == hashlib.sha256(content[:size]).hexdigest()
