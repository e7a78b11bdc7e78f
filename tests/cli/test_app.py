"""How the command ends: what it prints, and with which exit code."""

import subprocess
import sys
import time
from pathlib import Path

import pytest
import typer

import testbed
from testbed.cli import app as shell
from testbed.description.errors import ConfigurationError, Problem


@pytest.fixture
def verb(monkeypatch):
    """Register a function as a verb of a command that has the real command's error handling, and run it."""

    def run(function) -> int:
        app = typer.Typer(pretty_exceptions_enable=False)
        app.callback()(lambda: None)
        app.command("verb")(function)
        monkeypatch.setattr(shell, "app", app)
        with pytest.raises(SystemExit) as ended:
            shell.main(["verb"])
        return ended.value.code

    return run


def test_a_verb_that_returns_ends_with_0(verb):
    assert verb(lambda: None) == 0


@pytest.mark.parametrize("code", [0, 1, 2, 130])
def test_a_verb_chooses_its_exit_code(verb, code):
    def function() -> None:
        raise typer.Exit(code)

    assert verb(function) == code


def test_bad_input_is_one_line_for_each_problem_and_exit_code_2(verb, capsys):
    def function() -> None:
        raise ConfigurationError([Problem(Path("a.yaml"), line, "mass", -line, "more than 0 kg") for line in (3, 5)])

    assert verb(function) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.splitlines() == [
        "a.yaml:3: mass is -3, allowed: more than 0 kg",
        "a.yaml:5: mass is -5, allowed: more than 0 kg",
    ]


def test_ctrl_c_ends_with_130(verb):
    def function() -> None:
        raise KeyboardInterrupt

    assert verb(function) == 130


def test_missing_rclpy_is_one_line_that_says_what_to_install(verb, capsys):
    def function() -> None:
        raise ModuleNotFoundError("No module named 'rclpy'", name="rclpy")

    assert verb(function) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_programmer_s_error_keeps_its_traceback(monkeypatch):
    app = typer.Typer(pretty_exceptions_enable=False)

    @app.command()
    def broken() -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(shell, "app", app)
    with pytest.raises(ZeroDivisionError):
        shell.main([])


@pytest.mark.parametrize("arguments", [["fly"], ["node", "teapot"], ["--colour"]], ids=" ".join)
def test_what_the_command_does_not_know_ends_with_2(arguments, capsys):
    with pytest.raises(SystemExit) as ended:
        shell.main(arguments)
    assert ended.value.code == 2
    assert arguments[-1] in capsys.readouterr().err


def test_version_is_that_of_the_package(capsys):
    with pytest.raises(SystemExit) as ended:
        shell.main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"testbed {testbed.__version__}\n"


def test_every_verb_has_a_file_of_its_name_and_a_line_of_help():
    for command in shell.app.registered_commands:
        name = command.name or command.callback.__name__
        assert command.callback.__module__ == f"testbed.cli.{name}"
        assert command.callback.__doc__


def test_help_answers_within_half_a_second_and_loads_nothing_heavy():
    script = (
        "import sys\nfrom testbed.cli.app import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print(*{'numpy', 'numba', 'scipy', 'rclpy', 'matplotlib'} & set(sys.modules), file=sys.stderr)\n"
    )

    def seconds() -> float:
        start = time.perf_counter()
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        assert "Usage" in done.stdout
        assert done.stderr.strip() == ""
        return time.perf_counter() - start

    assert min(seconds() for _ in range(5)) < 0.5
