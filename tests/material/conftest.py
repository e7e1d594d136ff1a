"""Recordings and a song in stems, fetched from the package registries and kept between runs.

They lie in `.material/` of the checkout, or in the folder that the environment variable BUSPROC_MATERIAL
names. Whatever is missing there is fetched; what cannot be fetched skips its tests, with the reason.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path

import mido
import pytest

PACKAGES = (
    "fretsonfire-songs-sectoid",
    "trackballs-data",
    "frozen-bubble-data",
    "xmoto-data",
    "sonic-pi-samples",
    "alsa-utils",
    "planetblupi-music-midi",
    "timgm6mb-soundfont",
)
"""Debian packages with free recordings, scores and instruments."""

TICKS_PER_S = 960
"""At mido's defaults: 120 beats a minute, 480 ticks a beat."""

SONG_S = 60.0
END_CHANNEL = 15


@pytest.fixture(scope="session")
def material():
    """Folder in which each package of `PACKAGES` lies unpacked under its own name."""
    folder = Path(os.environ.get("BUSPROC_MATERIAL") or Path(__file__).parents[2] / ".material")
    for package in PACKAGES:
        if not (folder / package).is_dir():
            _fetch(package, folder)
    return folder


@pytest.fixture(scope="session")
def real_song(material):
    """Folder with one WAV a stem (`stem00.wav` ..): 48 kHz, float, stereo, all of one length."""
    folder = material / "song_in_stems"
    if not folder.is_dir():
        if shutil.which("fluidsynth") is None:
            pytest.skip(
                "the song is played by fluidsynth: apt-get install --no-install-recommends fluidsynth"
            )
        with _appearing_whole(folder) as new:
            _play_stems(
                material / "planetblupi-music-midi/usr/share/planetblupi/music/music001.mid",
                material / "timgm6mb-soundfont/usr/share/sounds/sf2/TimGM6mb.sf2",
                new,
            )
    return folder


def _fetch(package, folder):
    missing = [tool for tool in ("apt-get", "dpkg-deb") if shutil.which(tool) is None]
    if missing:
        pytest.skip(
            f"{package} is not in {folder}, and {' and '.join(missing)} to fetch it are missing: unpack the "
            f"Debian package into {folder / package}, or name a folder that has it in BUSPROC_MATERIAL"
        )
    with _appearing_whole(folder / package) as new:
        got = subprocess.run(
            ["apt-get", "download", package], check=False, cwd=new, capture_output=True, text=True
        )
        if got.returncode:
            *_, why = got.stderr.strip().splitlines()
            pytest.skip(
                f"apt-get cannot download {package} (run apt-get update first, or name a folder that has it "
                f"in BUSPROC_MATERIAL): {why}"
            )
        (deb,) = new.glob("*.deb")
        subprocess.run(["dpkg-deb", "-x", deb, new], check=True)
        deb.unlink()


@contextmanager
def _appearing_whole(folder):
    """A folder to fill under another name, renamed to its own only when all of it is there."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{folder.name}-") as outer:
        new = Path(outer) / folder.name
        new.mkdir()
        yield new
        if not folder.is_dir():  # another run may have been quicker
            new.rename(folder)


def _play_stems(score, instruments, folder):
    """Play each channel of a score by itself, so that the stems are aligned to the sample.

    A note takes effect at the start of a block, hence blocks of 64 frames, shared by all stems; a
    synthesiser of its own for each stem, the same end marker in each, and no reverb or chorus.
    """
    events, now = [], 0.0
    for message in mido.MidiFile(score):
        now += message.time
        if now < SONG_S and not message.is_meta and hasattr(message, "channel"):
            events.append((now, message))
    for channel in sorted({message.channel for _, message in events if message.type == "note_on"}):
        silence = mido.Message("control_change", channel=channel, control=123, value=0)
        end = mido.Message("control_change", channel=END_CHANNEL, control=3, value=0)
        own = [(at, message) for at, message in events if message.channel == channel]
        track, tick = mido.MidiTrack(), 0
        for at, message in [*own, (SONG_S, silence), (SONG_S + 4, end)]:
            track.append(message.copy(time=round(at * TICKS_PER_S) - tick))
            tick = round(at * TICKS_PER_S)
        notes = folder / f"stem{channel:02}.mid"
        mido.MidiFile(type=0, ticks_per_beat=480, tracks=[track]).save(notes)
        command = (
            "fluidsynth -ni -q -R 0 -C 0 -g 0.3 -r 48000 -z 64 -o synth.polyphony=4096 -O float -T wav -F"
        )
        subprocess.run(
            [*command.split(), notes.with_suffix(".wav"), instruments, notes], check=True, capture_output=True
        )
