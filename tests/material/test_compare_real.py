"""Real songs beside a treated copy and beside each other."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

from busproc.comparing.compare import compare
from busproc.comparing.curves import curve_db
from busproc.comparing.words import ARRANGEMENT
from tests.comparing.sounds import EQ, bands_of, equalised

pytestmark = pytest.mark.material

MUSIC = "xmoto-data/usr/share/games/xmoto/Textures/Musics"
SECTOID = "fretsonfire-songs-sectoid/usr/share/games/fretsonfire/data/songs/sectoid"
SONGS = (f"{MUSIC}/foxrun.ogg", f"{MUSIC}/legolodio.ogg", f"{SECTOID}/Feelings/song.ogg")
HZ = np.geomspace(25, 16000, 400)


@pytest.mark.parametrize("song", SONGS)
def test_the_eq_of_a_treated_song_is_found(material, tmp_path, song):
    rate_hz = sf.info(material / song).samplerate
    audio, _ = sf.read(material / song, frames=60 * rate_hz, always_2d=True)
    treated = 0.4 * equalised(audio * np.ones(2), rate_hz=rate_hz)
    sf.write(tmp_path / "mix.wav", audio, rate_hz, "PCM_24")
    sf.write(tmp_path / "treated.wav", treated, rate_hz, "PCM_24")
    compared = compare(tmp_path / "mix.wav", [tmp_path / "treated.wav"])
    apart = curve_db(bands_of(compared.chain), HZ) - curve_db(EQ, HZ)
    assert compared.document["references"][0]["same_programme"]
    assert np.abs(apart - apart.mean()).max() < 0.1


def test_other_songs_are_a_suggestion(material):
    mix, *references = (material / song for song in reversed(SONGS))
    compared = compare(mix, references, heard="loudest")
    moves = compared.document["moves"]
    assert moves["capped"]
    assert ARRANGEMENT in compared.in_words()
    assert all(each["same_programme"] is None for each in compared.document["references"])
    if bands := bands_of(compared.chain) if compared.chain else []:
        assert np.abs(curve_db(bands, HZ)).max() <= 6 + 1e-9
        assert moves["tried"][-1]["away"]["balance_db"] < moves["before"]["balance_db"]
