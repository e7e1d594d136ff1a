"""A session for the real song: groups in groups, sends before and after chains, and every way to set a level.

`linear_session` holds only what is linear; `full_session` and `full_chains` add what decides.
"""

from __future__ import annotations

import copy
import json

import soundfile as sf

from tests.songs import RATE_HZ

EXCERPT_S = (50, 60)
"""A passage in which every stem of the song plays."""

MONO = ("bass", "vibes")
LATE_S = {"strings": 2.75, "vibes": 0.40001}
"""Stems whose files start later than the song; the second falls between two frames."""

LINEAR_CHAINS = {
    "drums": [
        {
            "stage": "eq",
            "design": "bilinear",
            "bands": [{"shape": "high_pass", "freq_hz": 32, "slope_db_per_octave": 18}],
        },
        {"stage": "gain", "gain_db": 1.5, "pan": -0.2, "pan_law": "linear"},
    ],
    "strings": [
        {
            "stage": "eq",
            "design": "bilinear",
            "bands": [
                {"shape": "high_shelf", "freq_hz": 7000, "gain_db": 3.5, "q": 0.6, "on": "side"},
                {"shape": "bell", "freq_hz": 900, "gain_db": -4, "q": 1.4, "on": "mid"},
                {"shape": "high_pass", "freq_hz": 180, "slope_db_per_octave": 6},
            ],
        },
        {"stage": "width", "width": 1.4},
    ],
    "rhythm": [
        {
            "stage": "eq",
            "design": "bilinear",
            "bands": [{"shape": "low_shelf", "freq_hz": 110, "gain_db": 2.5, "q": 0.9}],
        },
        {
            "stage": "parallel",
            "dry_db": -1,
            "branches": [
                {
                    "level_db": -9,
                    "stages": [
                        {
                            "stage": "eq",
                            "design": "bilinear",
                            "bands": [{"shape": "low_pass", "freq_hz": 900, "slope_db_per_octave": 30}],
                        },
                        {"stage": "gain", "gain_db": 2, "polarity": "inverted", "pan": 0.7},
                    ],
                }
            ],
        },
    ],
    "tuned": [
        {"stage": "width", "width": 0.6, "mono_below_hz": 220},
        {
            "stage": "eq",
            "design": "bilinear",
            "bands": [{"shape": "bell", "freq_hz": 3100, "gain_db": 2, "q": 3}],
        },
    ],
    "room": [
        {
            "stage": "eq",
            "design": "bilinear",
            "bands": [
                {"shape": "high_pass", "freq_hz": 300, "slope_db_per_octave": 12},
                {"shape": "low_pass", "freq_hz": 6000, "slope_db_per_octave": 48},
            ],
        },
        {"stage": "width", "width": 1.8},
    ],
    "hall": [
        {
            "stage": "eq",
            "design": "bilinear",
            "bands": [{"shape": "high_shelf", "freq_hz": 4000, "gain_db": -6}],
        }
    ],
    "bus": [
        {
            "stage": "eq",
            "design": "bilinear",
            "bands": [
                {"shape": "high_pass", "freq_hz": 24, "slope_db_per_octave": 24},
                {"shape": "bell", "freq_hz": 300, "gain_db": -1.5, "q": 0.8, "on": "mid"},
                {"shape": "high_pass", "freq_hz": 90, "slope_db_per_octave": 12, "on": "side"},
                {"shape": "high_shelf", "freq_hz": 9000, "gain_db": 1.2},
                {"shape": "low_pass", "freq_hz": 19000, "slope_db_per_octave": 42, "on": "mid"},
            ],
        },
        {"stage": "width", "width": 1.15, "mono_below_hz": 100},
        {"stage": "gain", "gain_db": 2, "pan": 0.03, "pan_law": "constant_power"},
    ],
}

IDLE_LIMITER = {"stage": "limiter", "ceiling_dbtp": 6.0}
IDLE_SATURATOR = {"stage": "saturator", "mix": 0.0}
LATE_BUSES = {
    "drums": IDLE_LIMITER,
    "strings": IDLE_SATURATOR,
    "room": IDLE_SATURATOR,
    "tuned": IDLE_LIMITER,
    "bus": IDLE_LIMITER,
}
"""Stages that do nothing but come late, put first in these chains."""


