"""The command line: what it prints where, what it refuses, and with which exit code."""

from __future__ import annotations

import errno
import io
import json
import subprocess
import sys

import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner

import busproc.cli.terminal
from busproc.cli import main
from busproc.kernels.jit import ONCE
from busproc.presets import preset_names
from busproc.stages import REGISTRY
from tests.songs import noise, write_session

COMMANDS = [
    *("render", "print", "verify", "recall", "diff", "album", "shootout", "check", "compare", "hits"),
    *("meter", "validate", "schema", "session", "presets", "chain", "stages", "explain", "demo"),
]
HEAVY = {"numpy", "numba", "scipy", "soundfile", "soxr", "matplotlib", "pydantic", "rich"}
START_S = 0.4  # processor time, which other work on the machine does not lengthen


def run(*args, charset="utf-8"):
    """Run a command; whatever happens must end in an exit code, not in a traceback."""
    result = CliRunner(charset=charset).invoke(main, [str(arg) for arg in args])
    assert isinstance(result.exception, SystemExit | None), result.exception
    return result


def refused(code, *args):
    """The error of a command that must fail: on standard error alone, in few lines."""
    result = run(*args)
    assert result.exit_code == code
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) <= 6
    return result.stderr


def python(code):
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout


def held(folder):
    return {file.name: (file.stat().st_mtime_ns, file.read_bytes()) for file in folder.iterdir()}


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """A session of two short stems, a group and a limiter on the mix bus."""
    return write_session(
        tmp_path_factory.mktemp("song"),
        {"kick": noise(0.2, 1), "choir": noise(0.2, 2)},
        {"bus": [{"stage": "limiter", "ceiling_dbtp": -20}]},
        stem_keys={"kick": {"group": "drums"}},
        groups=[{"name": "drums"}],
        mix_bus={"chain": "bus.json"},
        deliver=[{"bits": 24}],
    )


@pytest.fixture(scope="module")
def rendered(session, tmp_path_factory):
    """The folder of its prints, and what the command said."""
    folder = tmp_path_factory.mktemp("out") / "prints"
    return folder, run("render", session, "--out", folder)


def test_help_is_quick_because_it_imports_little():
    told = python(
        "import json, sys, time\n"
        "from busproc.cli import main\n"
        "main(['--help'], standalone_mode=False)\n"
        "print(json.dumps([time.process_time(), sorted(sys.modules)]))"
    )
    seconds, modules = json.loads(told.splitlines()[-1])
    assert "busproc.cli" in modules
    assert not HEAVY & set(modules)
    assert seconds < START_S


