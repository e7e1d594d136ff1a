"""Lantern Hours: three invented songs in 6/8 that make a record with Harbour Lamps."""

from __future__ import annotations

from busproc.demo.harbour_lamps import HARBOUR_LAMPS
from busproc.demo.score import RIPPLING, ROCKING, Score, break_chords, read_line, read_strokes

LOW_TIDE = Score(
    title="Low Tide",
    seed=101,
    tempo_bpm=58.0,
    song_s=21.0,
    sections=(("opening", 1), ("voices", 5), ("last chord", 9)),
    slowing=(8, 9, 1.4),
    intensity={1: 0.4, 3: 0.5, 5: 0.75, 7: 0.85, 8: 0.65, 9: 0.45, 10: 0.12},
    vowel={1: 0.0, 5: 0.5, 7: 0.9, 9: 0.2, 10: 0.3},
    notes={
        "vibraphone": read_line(
            1,
            "-:1 E5 A5 B5:3 | -:1 C5 E5 A5:3 | -:1 D5 F5 E5:3 | -:6 | -:1 C6 B5 E5:3 | -:2 G5 E5 |"
            "-:1 A5 E5 C5:3 | -:2 D5 B4 | -:1 E5 A5:4",
        ),
        "bass": read_line(
            1, "A1:4 E2:2 | F1:4 C2:2 | D2:4 A1:2 | E2:6 | A1:4 E2:2 | G1:4 C2:2 | F1:4 C2:2 | D2:3 E2 | A1:6"
        ),
        "violins": read_line(3, "A4:3 C5 | B4:6 | C5:3 B4 | G4:6 | A4:3 C5 | A4 B4 | B4:6"),
        "violas": read_line(1, "E4:6 | E4 | F4 | D4:3 E4 | E4:6 | E4 | C4 | F4:3 D4 | E4:6"),
        "cellos": read_line(1, "A2:6 | F2 | D3 | E3 | A2 | G2 | F2 | D3:3 E3 | A2:6"),
        "sopranos": read_line(5, "C5:6 | C5 | C5' | A4:3 B4 | C5:6"),
        "altos": read_line(5, "E4:6 | G4 | E4' | F4:3 E4 | E4:6"),
        "tenors": read_line(5, "B3:6 | C4 | A3' | D4:3 B3 | C4:6"),
        "basses": read_line(5, "A2:6 | G2 | F2' | D3:3 E3 | A2:6"),
    },
    strokes={},
)
"""Slow and aeolian: vibraphone, plucked bass, strings, and the choir from the middle on."""

ROPE_AND_BELL = Score(
    title="Rope and Bell",
    seed=201,
    tempo_bpm=104.0,
    song_s=18.5,
    sections=(("call", 1), ("tune", 5), ("answer", 9), ("last chord", 14)),
    slowing=(13, 14, 1.3),
    intensity={1: 0.6, 5: 0.8, 9: 0.95, 13: 0.9, 14: 0.8, 15: 0.2},
    vowel={1: 0.0},
    notes={
        "marimba": (
            *break_chords(1, "G3 D4 F4 B4 D5 | F3 C4 F4 A4 C5 | C3 G3 E4 G4 C5 | D3 A3 C4 F4 A4", ROCKING),
            *break_chords(5, "G3 D4 F4 B4 D5 | F3 C4 F4 A4 C5 | C3 G3 E4 G4 C5 | D3 A3 C4 F4 A4", RIPPLING),
            *break_chords(9, "E3 B3 D4 G4 B4 | C3 G3 E4 G4 C5 | F3 C4 F4 A4 C5 | D3 A3 C4 F4 A4", RIPPLING),
            *break_chords(13, "F3 C4 F4 A4 C5 / D3 A3 C4 F4 A4", ROCKING),
            *read_line(14, "G3+D4+B4:6"),
        ),
        "marimba_low": read_line(5, "G2:6 | F2 | C2 | D2:3 D2 | E2:6 | C2 | F2 | D2:3 D2 | F2 D2 | G2:6"),
        "tuba": read_line(
            3,
            "C2:3 G2 | D2 A1' | G2:2 D2:1 G2:2 B2:1 | F2:2 C2:1 F2:3 | C2:2 G2:1 E2:2 C2:1 |"
            "D2:2 A2:1 D2:3' | E2:2 B2:1 G2:2 E2:1 | C2:2 G2:1 C2:3 | F2:2 C2:1 F2:2 A2:1 |"
            "D2:3 A2' | F2 D2 | G2:5",
        ),
        "flugelhorn_1": read_line(
            5,
            "D5:2 B4:1 G4:2 A4:1 | C5:3 A4:2 F4:1 | G4:2 C5:1 E5:2 C5:1 | D5:4 A4:2' |"
            "B4:2 D5:1 E5:2 D5:1 | E5:3 C5:2 G4:1 | A4:2 C5:1 F5:2 E5:1 | D5:6' | C5:2 A4:1 F4:2 A4:1 | G4:5",
        ),
        "flugelhorn_2": read_line(9, "G4:3 B4 | G4:4 E4:2 | F4:3 A4 | F4:6' | F4:3 F4 | D4:5"),
        "flugelhorn_3": read_line(9, "E4:3 G4 | E4:4 C4:2 | C4:3 F4 | C4:6' | C4:3 D4 | B3:5"),
    },
    strokes={
        "frame_drum": (
            *read_strokes(1, "D.....d...t. D.....d...t. D...t.d...t. D...t.d.dtdT"),
            *read_strokes(5, "D.t.tdD.t.tt D.t.tdD.t.tt D.t.tdD.t.tt D.t.tdD.tdtt D.t.tdD.t.tt"),
            *read_strokes(10, "D.t.tdD.t.tt D.t.tdD.t.tt D.t.tdD.tdtt D.t.tdD.dtdT D"),
        ),
        "shaker": read_strokes(5, "XxxxxxXxxxxx" * 8 + "X.x.x.X...x."),
        "wood_block": read_strokes(3, "..h...l...h. ..h...l.h.l." + "H..l..h.l.h. H..l..h...l." * 4),
    },
)
"""Quick and mixolydian: marimba, tuba, flugelhorns and all that is struck."""

