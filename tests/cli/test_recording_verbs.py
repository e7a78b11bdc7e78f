"""The verbs that work on a results folder."""

import pytest

from testbed.cli.app import main
from testbed.record.recover import recording_file
from tests.record.test_recover import write_example


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return ended.value.code, printed.out, printed.err


def test_recover_leaves_a_complete_recording_alone(tmp_path, capsys):
    write_example(tmp_path / "recording")
    assert run(capsys, "recover", tmp_path) == (0, f"{tmp_path / 'recording'}: complete, 12 messages\n", "")


def test_recover_mends_a_cut_one_and_says_what_it_kept(tmp_path, capsys):
    data = write_example(tmp_path / "recording")
    recording_file(tmp_path / "recording").write_bytes(data[: data.rindex(b"\x05") - 40])
    code, out, _ = run(capsys, "recover", tmp_path / "recording")
    assert code == 0
    assert "mended, " in out
    assert "messages kept" in out


@pytest.mark.parametrize("verb", ["recover", "report"])
def test_a_folder_without_a_recording_is_bad_input(tmp_path, capsys, verb):
    code, _, error = run(capsys, verb, tmp_path)
    assert code == 2
    assert error.count("\n") == 1
    assert "number of .mcap files is 0, allowed: 1" in error


def test_note_appends_to_the_results_folder(tmp_path, capsys):
    assert run(capsys, "note", tmp_path, "The table was dusty.", "--name", "Mira")[0] == 0
    assert run(capsys, "note", tmp_path, "Cleaned.", "--name", "Jo")[0] == 0
    lines = (tmp_path / "notes.jsonl").read_text().splitlines()
    assert len(lines) == 2
    assert '"name": "Mira"' in lines[0]


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("nowhere", "text", "--name", "Mira"), "FOLDER is 'nowhere', allowed: a results folder"),
        ((".", " ", "--name", "Mira"), "TEXT is ' ', allowed: something to read"),
        ((".", "text", "--name", ""), "--name is '', allowed: something to read"),
    ],
)
def test_a_note_that_lacks_something_is_bad_input(capsys, arguments, problem):
    assert run(capsys, "note", *arguments) == (2, "", problem + "\n")
