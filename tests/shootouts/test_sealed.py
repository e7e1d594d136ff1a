"""Numbered files for blind listening: the sounds, in an order only the key knows, the key committed to."""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pytest
import soundfile as sf

from busproc.errors import InputError, SettingsFileError
from busproc.files import open_writer
from busproc.shootouts.sealed import open_key, seal
from tests.songs import RATE_HZ, noise

IDS = ("dry", "slow", "fast", "again", "wide")
SALT = bytes(range(16))


def written(folder, name, seed, frames=480, rate_hz=RATE_HZ):
    file = folder / f"{name}.wav"
    with open_writer(file, "wav", 24, rate_hz, 2, frames) as writer:
        whole = np.round(noise(frames / RATE_HZ, seed) * 2**23).astype(np.int32)
        writer.write(np.ascontiguousarray(whole))
    return file


@pytest.fixture
def sounds(tmp_path):
    return [(name, written(tmp_path, name, seed)) for seed, name in enumerate(IDS)]


@pytest.fixture
def places(tmp_path):
    (tmp_path / "apart").mkdir()
    return tmp_path / "blind", tmp_path / "apart" / "key.json"


def test_every_sound_is_there_under_a_number_that_the_key_explains(sounds, places):
    sealed = seal(sounds, *places)
    names = [f"{n:02d}.wav" for n in range(1, 6)]
    assert sorted(file.name for file in places[0].iterdir()) == [*names, "key.sha256"]
    assert [file.name for file in sealed.files] == names
    key = open_key(places[1], places[0])
    assert sorted(each.id for each in key.sounds) == sorted(IDS)
    for each in key.sounds:
        assert (places[0] / each.file).read_bytes() == dict(sounds)[each.id].read_bytes()


def test_the_commitment_is_the_hash_of_the_key_as_written(sounds, places):
    sealed = seal(sounds, *places)
    digest = hashlib.sha256(sealed.key.read_bytes()).hexdigest()
    assert sealed.commitment.read_text() == f"{digest}  key.json\n"


def test_no_two_runs_share_their_secret_and_every_order_comes_up(sounds, tmp_path):
    orders, salts = set(), set()
    for n in range(40):
        sealed = seal(sounds[:2], tmp_path / f"blind_{n}", tmp_path / f"key_{n}.json")
        key = json.loads(sealed.key.read_text())
        salts.add(key["salt"])
        orders.add(tuple(each["id"] for each in key["sounds"]))
    assert len(salts) == 40
    assert len(orders) == 2  # but once in 2^39 runs of this test


def test_one_salt_gives_the_same_files(sounds, places, tmp_path):
    one = seal(sounds, *places, salt=SALT)
    other = seal(sounds, tmp_path / "other", tmp_path / "key.json", salt=SALT)
    assert one.key.read_bytes() == other.key.read_bytes()
    assert [file.read_bytes() for file in one.files] == [file.read_bytes() for file in other.files]
    third = seal(sounds, tmp_path / "third", tmp_path / "key_3.json", salt=SALT[::-1])
    assert one.commitment.read_text().split()[0] != third.commitment.read_text().split()[0]


def test_a_key_that_was_changed_is_not_believed(sounds, places):
    seal(sounds, *places)
    document = json.loads(places[1].read_text())
    one, other = document["sounds"][:2]
    one["id"], other["id"] = other["id"], one["id"]
    places[1].write_text(json.dumps(document))
    with pytest.raises(InputError, match=r"is not the key that .* was made for"):
        open_key(places[1], places[0])


def test_sounds_that_were_changed_are_named(sounds, places):
    seal(sounds, *places)
    (places[0] / "01.wav").write_bytes((places[0] / "02.wav").read_bytes())
    (places[0] / "03.wav").unlink()
    with pytest.raises(SettingsFileError) as raised:
        open_key(places[1], places[0])
    assert raised.value.faults == [
        "01.wav: is not the file that was listened to by this key",
        "03.wav: is missing",
    ]


def test_without_its_commitment_a_key_is_not_believed(sounds, places):
    seal(sounds, *places)
    (places[0] / "key.sha256").unlink()
    with pytest.raises(InputError, match="cannot be read"):
        open_key(places[1], places[0])


def titled(folder, title):
    """A file of another program, with a title in it or without one."""
    file = folder / f"title_{title}.wav"
    with sf.SoundFile(file, "w", RATE_HZ, 2, "PCM_24") as sound:
        if title:
            sound.title = title
        sound.write(noise(0.01, 9))
    return file


def tailed(folder, tail):
    file = written(folder, f"tail_{len(tail)}", 9)
    file.write_bytes(file.read_bytes() + tail)
    return file


@pytest.mark.parametrize(
    ("make", "plain", "telling"),
    [
        (titled, "", "slow"),
        (tailed, b"", b"LIST\x04\x00\x00\x00slow"),
        (lambda folder, frames: written(folder, f"long_{frames}", 9, frames=frames), 480, 481),
        (lambda folder, rate_hz: written(folder, f"rate_{rate_hz}", 9, rate_hz=rate_hz), 48000, 96000),
    ],
    ids=["title", "tail", "length", "rate"],
)
def test_files_that_give_themselves_away_are_refused(places, make, plain, telling):
    folder, key = places
    one, other = make(folder.parent, plain), make(folder.parent, telling)
    with pytest.raises(InputError, match="differ in length, format or in what stands beside"):
        seal([("one", one), ("other", other)], folder, key)
    assert not folder.exists()
    assert not key.exists()
    seal([("one", one), ("other", one)], folder, key)


def test_orders_that_cannot_be_kept_blind_are_refused(sounds, places, tmp_path):
    folder, key = places
    with pytest.raises(InputError, match="two sounds or more"):
        seal(sounds[:1], folder, key)
    with pytest.raises(InputError, match="an identity of its own"):
        seal([*sounds, sounds[0]], folder, key)
    with pytest.raises(InputError, match="keep the key elsewhere"):
        seal(sounds, folder, folder / "key.json")
    with pytest.raises(InputError, match="the salt has 3 bytes"):
        seal(sounds, folder, key, salt=b"abc")
    with pytest.raises(InputError, match="is not an empty folder"):
        seal(sounds, sounds[0][1], key)
    (tmp_path / "text.wav").write_text("no sound")
    with pytest.raises(InputError, match="is no WAV file"):
        seal([*sounds, ("text", tmp_path / "text.wav")], folder, key)
    with pytest.raises(InputError, match="cannot be read"):
        seal([*sounds, ("none", tmp_path / "none.wav")], folder, key)


def test_nothing_is_written_over(sounds, places):
    seal(sounds, *places)
    with pytest.raises(InputError, match="is not an empty folder"):
        seal(sounds, *places)
    with pytest.raises(InputError, match=r"key\.json exists"):
        seal(sounds, places[0].with_name("second"), places[1])
