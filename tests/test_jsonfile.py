"""A settings file at fault is told whole: each fault with path, what is allowed, the nearest name."""

from __future__ import annotations

import json
import re

import pytest

from busproc.chain import Chain, load_chain
from busproc.errors import SettingsFileError
from busproc.jsonfile import FORMS, load_settings, nearest, schema_of
from busproc.session import Session
from busproc.stages import REGISTRY

CHAIN = {"format": "busproc-chain/1"}
STAGES = ", ".join(sorted(REGISTRY))
SHAPES = "bell, dynamic_bell, high_pass, high_shelf, low_pass, low_shelf, notch, tilt"
SLOPES = ", ".join(str(slope) for slope in range(6, 97, 6))
SESSION = {"format": "busproc-session/1", "song": "S", "stems": [{"name": "a", "file": "a.wav"}]}


def faults(path, text, model=Chain):
    """What is said of a file that holds the text (or bytes, or the JSON of anything else)."""
    text = text if isinstance(text, str | bytes) else json.dumps(text)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(SettingsFileError, match=re.escape(str(path))) as caught:
        load_settings(path, model)
    return caught.value.faults


@pytest.fixture
def file(tmp_path):
    return tmp_path / "bus.json"


def stages(*listed, **rest):
    return CHAIN | {"stages": list(listed)} | rest


def test_every_fault_of_a_file_is_told_at_once(file):
    """Wrong tags, wrong names, wrong values, in several stages, nested, and beside them."""
    branch = {"level_db": 0, "stages": [{"stage": "gainn"}, {"stage": "gain", "gain_db": 99}]}
    bands = [
        {"shape": "bel", "freq_hz": 100},
        {"shape": "bell", "freq_hz": 5, "gain_db": None},
        {"shape": "high_pass", "freq_hz": 100, "slope_db_per_octave": 13},
    ]
    told = faults(
        file,
        stages(
            {"stage": "compressor", "treshold_dbfs": -3, "ratio": 0.5, "detector": "pek"},
            {"stage": "limitr"},
            {"ceiling_dbtp": -1},
            {"stage": "eq", "bands": bands},
            {"stage": "parallel", "branches": [branch, {"levl_db": 0}]},
            "gain",
            titel="x",
        ),
    )
    assert told == [
        'stages[0].ratio: must be a number from 1 to 1000 or "infinity", not 0.5',
        'stages[0].detector: must be one of peak, rms, not "pek"; did you mean peak?',
        "stages[0].treshold_dbfs: unknown key; did you mean threshold_dbfs?",
        f'stages[1].stage: must be one of {STAGES}, not "limitr"; did you mean limiter?',
        f"stages[2].stage: missing; must be one of {STAGES}",
        f'stages[3].bands[0].shape: must be one of {SHAPES}, not "bel"; did you mean bell?',
        "stages[3].bands[1].freq_hz: must be a number from 10 to 40000 Hz, not 5",
        "stages[3].bands[1].gain_db: must be a number from -24 to 24 dB, not null",
        f"stages[3].bands[2].slope_db_per_octave: must be one of {SLOPES}, not 13",
        f'stages[4].branches[0].stages[0].stage: must be one of {STAGES}, not "gainn"; did you mean gain?',
        "stages[4].branches[0].stages[1].gain_db: must be a number from -80 to 24 dB, not 99",
        "stages[4].branches[1].level_db: missing; must be a number from -80 to 24 dB",
        "stages[4].branches[1].levl_db: unknown key; did you mean level_db?",
        'stages[5]: must be an object, not "gain"',
        "titel: unknown key; did you mean title?",
    ]


def test_the_error_names_the_file_and_counts_its_faults(file):
    file.write_text(json.dumps(stages({"stage": "gain", "gain_db": 99, "pan": 2})))
    with pytest.raises(SettingsFileError) as caught:
        load_chain(file)
    assert str(caught.value).splitlines() == [
        f"{file}: 2 faults",
        "  stages[0].gain_db: must be a number from -80 to 24 dB, not 99",
        "  stages[0].pan: must be a number from -1 to 1, not 2",
    ]
    assert caught.value.path == file


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ('"3"', '"3"'),
        ("true", "true"),
        ("null", "null"),
        ("[3]", "a list of length 1"),
        ("{}", "an object"),
        ("NaN", "NaN"),
        ("-Infinity", "-Infinity"),
        ("1e999", "Infinity"),
        ("24.001", "24.001"),
    ],
)
def test_a_number_is_a_number_within_bounds(file, given, shown):
    told = faults(
        file, f'{{"format": "busproc-chain/1", "stages": [{{"stage": "gain", "gain_db": {given}}}]}}'
    )
    assert told == [f"stages[0].gain_db: must be a number from -80 to 24 dB, not {shown}"]


