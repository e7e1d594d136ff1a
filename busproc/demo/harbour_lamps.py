"""Harbour Lamps: an invented barcarolle in 6/8, D dorian turning to F lydian."""

from __future__ import annotations

from busproc.demo.score import RIPPLING, ROCKING, Score, break_chords, read_line, read_strokes

_NOTES = {
    "marimba": (
        *break_chords(1, "D3 A3 E4 F4 A4 | D3 A3 E4 F4 A4 | D3 B3 D4 G4 A4 | D3 A3 E4 F4 A4", ROCKING),
        *break_chords(5, "D3 A3 E4 F4 A4 | D3 B3 D4 G4 A4 | F3 C4 E4 A4 B4 | E3 C4 D4 G4 C5", ROCKING),
        *break_chords(9, "D3 A3 C4 F4 A4 | E3 B3 D4 G4 B4 | F3 B3 E4 A4 C5", ROCKING),
        *break_chords(12, "A3 D4 E4 A4 D5 / A3 C4 E4 G4 C5", ROCKING),
        *break_chords(13, "F3 C4 E4 A4 B4 | F3 B3 D4 G4 B4 | E3 B3 D4 G4 B4 | E3 A3 C4 G4 B4", RIPPLING),
        *break_chords(17, "D3 A3 E4 F4 C5 | G3 B3 D4 G4 B4 | Bb3 D4 E4 A4 D5", RIPPLING),
        *break_chords(20, "G3 C4 E4 A4 D5 / A3 D4 E4 G4 D5", RIPPLING),
        *break_chords(21, "D3 A3 E4 F4 A4 | D3 B3 D4 G4 A4 | F3 C4 E4 A4 B4 / E3 C4 D4 G4 C5", ROCKING),
        *read_line(24, "D3:1 B3 D4 G4 D4 B3 | D3+A3+F#4:6"),
    ),
    "marimba_low": read_line(
        3,
        "D2:6 | D2 | D2 | G2 | F2 | E2 | D2 | E2 | F2 | A2:3 A2 | F2 F2 | F2 F2 | E2 E2 | A2 E2 |"
        "D2 D2 | B2 B2 | Bb2 F2 | C2 A2 | D2:6 | D2 | F2:3 E2 | D2:6 | D2",
    ),
    "vibraphone": read_line(
        2,
        "-:3 A5 | -:1 D5 G5 B5:3 | A5:2 E5:4 | -:6 | -:1 D5 G5 B5 D6:2 | -:6 | -:1 E5 G5 C6 D6:2 |"
        "-:6 | -:1 B5 D6 G5:3 | E5:3 B5 | -:1 A5 D6 C6:3 |"
        "E5+B5:3 A5 | D5+B5:3 G5 | G5+D6:6 | E5+B5:3 C6 |"
        "F5+C6:3 E6 | G5+D6:3 B5 | A5+E6:3 D6 | A5+D6:3 G5:2 E5:1 |"
        "-:6 | -:1 D5 G5 B5:3 | -:3 G5 | -:1 A5 B5 D6:3 | -:1 D5 A5 E6 F#6:8",
    ),
    "flugelhorn_1": read_line(
        5,
        "A4:3 D5:2 C5:1 | B4:4' A4:1 G4 | A4:3 F4:1 G4 A4 | G4:4 E4:2' | F4:3 A4:2 D5:1 | E5:3 D5:2 B4:1 |"
        "C5:2 B4:1 A4:3' | D5:3 C5:1 A4 B4 |"
        "C5:3 E5 | D5:4' B4:1 D5 | G5:3 E5:2 D5:1 | E5:4' C5:1 B4 | A4:2 C5:1 F5:3 | D5:3 G5 | A5:4 G5:1 F5 |"
        "E5:2 D5:1 D5:2 B4:1' | A4:3 D5:2 C5:1 | B4:4' A4:1 G4 | A4:3' G4:2 E4:1 | A4:3 B4 | A4:5",
    ),
    "flugelhorn_2": read_line(
        9,
        "D4:3 F4:2 A4:1 | B4:3 B4:2 G4:1 | A4:2 G4:1 F4:3' | A4:3 G4:1 E4 G4 |"
        "A4:3 C5 | B4:4' G4:1 B4 | D5:3 B4:2 B4:1 | C5:4' A4:1 G4 | F4:2 A4:1 C5:3 | B4:3 D5 | F5:4 E5:1 D5 |"
        "C5:2 A4:1 A4:2 G4:1' | F4:3 A4:2 A4:1 | G4:4' F4:1 D4 | E4:3' D4:2 C4:1 | D4:3 G4 | F#4:5",
    ),
    "flugelhorn_3": read_line(
        13,
        "E4:3 A4 | G4:4' D4:1 G4 | B4:3 G4:2 G4:1 | G4:4' E4:1 E4 | E4:2 F4:1 A4:3 | G4:3 B4 |"
        "D5:4 Bb4:1 A4 | G4:2 G4:1 G4:2 E4:1' | D4:3 F4:2 F4:1 | D4:4' D4:1 B3 |"
        "C4:3' C4:2 G3:1 | B3:3 D4 | D4:5",
    ),
    "tuba": read_line(
        5,
        "D2:3 A2 | G2:4 A2:1 G2 | F2:3 C3 | E2:4 C2:2' | D2:3 F2:2 D2:1 | E2:3 B2 | F2:4 G2:2 | A2:3 A1' |"
        "F2:3 C3:2 F2:1 | F2:3 G2 | E2:3 B2 | A2:3 G2:1 F2 E2 |"
        "D2:3 A2:2 C3:1 | B2:3 B1 | Bb1:4 F2:2 | C2:3 A1' |"
        "D2:4 A2:2 | D2:4' -:2 | F2:3 E2 | D2:6 | D2:5",
    ),
    "bass": read_line(
        3,
        "D2:4 A2:2 | D2:3 A2:2 D2:1 | D2:3 A2:2 A1:1 | G1:3 D2:2 G2:1 | F2:3 C2 | E2:3 G2:2 E2:1 |"
        "D2:3 A2:2 D2:1 | E2:3 B1:2 E2:1 | F2:3 F2:2 G2:1 | A2:3 A1:2 A1:1 |"
        "F1:2 F2:1 C2:2 C2:1 | F1:2 F2:1 G2:2 G1:1 | E1:2 E2:1 B1:2 E2:1 | A1:2 A2:1 E2:1 G2 A2 |"
        "D2:2 D2:1 A1:2 C2:1 | B1:2 B1:1 G2:2 B1:1 | Bb1:2 Bb1:1 F2:2 Bb1:1 | C2:2 C2:1 A1:2 A2:1 |"
        "D2:3 A2 | D2:3 A1 | F2:3 E2 | D2:6 | D2:8",
    ),
    "violins": read_line(
        11,
        "E5:6 | E5:3 G5 |"
        "A5:3 G5:2 B5:1 | G5:2 A5:1 B5:3 | B5:3 G5:1 A5 B5 | C6:2 B5:1 A5 G5 E5 | F5:3 A5:2 C6:1 | B5:3 D6 |"
        "E6:4 D6:2 | C6:3 D6:1 C6 A5 | F5:6 | G5:6 | A5:3 G5 | G5:3 B5 | A5:6",
    ),
    "violas": read_line(
        9,
        "A3:6 | B3:3 D4 | C4:6 | D4:3 C4 |"
        "C5:3 A4 | G4:3 B4 | G4:6 | A4:3 E4 | A4:3 F4 | G4:3 B4 | A4:3 F4 | G4:3 E4 |"
        "F4:6 | D4:6 | C4:6 | D4:6 | F#4:6",
    ),
    "cellos": read_line(
        9,
        "D3:6 | E3:6 | F3:6 | A2:6 |"
        "F3:3 C4 | F3:3 G3 | E3:3 B3 | A3:3 G3 | D3:3 A3 | B2:3 G3 | Bb2:6 | C3:3 A2 |"
        "D3:6 | D3:6 | F3:3 E3 | G3:6 | D3:6",
    ),
    "sopranos": read_line(
        3,
        "G4:6 | F4 | F4 | G4 | A4 | G4' | F4 | G4 | A4 | A4:3 G4' | C5:6 | B4 | B4 | B4' | C5 | D5 |"
        "E5 | D5' | A4 | G4 | A4:3 G4 | G4:6 | F#4:7",
    ),
    "altos": read_line(
        3,
        "D4:6 | E4 | D4 | D4 | E4 | E4' | D4 | D4 | E4 | E4' | A4 | G4 | G4 | G4' | F4 | G4 | A4 | A4:3 G4' |"
        "F4:6 | D4 | E4 | D4 | E4:7",
    ),
    "tenors": read_line(
        3,
        "B3:6 | A3 | A3 | B3 | C4 | C4' | C4 | B3 | B3 | D4:3 C4' | E4:6 | D4 | D4 | C4' | E4 | D4 |"
        "D4 | E4' | C4 | B3 | C4 | B3 | A3:7",
    ),
    "basses": read_line(
        3,
        "D3:6 | D3 | D3 | G3 | F3 | E3' | D3 | E3 | F3 | A2' | F3 | F3 | E3 | A2' | D3 | B2 | Bb2 |"
        "C3:3 A2' | D3:6 | D3 | F3:3 E3 | D3:6 | D3:7",
    ),
}
_STROKES = {
    "frame_drum": (
        *read_strokes(3, "D.....d..... D.....d...t. D...t.d...t. D...t.d...t. D...t.d...t. D...t.d..tt."),
        *read_strokes(9, "D..tt.d...tt D..tt.d...tt D..tt.d...tt D..t.dD.dtdT"),
        *read_strokes(13, "D.t.tdD.t.tt D.t.tdD.t.tt D.t.tdD.t.tt D.t.tdD.tdtt D.t.tdD.t.tt D.t.tdD.t.tt"),
        *read_strokes(19, "D.t.tdD.tdtt D.t.tdD.dtdT D...t.d...t. D...t.d..... D.....d..... d.......t... D"),
    ),
    "shaker": (
        *read_strokes(5, "....x.....x. ....x.....x. ....x.....x. ....x.x...x."),
        *read_strokes(9, "X.x.x.X.x.x. X.x.x.X.x.x. X.x.x.X.x.x. X.x.xxX.x.xx"),
        *read_strokes(13, "XxxxxxXxxxxx XxxxxxXxxxxx XxxxxxXxxxxx XxxxxxXxxxxx XxxxxxXxxxxx XxxxxxXxxxxx"),
        *read_strokes(19, "XxxxxxXxxxxx XxxxxxXxxxxX X.x.x.X.x.x. X.x.x.X...x. ....x.....x."),
    ),
    "wood_block": (
        *read_strokes(7, "..........h. ....l.....h. ....l...h... ....l.....h. ....l...h... ....l.H.l.h."),
        *read_strokes(13, "H..l..h.l... H..l..h...l. H..l..h.l... H..l..h.l.h. H..l..h.l... H..l..h...l."),
        *read_strokes(19, "H..l..h.l... H..l..h.l.hh ....l.....h. ....l......."),
    ),
}
HARBOUR_LAMPS = Score(
    title="Harbour Lamps",
    seed=1,
    tempo_bpm=76.0,
    song_s=43.5,
    sections=(("intro", 1), ("theme A", 5), ("theme B", 13), ("return", 21), ("last chord", 25)),
    slowing=(23, 25, 1.7),
    intensity={
        1: 0.45, 5: 0.52, 9: 0.58, 12: 0.7, 13: 0.88, 16: 0.85,
        19: 0.98, 20: 0.96, 21: 0.6, 24: 0.52, 25: 0.5, 26: 0.16,
    },
    vowel={1: 0.0, 11: 0.05, 13: 0.85, 19: 1.0, 20: 1.0, 21: 0.1, 25: 0.15, 26: 0.5},
    notes=_NOTES,
    strokes=_STROKES,
)  # fmt: skip
