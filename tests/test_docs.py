"""What the guides say is there is there, and what is there they say."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

import busproc
from busproc.album.settings import Album
from busproc.chain import Chain
from busproc.cli import main
from busproc.draft import WORDS
from busproc.jsonfile import load_settings
from busproc.presets import preset_names
from busproc.session import Session
from busproc.shootouts.settings import Shootout
from busproc.stages import REGISTRY

ROOT = Path(busproc.__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDES = sorted(ROOT.glob("*.md"))
MODELS = {
    "busproc-chain/1": Chain,
    "busproc-session/1": Session,
    "busproc-album/1": Album,
    "busproc-shootout/1": Shootout,
}

SET_UP = """\
python3 -m venv .venv && .venv/bin/pip install -q -e . -c constraints.txt && .venv/bin/busproc demo
python3 -m venv --upgrade-deps .venv && .venv/bin/pip install -q -e . --group test -c constraints.txt && \
.venv/bin/pytest
"""


def blocks(text, language):
    found = re.findall(r"^```(\w*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return [block for marked, block in found if marked == language]


def calls(text):
    """Calls of the command that stand on a line of their own, as words, without what the shell does."""
    for line in re.findall(r"^\s*(?:\$ )?busproc (.*)$", text, re.MULTILINE):
        words = shlex.split(line, comments=True)
        ends = [words.index(sign) for sign in (">", "|") if sign in words]
        yield words[: min(ends, default=None)]


def refuse_wrong_call(words):
    """Parse a call as the command line would, and run nothing."""
    name, *rest = words
    main.commands[name].make_context(name, rest)


def test_the_two_commands_of_the_set_up_stand_in_the_readme():
    assert SET_UP in README


@pytest.mark.parametrize("command", main.commands)
def test_the_readme_names_every_command(command):
    assert f"`busproc {command}" in README


def test_the_readme_names_every_stage_and_preset():
    missing = [name for name in [*REGISTRY, *preset_names()] if f"`{name}`" not in README]
    assert not missing


def test_the_readme_names_every_group_that_a_draft_guesses():
    assert ", ".join(WORDS) in README


def test_the_readme_names_only_what_the_package_has():
    used = {name for block in blocks(README, "python") for name in re.findall(r"\bbusproc\.(\w+)", block)}
    assert used
    assert used <= set(busproc.__all__)


@pytest.mark.parametrize("form", MODELS)
def test_json_in_the_guides_is_valid(form, tmp_path):
    documents = [
        json.loads(block) for guide in GUIDES for block in blocks(guide.read_text(encoding="utf-8"), "json")
    ]
    shown = [document for document in documents if document.get("format") == form]
    assert shown
    for document in shown:
        (tmp_path / "shown.json").write_text(json.dumps(document))
        load_settings(tmp_path / "shown.json", MODELS[form])


@pytest.mark.parametrize("guide", GUIDES, ids=lambda guide: guide.name)
def test_links_lead_somewhere(guide):
    links = re.findall(r"\]\(([^)#\s]+)", guide.read_text(encoding="utf-8"))
    broken = [link for link in links if "://" not in link and not (guide.parent / link).exists()]
    assert not broken


def test_files_that_the_readme_names_are_there():
    named = re.findall(r"`((?:busproc|presets|tests|benchmarks)/[\w./]+)`", README)
    assert named
    assert not [name for name in named if not (ROOT / name).exists()]


def test_calls_in_the_guides_are_right():
    shown = [
        call for guide in GUIDES for call in calls("\n".join(blocks(guide.read_text(encoding="utf-8"), "")))
    ]
    assert {call[0] for call in shown} >= {"render", "session", "validate", "meter"}
    for call in shown:
        refuse_wrong_call(call)


@pytest.mark.parametrize("command", main.commands)
def test_examples_in_the_help_are_right(command):
    shown = list(calls(main.commands[command].help))
    assert shown
    for call in shown:
        assert call[0] == command
        refuse_wrong_call(call)


def test_first_steps_in_the_help_are_right():
    shown = [re.split(r"\s{4,}", line.strip())[0] for line in main.help.splitlines()]
    steps = list(calls("\n".join(shown)))
    assert [call[0] for call in steps] == ["demo", "session", "render"]
    for call in steps:
        refuse_wrong_call(call)


def test_every_public_name_is_there():
    assert all(hasattr(busproc, name) for name in busproc.__all__)
    assert sorted(busproc.__all__) == sorted(name for names in busproc._HOMES.values() for name in names)
