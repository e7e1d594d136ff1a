"""The command: a shootout from the shell, answers revealed, wrong calls told."""

from __future__ import annotations

import json

from click.testing import CliRunner

from busproc.cli import main
from tests.shootouts.test_comparing import GAINS, write_shootout

PAIR = ["gain -3 dB", "gain 4 dB"]


def run(*arguments):
    return CliRunner().invoke(main, ["shootout", *map(str, arguments)])


def test_from_a_file_to_what_the_answers_prove(tmp_path):
    blind = {"abx": 8, "preference": 0, "pairs": [PAIR]}
    file = write_shootout(tmp_path, grid={"set": GAINS}, blind=blind)
    made = run(file, "--out", tmp_path / "out")
    assert made.exit_code == 0
    assert "gain 4 dB" in made.stdout
    assert (tmp_path / "out" / "index.html").exists()
    assert run(file, "--out", tmp_path / "out").stdout == made.stdout

    plan = json.loads((tmp_path / "out" / "trials.json").read_text())
    from busproc.shootouts.trials import TrialPlan

    digest = TrialPlan.model_validate(plan).sha256
    page = (tmp_path / "out" / "index.html").read_text()
    assert digest in page
    answers = {
        "format": "busproc-answers/1",
        "shootout": "Which one",
        "plan_sha256": digest,
        "answers": [
            {"trial": each["number"], "answer": each["x"], "seconds": 1.0, "switches": 2}
            for each in plan["trials"]
        ],
    }
    (tmp_path / "answers.json").write_text(json.dumps(answers))
    told = run("--reveal", tmp_path / "answers.json", "--out", tmp_path / "out")
    assert told.exit_code == 0, told.stderr
    assert "gain -3 dB" in told.stdout
    assert "hidden repeat" in told.stdout


def test_wrong_calls_are_told(tmp_path):
    assert run("--out", tmp_path).exit_code == 2
    file = write_shootout(tmp_path, grid={"set": {"gain.gain_db": [0, 100]}})
    wrong = run(file, "--out", tmp_path / "out")
    assert wrong.exit_code == 2
    assert "grid.set.gain.gain_db[1]: stages[3].gain_db: must be a number from" in wrong.stderr
    assert not (tmp_path / "out").exists()
    searched = run(write_shootout(tmp_path), "--out", tmp_path / "out", "--refine")
    assert (searched.exit_code, 'give the shootout file "refine"' in searched.stderr) == (2, True)
    (tmp_path / "compared.json").write_text("{}")
    assert run("--reveal", file, "--out", tmp_path).exit_code == 2
