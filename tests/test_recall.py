"""A delivery made again: the same bytes, or the cause by name and the stage where the sound parts."""

from __future__ import annotations

import json
import shutil

import pytest
import soundfile as sf
from click.testing import CliRunner

from busproc import digests
from busproc.cli import main
from busproc.delivery.printing import print_session
from busproc.delivery.recall import in_words, recall
from busproc.errors import InputError, SettingsFileError
from tests.songs import noise, write_session
from tests.test_printing import song

DELIVER = [{}, {"bits": 16, "container": "flac"}, {"what": "stems"}, {"what": "versions"}]
LOG, MIX_BUS = "Test_Song.decisions.json", "recall/chains/02_mix_bus.json"


@pytest.fixture(scope="module")
def delivered(tmp_path_factory):
    """The folder of a session, and its delivery."""
    home = tmp_path_factory.mktemp("song")
    session = song(
        home / "song",
        deliver=DELIVER,
        versions=[{"name": "no voice", "without": ["voice"], "if_over": "limit"}],
    )
    return home / "song", print_session(session, home / "delivery").folder


@pytest.fixture
def copies(delivered, tmp_path):
    """The same, to be changed."""
    return [shutil.copytree(folder, tmp_path / folder.name) for folder in delivered]


def held(folder):
    return {file.relative_to(folder): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def changed(file, change):
    document = json.loads(file.read_text())
    change(document)
    file.write_text(json.dumps(document))


def test_every_file_comes_out_the_same(delivered, tmp_path):
    stems, delivery = delivered
    done = recall(delivery, stems, tmp_path / "again")
    assert held(tmp_path / "again") == held(delivery)
    assert in_words(done) == f"all {len(held(delivery))} files came out the same, byte for byte"
    assert done.is_same


def test_what_is_not_kept_leaves_nothing_behind(delivered, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    before = held(delivered[1])
    result = CliRunner().invoke(main, ["recall", str(delivered[1]), "--stems", str(delivered[0])])
    assert result.exit_code == 0
    assert result.stdout == f"all {len(before)} files came out the same, byte for byte\n"
    assert not list(tmp_path.iterdir())
    assert held(delivered[1]) == before


def test_the_recall_of_a_recall_is_the_same(delivered, tmp_path):
    """What was delivered out of recall/ has its chains under the names they have there."""
    stems, delivery = delivered
    shutil.copytree(delivery / "recall", tmp_path / "song")
    for file in stems.glob("*.wav"):
        shutil.copy(file, tmp_path / "song")
    print_session(tmp_path / "song" / "session.json", tmp_path / "delivery")
    assert recall(tmp_path / "delivery", tmp_path / "song").is_same


@pytest.mark.parametrize(
    ("stem", "begins"),
    [("voice", "returns.room.stages[0] eq"), ("horn", "mix_bus.stages[0] eq")],
)
def test_a_stem_changed_by_one_sample_is_named_with_the_first_stage_that_hears_it(copies, stem, begins):
    stems, delivery = copies
    sound, rate_hz = sf.read(stems / f"{stem}.wav")
    sound[100] = 0.99
    sf.write(stems / f"{stem}.wav", sound, rate_hz, "FLOAT")
    done = recall(delivery, stems)
    assert [each["name"] for each in done.inputs] == [stem]
    assert done.begins_at.startswith(f"{begins} (differs in ")
    assert (done.touched, done.settings, done.made_with) == ((), (), {})
    assert "Test_Song_mix_48k24.wav" in done.differing
    assert "versions/Test_Song_no_voice_48k24.wav" in done.differing
    assert "recall/session.json" not in done.differing
    assert f"input          {stem}: {stem}.wav has SHA-256 " in in_words(done)


def test_an_edited_chain_is_named_by_its_json_path(copies):
    stems, delivery = copies
    changed(delivery / MIX_BUS, lambda chain: chain["stages"][1].update(threshold_dbfs=-30))
    result = CliRunner().invoke(main, ["recall", str(delivery), "--stems", str(stems)])
    assert result.exit_code == 1
    rows = result.stdout.splitlines()
    assert rows[0].endswith("files did not come out the same")
    assert [row for row in rows[1:] if not row.startswith("differs")] == [
        f"changed since  {MIX_BUS} is not as it was delivered",
        "setting        mix_bus.stages[1] compressor.threshold_dbfs: -24 -> -30 dBFS",
        "begins at      mix_bus.stages[1] compressor (differs in after, did)",
    ]


def test_an_edited_session_is_named_by_its_json_path(copies):
    stems, delivery = copies
    changed(delivery / "recall" / "session.json", lambda session: session["stems"][3].update(pan=-0.5))
    done = recall(delivery, stems)
    assert [(each.path, each.before, each.after) for each in done.settings] == [("stems[3].pan", 0.0, -0.5)]
    assert done.touched == ("recall/session.json",)
    assert done.begins_at == "mix_bus.stages[0] eq (differs in before, after, did)"


def test_a_chain_that_a_bus_had_not_is_told(copies):
    stems, delivery = copies
    changed(
        delivery / "recall" / "session.json",
        lambda session: session["groups"][0].update(chain=session["returns"][0]["chain"]),
    )
    done = recall(delivery, stems)
    assert [(each.path, each.change) for each in done.settings] == [
        ("groups[0].chain", "changed"),
        ("groups.drums.stages[0]", "added"),
    ]
    assert done.begins_at == "groups.drums.stages[0] eq (it did not stand there both times)"


def test_a_file_that_was_lost_or_changed_since_is_told(copies):
    stems, delivery = copies
    (delivery / "Test_Song_mix_48k24.wav").unlink()
    (delivery / "Test_Song.decisions.txt").write_text("nothing was decided")
    done = recall(delivery, stems)
    assert set(done.differing) == {"Test_Song_mix_48k24.wav", "Test_Song.decisions.txt"} == set(done.touched)
    assert not done.begins_at


def test_another_version_of_a_library_is_named(delivered, monkeypatch):
    real = digests.version_of
    monkeypatch.setattr(digests, "version_of", lambda name: "0.1" if name == "soxr" else real(name))
    done = recall(delivered[1], delivered[0])
    assert done.made_with == {"soxr": [real("soxr"), "0.1"]}
    assert set(done.differing) == {LOG, "delivery.json"}
    assert f"made with      soxr: {real('soxr')} -> 0.1" in in_words(done)


def test_where_no_cause_is_known_that_is_said(copies):
    stems, delivery = copies
    changed(delivery / "delivery.json", lambda document: document.update(song="Another"))
    assert in_words(recall(delivery, stems)).splitlines() == [
        f"1 of {len(held(delivery))} files did not come out the same",
        "begins at      no stage: by the figures of the log, each did what it did",
        "differs        delivery.json",
        "no cause is known: files, inputs, settings and versions are the same; please report this",
    ]


def test_what_cannot_be_done_is_refused(copies, tmp_path):
    stems, delivery = copies
    with pytest.raises(InputError, match="is not a folder; give the one that held the session"):
        recall(delivery, stems / "kick.wav")
    with pytest.raises(InputError, match="exists; name a new folder"):
        recall(delivery, stems, delivery)
    (stems / "kick.wav").unlink()
    with pytest.raises(SettingsFileError, match=r"stems\[0\]\.file: .*kick\.wav does not exist"):
        recall(delivery, stems, tmp_path / "again")
    assert not (tmp_path / "again").exists()
    with pytest.raises(SettingsFileError, match=r"delivery\.json: 1 fault\n  no such file"):
        recall(stems, stems)


def test_stems_lead_out_of_their_folder_only_when_allowed(tmp_path):
    session = write_session(tmp_path / "sounds", {"a": noise(0.1, 1)})
    document = json.loads(session.read_text())
    document["stems"][0]["file"] = "../sounds/a.wav"
    (tmp_path / "song").mkdir()
    (tmp_path / "song" / "session.json").write_text(json.dumps(document))
    print_session(tmp_path / "song" / "session.json", tmp_path / "delivery", allow_outside=True)
    with pytest.raises(SettingsFileError, match=r"leads out of .*song; move the file inside"):
        recall(tmp_path / "delivery", tmp_path / "song")
    assert recall(tmp_path / "delivery", tmp_path / "song", allow_outside=True).is_same
