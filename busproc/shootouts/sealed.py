"""Numbered files for blind listening elsewhere, and the key to them, committed to before anyone listens."""

from __future__ import annotations

import hashlib
import json
import secrets
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from busproc.errors import InputError, RenderError, SettingsFileError
from busproc.files import atomic_files, sha256_file
from busproc.files.wave import map_chunks
from busproc.jsonfile import faults_of, load_settings
from busproc.settings import Settings

COMMITMENT = "key.sha256"
SALT_BYTES = 16


class SealedSound(Settings):
    """A numbered file and what it is."""

    file: Annotated[str, Field(min_length=5, max_length=20)]
    """Name of the numbered file."""
    id: Annotated[str, Field(min_length=1, max_length=64)]
    """The variation's identity."""
    sha256: Annotated[str, Field(min_length=64, max_length=64)]
    """Of the file's bytes."""


class Key(Settings):
    """What the numbers mean."""

    format: Literal["busproc-key/1"] = "busproc-key/1"
    """Kind and version of the file."""
    salt: Annotated[str, Field(min_length=2 * SALT_BYTES, max_length=2 * SALT_BYTES)]
    """128 random bits in hexadecimal digits, from which the order was drawn."""
    sounds: Annotated[tuple[SealedSound, ...], Field(min_length=2, max_length=10_000)]
    """In the order of the numbers."""


@dataclass(frozen=True)
class Sealed:
    """What was written: the numbered files in their order, the hash of the key, and the key."""

    files: tuple[Path, ...]
    commitment: Path
    key: Path


def seal(
    sounds: Sequence[tuple[str, Path]], folder: Path, key_file: Path, *, salt: bytes | None = None
) -> Sealed:
    """Copy sounds to `01.wav`, `02.wav` and so on in an order that nobody can know without the key.

    The hash of the key lies beside them, in the form that `sha256sum --check` reads, so that the key cannot
    be changed once someone has listened. Everything else that busproc writes can be made again from its
    inputs; this cannot, on purpose: whoever could draw the order anew from a seed in the shootout file, or
    try all orders until the hash fits, would not listen blind. So order and hash hang on 128 bits from the
    system's source of secrets. The key keeps them, and with the same `salt` the same files come out again.

    It is ears that are kept blind: a program that compares bytes finds a hidden repeat.

    Parameters
    ----------
    sounds
        Identity and WAV file of each, two or more. The files differ in their samples alone: one format, one
        length, nothing else in them that tells one from another.
    folder
        For the numbered files and the hash; new or empty.
    key_file
        For the key: in another folder, which exists.
    salt
        16 bytes in place of secret ones, for making the same files again.

    Raises
    ------
    InputError
        Fewer than two sounds, an identity twice, a folder that is not empty, a key that would lie beside the
        sounds, a salt of another length, or files that differ outside their samples.
    RenderError
        The disk refused.
    """
    salt = secrets.token_bytes(SALT_BYTES) if salt is None else salt
    _refuse(sounds, folder, key_file, salt)
    key = _key(_shuffled(sounds, salt), salt)
    text = json.dumps(key.model_dump(mode="json"), indent=1, ensure_ascii=False) + "\n"
    sealed = Sealed(tuple(folder / each.file for each in key.sounds), folder / COMMITMENT, key_file)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write(sealed, [dict(sounds)[each.id] for each in key.sounds], text)
    except OSError as error:
        raise RenderError(f"could not write the numbered files in {folder}: {error}") from error
    return sealed


def _write(sealed: Sealed, sources: list[Path], text: str) -> None:
    with atomic_files([*sealed.files, sealed.commitment, sealed.key]) as (*parts, commitment, key):
        for source, part in zip(sources, parts, strict=True):
            shutil.copyfile(source, part)
        digest = hashlib.sha256(text.encode()).hexdigest()
        commitment.write_text(f"{digest}  {sealed.key.name}\n", encoding="utf-8", newline="\n")
        key.write_text(text, encoding="utf-8", newline="\n")