def linear_session():
    """Keys of the session file."""
    return {
        "format": "busproc-session/1",
        "song": "Real song",
        "stems": [
            {"name": "drums", "file": "drums.wav", "group": "rhythm", "chain": "drums.json", "gain_db": -2},
            {
                "name": "bass",
                "file": "bass.wav",
                "group": "rhythm",
                "pan": 0.25,
                "polarity": "inverted",
                "fade_out_ms": 900,
            },
            {
                "name": "keys",
                "file": "keys.wav",
                "group": "tuned",
                "pan": -0.5,
                "pan_law": "balance",
                "ride": [
                    {"at_s": 2.0, "level_db": -30},
                    {"at_s": 3.3, "level_db": 0},
                    {"at_s": 5.00001, "level_db": -6.5},
                ],
            },
            {
                "name": "vibes",
                "file": "vibes.wav",
                "group": "tuned",
                "pan": 0.8,
                "pan_law": "linear",
                "start_s": LATE_S["vibes"],
                "fade_in_ms": 250,
            },
            {
                "name": "voices",
                "file": "voices.wav",
                "pan": 0.35,
                "pan_law": "constant_power",
                "level_db": -3,
                "fade_in_ms": 20.5,
            },
            {
                "name": "strings",
                "file": "strings.wav",
                "group": "tuned",
                "chain": "strings.json",
                "start_s": LATE_S["strings"],
                "level_db": 4,
            },
            {"name": "old drums", "file": "drums.wav", "mute": True, "gain_db": 20},
            {"name": "guide", "file": "keys.wav", "heard": False, "gain_db": 20},
        ],
        "groups": [
            {"name": "tuned", "group": "band", "chain": "tuned.json", "level_db": -1},
            {"name": "rhythm", "group": "band", "chain": "rhythm.json"},
            {"name": "band", "ride": [{"at_s": 1.0, "level_db": -3}, {"at_s": 2.0, "level_db": 0}]},
        ],
        "sends": [
            {"from": "drums", "to": "room", "level_db": -12, "tap": "before_chain"},
            {
                "from": "voices",
                "to": "hall",
                "level_db": -9,
                "tap": "after_chain",
                "ride": [{"at_s": 6.5, "level_db": 0}, {"at_s": 7.5, "level_db": 6}],
            },
            {"from": "tuned", "to": "hall", "level_db": -14, "tap": "before_chain"},
            {
                "from": "rhythm",
                "to": "room",
                "level_db": -15,
                "tap": "after_chain",
                "ride": [{"at_s": 3.0, "level_db": 0}, {"at_s": 5.0, "level_db": 4}],
            },
            {"from": "room", "to": "hall", "level_db": -6, "tap": "after_chain"},
            {"from": "bass", "to": "muted hall", "tap": "after_chain"},
        ],
        "returns": [
            {"name": "hall", "chain": "hall.json", "level_db": -2},
            {"name": "room", "chain": "room.json", "group": "band"},
            {"name": "muted hall", "mute": True},
        ],
        "mix_bus": {"chain": "bus.json"},
        "deliver": [{"bits": "32_float"}],
    }


def full_session():
    """The same session with everything that decides, and more deliveries."""
    session = linear_session()
    session["song"] = "Real song in full"
    for name in ("bass", "voices"):
        (stem,) = [stem for stem in session["stems"] if stem["name"] == name]
        stem["chain"] = f"{name}.json"
    session["mix_bus"] = {"chain": "bus.json"}
    session["deliver"] = [
        {"bits": 24},
        {"bits": 16, "rate_hz": 44100, "container": "flac"},
        {"bits": "32_float"},
    ]
    return session


def full_chains():
    """Chains for it: keys from other stems, a parallel branch, saturation, a conditional limiter."""
    squeeze = {"stage": "compressor", "threshold_dbfs": -38, "ratio": 6, "attack_ms": 1, "release_ms": 70}
    ducked = {"stage": "compressor", "threshold_dbfs": -24, "ratio": 4, "attack_ms": 3, "release_ms": 120}
    bent = {"stage": "saturator", "drive_db": 12, "mix": 0.7, "oversampling": 4}
    branch = {"level_db": -6, "stages": [squeeze, bent]}
    chains = copy.deepcopy(LINEAR_CHAINS)
    chains["bass"] = [{**ducked, "key": {"from": "drums", "tap": "before_chain"}}]
    chains["voices"] = [{**ducked, "key": {"from": "guide"}, "detector": "peak", "threshold_dbfs": -12}]
    chains["rhythm"] = [{"stage": "parallel", "branches": [branch]}]
    chains["room"] += [bent, {**ducked, "key": {"from": "bass"}}]
    chains["bus"] += [
        {
            "stage": "compressor",
            "threshold_dbfs": -18,
            "ratio": 2,
            "side_chain": [{"shape": "high_pass", "freq_hz": 90}],
            "makeup_db": 4,
        },
        {"stage": "saturator", "drive_db": 4, "mix": 0.5},
        {"stage": "gain", "gain_db": 9},
        {"stage": "limiter", "ceiling_dbtp": -1, "when": {"measure": "true_peak_dbtp", "above": -1}},
    ]
    return chains


def made_late(chains):
    """The same chains with latency in several places."""
    return {
        name: [LATE_BUSES[name], *stages] if name in LATE_BUSES else stages for name, stages in chains.items()
    }


def write_song(folder, sounds, chains, session):
    """Write stems as 32-bit float files, chain files and the session; returns the session file."""
    for name, sound in sounds.items():
        sf.write(folder / f"{name}.wav", sound, RATE_HZ, "FLOAT")
    for name, stages in chains.items():
        (folder / f"{name}.json").write_text(json.dumps({"format": "busproc-chain/1", "stages": stages}))
    file = folder / "session.json"
    file.write_text(json.dumps(session))
    return file