NINE_MOTHS = Score(
    title="Nine Moths",
    seed=301,
    tempo_bpm=80.0,
    song_s=20.0,
    sections=(("opening", 1), ("strings", 5), ("last chord", 12)),
    slowing=(11, 12, 1.4),
    intensity={1: 0.45, 3: 0.55, 5: 0.7, 9: 0.85, 11: 0.7, 12: 0.5, 13: 0.15},
    vowel={1: 0.0},
    notes={
        "marimba": (
            *break_chords(1, "E3 B3 D4 F#4 B4 | C3 G3 E4 F#4 B4 | A3 C4 E4 G4 B4 | B3 D4 E4 A4 D5", RIPPLING),
            *break_chords(5, "E3 B3 D4 G4 B4 | D3 A3 D4 F#4 A4 | C3 G3 D4 E4 B4 | G3 B3 D4 A4 B4", RIPPLING),
            *break_chords(9, "A3 C4 E4 G4 B4 | C3 G3 E4 F#4 B4", RIPPLING),
            *break_chords(11, "B3 D4 E4 A4 D5 / B3 D#4 F#4 A4 D#5", RIPPLING),
            *read_line(12, "E3+B3+G4:6"),
        ),
        "vibraphone": read_line(
            3,
            "-:1 E5 G5 B5:3 | -:2 A5 F#5 | -:1 B5 G5 D5:3 | -:1 A5 F#5 D5:3 | -:1 G5 E5 B4:3 |"
            "-:2 D5 B4 | -:1 C6 B5 G5:3 | -:1 B5 F#5 E5:3 | A5 D#5 | E5+B5:5",
        ),
        "bass": read_line(
            1,
            "E2:3 B1:2 E2:1 | C2:4 G1:2 | A1:3 E2:2 A1:1 | B1:3 B1 | E2:2 E2:1 B1:2 D2:1 |"
            "D2:2 D2:1 A1:2 D2:1 | C2:2 C2:1 G1:2 C2:1 | G1:2 G1:1 B1:2 D2:1 | A1:2 A1:1 E2:2 A1:1 |"
            "C2:2 C2:1 G2:2 E2:1 | B1:3 B1 | E2:6",
        ),
        "violins": read_line(5, "B4:6 | A4:3 D5 | E5:6 | D5:3 B4 | C5:6 | E5:3 F#5 | A5 D#5 | E5:6"),
        "violas": read_line(5, "G4:6 | F#4 | G4 | B4 | E4 | G4 | E4:3 F#4 | G4:6"),
        "cellos": read_line(5, "E3:6 | D3 | C3 | G2 | A2 | C3 | B2 | E3"),
    },
    strokes={
        "frame_drum": (
            *read_strokes(3, "D.....d..... D.....d...t. D...t.d...t. D...t.d...t. D...t.d...t. D...t.d..tt."),
            *read_strokes(9, "D..tt.d...tt D..tt.d...tt D.....d..... D"),
        ),
        "shaker": read_strokes(5, "X.x.x.X.x.x." * 6 + "....x.....x."),
    },
)
"""Of middling speed, in E minor: marimba, vibraphone, plucked bass, strings, drum and shaker."""

SCORES = {
    "harbour_lamps": HARBOUR_LAMPS,
    "low_tide": LOW_TIDE,
    "rope_and_bell": ROPE_AND_BELL,
    "nine_moths": NINE_MOTHS,
}
"""The songs of the record by folder, in its order."""