def open_key(key_file: Path, folder: Path) -> Key:
    """Read a key after listening, if it is the one that was committed to and the files are as they were.

    Raises
    ------
    InputError
        The key is another one, or there is no hash to hold it against.
    SettingsFileError
        The key is no such file, or a numbered file is missing or changed.
    """
    committed = _committed(folder)
    key = load_settings(key_file, Key)
    if sha256_file(key_file) != committed:
        raise InputError(
            f"{key_file} is not the key that {folder / COMMITMENT} was made for, or was changed since: "
            "give the key that was written with these files"
        )
    if faults := list(_changed(key, folder)):
        raise SettingsFileError(folder, faults)
    return key


def _committed(folder: Path) -> str:
    try:
        return (folder / COMMITMENT).read_text(encoding="utf-8").partition(" ")[0].strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{folder / COMMITMENT} cannot be read ({error}): give the folder of the files"
        ) from None


def _changed(key: Key, folder: Path) -> Iterator[str]:
    for each in key.sounds:
        path = folder / each.file
        if not path.is_file():
            yield f"{each.file}: is missing"
        elif sha256_file(path) != each.sha256:
            yield f"{each.file}: is not the file that was listened to by this key"


def _shuffled(sounds: Sequence[tuple[str, Path]], salt: bytes) -> list[tuple[str, Path]]:
    from numpy.random import default_rng

    order = default_rng(int.from_bytes(salt, "big")).permutation(len(sounds))
    return [sounds[n] for n in order.tolist()]


def _key(sounds: list[tuple[str, Path]], salt: bytes) -> Key:
    digits = max(2, len(str(len(sounds))))
    numbered = [
        {"file": f"{n:0{digits}d}.wav", "id": identity, "sha256": sha256_file(path)}
        for n, (identity, path) in enumerate(sounds, 1)
    ]
    try:
        return Key.model_validate({"salt": salt.hex(), "sounds": numbered})
    except ValidationError as error:
        raise InputError("; ".join(faults_of(error, Key))) from None


def _refuse(sounds: Sequence[tuple[str, Path]], folder: Path, key_file: Path, salt: bytes) -> None:
    identities = [identity for identity, _ in sounds]
    if len(sounds) < 2 or len(set(identities)) < len(sounds):
        raise InputError("numbered files need two sounds or more, each with an identity of its own")
    if len(salt) != SALT_BYTES:
        raise InputError(f"the salt has {len(salt)} bytes; it must have {SALT_BYTES}")
    if folder.resolve() in key_file.resolve().parents:
        raise InputError(f"{key_file} would lie beside the sounds it tells about: keep the key elsewhere")
    if folder.exists() and not (folder.is_dir() and not any(folder.iterdir())):
        raise InputError(f"{folder} is not an empty folder: choose another for the numbered files")
    _refuse_what_tells(sounds)


def _refuse_what_tells(sounds: Sequence[tuple[str, Path]]) -> None:
    """Refuse files that a listener could tell apart by looking into them, or by their length."""
    like, first = _around_samples(sounds[0][1]), sounds[0][1]
    for _, path in sounds[1:]:
        if _around_samples(path) != like:
            raise InputError(
                f"{path} and {first} differ in length, format or in what stands beside their samples, which "
                "would give them away: write all in one format and length, without names or dates"
            )


def _around_samples(path: Path) -> tuple[bytes, bytes]:
    """All of a file that stands before its samples, and behind them."""
    try:
        with path.open("rb") as file:
            chunks = map_chunks(file)
            samples = chunks.audio
            if samples is None or chunks.kind not in {"RIFF", "RF64", "BW64"}:
                raise InputError(f"{path} is no WAV file that can be numbered: write it as one first")
            before = file.read(samples.start)
            file.seek(samples.start + samples.size)
            return before, file.read()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from None