def test_a_whole_number_will_do_for_a_number(file):
    file.write_text(json.dumps(stages({"stage": "gain", "gain_db": 3})))
    assert load_chain(file).stages[0].gain_db == 3.0


@pytest.mark.parametrize("given", ['"yes"', "1", "0", "null"])
def test_true_and_false_are_not_spelled_otherwise(file, given):
    stem = SESSION["stems"][0] | {"mute": "HERE"}
    text = json.dumps(SESSION | {"stems": [stem]}).replace('"HERE"', given)
    assert faults(file, text, Session) == [f"stems[0].mute: must be true or false, not {given}"]


def test_a_choice_among_numbers_refuses_text_and_true(file):
    told = faults(
        file,
        stages({"stage": "saturator", "oversampling": "8"}, {"stage": "saturator", "oversampling": True}),
    )
    assert told == [
        'stages[0].oversampling: must be one of auto, 1, 2, 4, 8, 16, 32, not "8"; did you mean 8?',
        "stages[1].oversampling: must be one of auto, 1, 2, 4, 8, 16, 32, not true",
    ]


def test_lengths_of_text_and_lists_are_told(file):
    told = faults(file, stages(*[{"stage": "gain"}] * 65, title="x" * 121))
    assert told == [
        f'title: must be text of length 0 to 120, not "{"x" * 56}...',
        "stages: must be a list of length 0 to 64, not a list of length 65",
    ]


def test_a_list_is_too_short_only_where_it_is(file):
    """A list whose every item is at fault is not called empty as well."""
    told = faults(file, SESSION | {"deliver": [{"bits": 20}]}, Session)
    assert told == ["deliver[0].bits: must be one of 16, 24, 32, 32_float, not 20"]
    told = faults(file, SESSION | {"stems": [], "deliver": []}, Session)
    assert told == [
        "stems: must be a list of length 1 to 512, not a list of length 0",
        "deliver: must be a list of length 1 to 32, not a list of length 0",
    ]


def test_a_name_of_a_wrong_form_is_told_in_words(file):
    (told,) = faults(file, SESSION | {"stems": [{"name": "-kick/in", "file": "a.wav"}]}, Session)
    assert told == (
        "stems[0].name: must be text of length 1 to 60: letters, digits, spaces, - and _, "
        'beginning with neither a space nor -, not "-kick/in"'
    )


def test_every_form_of_text_has_words():
    schemas = [json.dumps(schema_of(model)) for model in (Chain, Session)]
    used = {json.loads(form) for schema in schemas for form in re.findall(r'"pattern": (".*?")', schema)}
    assert used == set(FORMS)


def test_only_the_published_spelling_of_a_key_is_read(file):
    """`from` is called otherwise inside the program; files must not depend on that."""
    told = faults(file, stages({"stage": "compressor", "key": {"source": "kick"}}))
    assert told == [
        "stages[0].key.from: missing; must be text of length 1 or more",
        "stages[0].key.source: unknown key",
    ]


def test_keys_that_stand_twice_are_told_with_their_path_and_the_rest(file):
    inner = '{"level_db": 0, "level_db": 0, "stages": []}'
    text = (
        '{"format": "busproc-chain/1", "title": "", "title": "x", "stages": ['
        '{"stage": "gain", "gain_db": 1, "gain_db": 2, "pan": 0, "pan": 0, "pan": 0, "q": 1},'
        f'{{"stage": "parallel", "branches": [{inner}]}}]}}'
    )
    assert sorted(faults(file, text)) == [
        "stages[0].gain_db: stands twice in one object",
        "stages[0].pan: stands twice in one object",
        "stages[0].q: unknown key",
        "stages[1].branches[0].level_db: stands twice in one object",
        "title: stands twice in one object",
    ]


def test_the_same_key_in_two_objects_is_fine(file):
    file.write_text(json.dumps(stages({"stage": "gain", "gain_db": 1}, {"stage": "gain", "gain_db": 1})))
    assert len(load_chain(file).stages) == 2