def test_help_lists_the_commands_in_the_order_of_a_days_work():
    result = run("--help")
    assert result.exit_code == 0
    listed = result.stdout.partition("Commands:")[2].splitlines()
    assert [line.split()[0] for line in listed if line.strip()] == COMMANDS
    assert not [line for line in listed if line.endswith("...")]  # each fits its line


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command):
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"busproc {command} " in result.stdout.partition("Example:")[2] + " "


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (["rendr"], "No such command 'rendr'"),
        (["render", "song.json", "--overwritten"], "No such option '--overwritten'"),
        (["render", "song.json"], "Missing option '--out'"),
        (["render", "song.json", "--out", "x", "--from", "soon"], "'soon' is not a valid float"),
        (["meter"], "Missing argument"),
        (["schema", "chian"], "'chian' is not one of 'chain', 'session'"),
        (["presets", "open_and_gentel"], "'open_and_gentel' is not a preset; there are bent_return, "),
        (["presets", "open_and_gentel"], "did you mean open_and_gentle?"),
        (["stages", "limitr"], "'limitr' is not a stage; there are compressor, "),
        (["stages", "limitr"], "did you mean limiter?"),
        (["render", "missing.json", "--out", "x"], "error: missing.json: 1 fault\n  no such file"),
        (["validate", "missing.json"], "error: missing.json: 1 fault\n  no such file"),
        (["explain", "missing.json"], "error: missing.json: 1 fault\n"),
        (["meter", "missing.wav"], "error: missing.wav does not exist"),
        (["session", "--from", "missing"], "missing is not a folder"),
    ],
)
def test_a_wrong_call_is_told_in_a_few_lines_and_exits_with_2(args, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert told in refused(2, *args)
    assert not list(tmp_path.iterdir())


def test_render_writes_and_tells_what_it_did(rendered):
    folder, result = rendered
    assert result.exit_code == 0
    names = {"Test_Song_mix_48k24.wav", "Test_Song.decisions.json", "Test_Song.decisions.txt"}
    assert names | {"Test_Song.run.json"} == set(held(folder))
    assert "1. limiter, worked: " in result.stdout
    assert all(name in result.stdout.splitlines()[-1] for name in names)
    assert [line for line in result.stderr.splitlines() if line != ONCE] == [
        "listening to the song before mix_bus.stages[0]",
        "rendering",
        "writing Test_Song_mix_48k24.wav",
    ]


def test_a_profile_tells_the_parts_and_changes_no_byte(rendered, session, tmp_path):
    folder, plain = rendered
    result = run("render", session, "--out", tmp_path, "--profile")
    told = result.stdout.splitlines()[len(plain.stdout.splitlines()) :]
    assert told[-1].endswith(" times real time")
    assert len(told) > 2
    shares = [float(line.partition("%")[0]) for line in told]
    assert sum(shares[:-1]) == pytest.approx(100.0, abs=0.05 * len(shares))
    for name in ("Test_Song_mix_48k24.wav", "Test_Song.decisions.json"):
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes()


def test_what_is_there_is_not_overwritten_unless_asked(rendered, session):
    folder, _ = rendered
    before = held(folder)
    assert "exists; add --overwrite" in refused(2, "render", session, "--out", folder)
    assert held(folder) == before
    assert run("render", session, "--out", folder, "--overwrite").exit_code == 0
    after = held(folder)
    for name in before:
        if name != "Test_Song.run.json":
            assert after[name][1] == before[name][1]
            assert after[name][0] > before[name][0]


def test_one_file_in_the_way_keeps_all_from_being_written(session, tmp_path):
    (tmp_path / "Test_Song.decisions.txt").write_text("mine")
    assert "Test_Song.decisions.txt exists" in refused(2, "render", session, "--out", tmp_path)
    assert [file.read_text() for file in tmp_path.iterdir()] == ["mine"]


def test_render_refuses_paths_that_lead_out_unless_allowed(session, tmp_path):
    inner = json.loads(session.read_text())
    inner["stems"][0]["file"] = str(session.parent / "kick.wav")
    inner["stems"][1]["file"] = str(session.parent / "choir.wav")
    inner["mix_bus"] = {}
    file = tmp_path / "inner.json"
    file.write_text(json.dumps(inner))
    assert "--allow-outside" in refused(2, "render", file, "--out", tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert run("render", file, "--out", tmp_path / "out", "--allow-outside").exit_code == 0


@pytest.mark.parametrize("passage", [["--from", "0.3"], ["--from", "0.1", "--to", "0.05"], ["--to", "nan"]])
def test_a_passage_outside_the_song_is_refused(session, tmp_path, passage):
    told = refused(2, "render", session, "--out", tmp_path, *passage)
    assert "the song runs from 0 to 0.200 s" in told
    assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_made_is_refused(session):
    assert "cannot be made a folder" in refused(2, "render", session, "--out", session)


@pytest.mark.parametrize("name", ["busproc.scratch.Scratch.write", "busproc.scratch.tempfile.TemporaryFile"])
def test_when_the_disk_refuses_a_line_says_so_and_nothing_is_left(session, tmp_path, monkeypatch, name):
    def refuse(*args, **kwargs):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(name, refuse)
    result = run("render", session, "--out", tmp_path)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.splitlines()[-1] == "error: No space left on device"
    assert not list(tmp_path.iterdir())


def test_an_error_of_the_disk_names_the_place(session, tmp_path, monkeypatch):
    def refuse(*args, **kwargs):
        raise PermissionError(errno.EACCES, "Permission denied", str(tmp_path))

    monkeypatch.setattr("busproc.scratch.tempfile.TemporaryFile", refuse)
    assert refused(1, "render", session, "--out", tmp_path) == f"error: {tmp_path}: Permission denied\n"


def test_work_that_fails_exits_with_1(tmp_path):
    """The mix passes full scale and would be clipped."""
    loud = np.full((480, 2), 0.9)
    session = write_session(tmp_path, {"a": loud, "b": loud}, deliver=[{"bits": 16}])
    result = run("render", session, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert "over full scale" in result.stderr.splitlines()[-1]
    assert not list((tmp_path / "out").iterdir())


def test_on_a_terminal_progress_is_a_bar_that_goes_away(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    with busproc.cli.terminal.progress_told() as progress:
        progress("rendering", 0.5)
    drawn = terminal.getvalue()
    assert "rendering" in drawn
    assert drawn.endswith("\x1b[2K")  # erases the line


def test_meter_prints_a_table_of_what_json_holds(rendered):
    (mix,) = rendered[0].glob("*.wav")
    table = run("meter", mix, mix)
    head, first, second = table.stdout.splitlines()
    assert " ".join(head.split()) == "LUFS S max M max LRA LU dBTP peak dBFS crest dB corr."
    assert first == second
    (reading,) = json.loads(run("meter", "--json", mix).stdout)
    assert reading["file"] == str(mix)
    assert -21 < reading["true_peak_dbtp"] < -19
    cells = first.split()
    assert cells[4] == f"{reading['true_peak_dbtp']:.1f}"
    assert cells[3] == "-"  # too short for a loudness range
    assert cells[-1] == str(mix)


def test_meter_goes_on_after_a_file_at_fault(rendered, tmp_path):
    (mix,) = rendered[0].glob("*.wav")
    (tmp_path / "torn.wav").write_bytes(mix.read_bytes()[:-100])
    for options in ([], ["--json"]):
        result = run("meter", *options, tmp_path / "torn.wav", mix)
        assert result.exit_code == 2
        assert "torn.wav is cut short" in result.stderr
        assert str(mix) in result.stdout
        assert "torn" not in result.stdout


def test_validate_tells_of_every_file(session, tmp_path):
    faulty, strange = tmp_path / "faulty.json", tmp_path / "strange.json"
    faulty.write_text(
        '{"format": "busproc-chain/1", "stages": [{"stage": "gain", "pan": 2}, {"stage": "eqq"}]}'
    )
    strange.write_text('{"format": ["busproc-chain/1"]}')
    (tmp_path / "no_format.json").write_text('{"stages": []}')
    good = [session, session.parent / "bus.json"]
    result = run("validate", good[0], faulty, strange, tmp_path / "no_format.json", good[1])
    assert result.exit_code == 2
    assert result.stdout.splitlines() == [
        f"{good[0]}: good session: stems 2, groups 1, returns 0; 0.2 s at 48000 Hz",
        f"{good[1]}: good chain: limiter",
    ]
    kinds = ", ".join(f'"busproc-{kind}/1"' for kind in ("chain", "session", "album", "shootout", "hits"))
    known = f"busproc checks {kinds}"
    assert result.stderr.splitlines() == [
        f"error: {faulty}: 2 faults",
        "  stages[0].pan: must be a number from -1 to 1, not 2",
        f'  stages[1].stage: must be one of {", ".join(REGISTRY)}, not "eqq"; did you mean eq?',
        f"error: {strange}: 1 fault",
        f'  format: this is ["busproc-chain/1"]; {known}',
        f"error: {tmp_path / 'no_format.json'}: 1 fault",
        f"  format: missing; {known}",
    ]
    assert run("validate", *good).exit_code == 0


def test_validate_reads_a_session_that_begins_with_a_byte_order_mark(session):
    marked = session.with_name("marked.json")
    marked.write_bytes(b"\xef\xbb\xbf" + session.read_bytes())
    assert run("validate", marked).stdout.startswith(f"{marked}: good session: ")


def test_explain_prints_the_log_as_it_was_written(rendered):
    folder, _ = rendered
    result = run("explain", folder / "Test_Song.decisions.json")
    assert result.exit_code == 0
    assert result.stdout == (folder / "Test_Song.decisions.txt").read_text()


@pytest.mark.parametrize("text", ["{}", "[]", "x", '{"format": "busproc-chain/1"}', b"\xff", "[" * 100_000])
def test_explain_refuses_what_is_no_decision_log(tmp_path, text):
    file = tmp_path / "log.json"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    assert str(file) in refused(2, "explain", file)


def test_explain_refuses_a_decision_log_with_parts_missing(tmp_path):
    (tmp_path / "log.json").write_text('{"format": "busproc-decisions/1"}')
    assert "log.json" in refused(2, "explain", tmp_path / "log.json")


@pytest.mark.parametrize("kind", ["chain", "session"])
def test_schema_prints_json_and_nothing_else(kind):
    result = run("schema", kind)
    assert json.loads(result.stdout)["properties"]["format"]["const"] == f"busproc-{kind}/1"
    assert result.stderr == ""


def test_presets_are_listed_with_their_purpose_and_printed_as_they_are():
    listed = [line for line in run("presets").stdout.splitlines() if not line.startswith(" ")]
    assert [line.split()[0] for line in listed] == preset_names()
    for line in listed:
        name, _, purpose = line.partition(" ")
        chain = json.loads(run("presets", name).stdout)
        assert chain["purpose"] == purpose.strip() != ""


def test_stages_are_listed_and_shown_with_every_setting_range_and_unit():
    listed = run("stages").stdout.splitlines()
    assert [line.split()[0] for line in listed] == list(REGISTRY)
    page = run("stages", "compressor").stdout
    assert "  threshold_dbfs: -80 to 0 dBFS, default -18.0\n      Level where" in page
    assert "  detector: peak, rms, default rms\n" in page
    assert "  ratio: 1 to 1000 or infinity, default 2.0\n" in page
    settings = page.partition("Settings:")[2]
    assert settings.index("threshold_dbfs") < settings.index("  name:")


@pytest.mark.parametrize("tag", list(REGISTRY))
def test_the_page_of_a_stage_leaves_no_setting_out(tag):
    page = run("stages", tag).stdout
    for key in REGISTRY[tag].model_fields.keys() - {"stage"}:
        assert f"\n  {key}: " in page


def test_session_prints_json_and_says_beside_it_where_to_save_it(tmp_path, monkeypatch):
    (tmp_path / "stems").mkdir()
    sf.write(tmp_path / "stems" / "Flügelhorn.wav", np.zeros((480, 2)), 48000)
    monkeypatch.chdir(tmp_path)
    result = run("session", "--from", "stems", charset="latin-1")
    stem = json.loads(result.stdout_bytes.decode("utf-8"))["stems"][0]
    assert stem == {"name": "Flügelhorn", "file": "stems/Flügelhorn.wav"}
    assert result.stderr == f"save it in {tmp_path}, from where its paths lead\n"


def test_a_reader_that_stops_early_is_no_error():
    """As `busproc schema chain | head -1` does."""
    command = [sys.executable, "-m", "busproc", "schema", "chain"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        assert process.stderr.read() == b""


def test_demo_makes_a_song_once_and_keeps_what_the_user_changes(tmp_path, monkeypatch):
    """With short noise in place of its synthesised stems, which have tests of their own."""
    from busproc.demo import synth

    made = []

    def short_song(rate_hz):
        made.append(rate_hz)
        return {name: noise(0.1, seed, peak=0.02) for seed, name in enumerate(synth.PLAYERS)}

    monkeypatch.setattr(synth, "make_song", short_song)
    folder = tmp_path / "demo"
    result = run("demo", folder)
    assert result.exit_code == 0
    assert "compressor" in result.stdout
    assert f"run busproc demo {folder} again" in result.stdout
    (folder / "chains" / "mix_bus.json").write_text(
        '{"format": "busproc-chain/1", "stages": [{"stage": "width"}]}'
    )
    again = run("demo", folder)
    assert "compressor" not in again.stdout.partition("mix_bus")[2].partition("left alone")[0]
    assert "1. width" in again.stdout
    assert made == [48000]


def test_demo_refuses_a_folder_that_is_a_file(tmp_path):
    (tmp_path / "taken").write_text("mine")
    result = run("demo", tmp_path / "taken")
    assert result.exit_code in {1, 2}
    assert str(tmp_path / "taken") in result.stderr
    assert (tmp_path / "taken").read_text() == "mine"


def test_the_version_is_that_of_the_package():
    assert run("--version").stdout.startswith("busproc, version ")