@pytest.mark.parametrize(
    "found", ["busproc-chain/2", "busproc-session/1", "chain", "", 1, None, ["busproc-chain/1"]]
)
def test_a_file_of_another_kind_or_version_is_told_as_that_and_nothing_else(file, found):
    (told,) = faults(file, {"format": found, "stems": [], "mix_bus": 3})
    shown = "a list of length 1" if isinstance(found, list) else json.dumps(found)
    assert told == f'format: this is {shown}; here busproc reads "busproc-chain/1"'


def test_a_missing_format_is_told_with_the_rest(file):
    assert faults(file, {"fromat": "busproc-chain/1", "stages": [{"stage": "gain", "pan": 3}]}) == [
        'format: missing; a file of this kind says "format": "busproc-chain/1"',
        "stages[0].pan: must be a number from -1 to 1, not 3",
        "fromat: unknown key; did you mean format?",
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "line 1, column 1: not valid JSON: expecting value"),
        (
            '{"format": "busproc-chain/1"\n "title": ""}',
            "line 2, column 2: not valid JSON: expecting ',' delimiter",
        ),
        ('{"a": "b\nc"}', "line 1, column 9: not valid JSON: invalid control character"),
        ('{"a": 1} x', "line 1, column 10: not valid JSON: extra data"),
        ("[]", "must hold one JSON object, not a list of length 0"),
        ("null", "must hold one JSON object, not null"),
        ('"chain"', 'must hold one JSON object, not "chain"'),
        ('{"a": ' + "9" * 5000 + "}", "holds a whole number of more than 4300 digits"),
        (b'{"title": "caf\xe9"}', "is not UTF-8 text (byte 14), so it is no JSON file"),
        ('{"format": "x"}'.encode("utf-16"), "is not UTF-8 text (byte 0), so it is no JSON file"),
    ],
)
def test_what_is_not_json_is_told_with_its_place(file, text, told):
    assert faults(file, text) == [told]


def test_text_that_no_text_can_be_is_not_json(file):
    """Half of a surrogate pair: Python's reader takes it, RFC 8259 leaves it undefined."""
    (told,) = faults(file, '{"format": "busproc-chain/1", "title": "\\ud800"}')
    assert told.startswith("not valid JSON: ")
    assert "line 1" in told


def test_a_byte_order_mark_is_no_fault(file):
    """Some editors write one; RFC 8259, section 8.1, lets a reader pass over it."""
    file.write_bytes(b"\xef\xbb\xbf" + json.dumps(CHAIN).encode())
    assert load_chain(file) == Chain()


@pytest.mark.parametrize("depth", [250, 900, 100_000])
def test_deep_nesting_is_refused_in_a_line(file, depth):
    (told,) = faults(file, f'{{"format": "busproc-chain/1", "stages": {"[" * depth}{"]" * depth}}}')
    assert re.fullmatch(
        r"is nested too deeply|not valid JSON: recursion limit exceeded at line 1 column \d+", told
    )


def test_a_folder_and_a_missing_file_are_told(tmp_path):
    with pytest.raises(SettingsFileError, match="is a folder, not a JSON file"):
        load_chain(tmp_path)
    with pytest.raises(SettingsFileError, match="no such file"):
        load_chain(tmp_path / "missing.json")
    with pytest.raises(SettingsFileError, match="cannot be read: File name too long"):
        load_chain(tmp_path / ("x" * 300))


def test_settings_do_not_change_once_read(file):
    file.write_text(json.dumps(stages({"stage": "gain"})))
    chain = load_chain(file)
    with pytest.raises(ValueError, match="frozen"):
        chain.title = "other"
    with pytest.raises(ValueError, match="frozen"):
        chain.stages[0].gain_db = 1.0


@pytest.mark.parametrize(
    ("word", "known", "hint"),
    [
        ("drmus", ["brass", "drums"], "; did you mean drums?"),
        ("KICK", ["Kick"], "; did you mean Kick?"),
        ("oh l", ["OH L", "OH R"], "; did you mean OH L?"),
        ("zither", ["kick", "snare"], ""),
        ("kick", [], ""),
        (3, ["kick"], ""),
    ],
)
def test_the_nearest_name_is_offered_whatever_its_case(word, known, hint):
    assert nearest(word, known) == hint
