"""The command's shell: its verbs, and the one place where an error becomes a line and an exit code.

Exit codes: 0 done, 1 a required run failed, 2 bad input, 130 interrupted. A verb imports what it needs when it is
called, so that `testbed --help` answers at once.
"""

import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from testbed import __version__
from testbed.cli.bench import bench
from testbed.cli.check import check
from testbed.cli.node import node
from testbed.cli.note import note
from testbed.cli.recover import recover
from testbed.cli.rehearse import rehearse
from testbed.cli.report import report
from testbed.cli.schema import schema
from testbed.cli.void import void
from testbed.cli.warm import warm
from testbed.description.errors import ConfigurationError

BAD_INPUT = 2

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command(context_settings={"allow_extra_args": True, "ignore_unknown_options": True})(node)
app.command()(bench)
app.command()(check)
app.command()(note)
app.command()(recover)
app.command()(rehearse)
app.command()(report)
app.command()(schema)
app.command()(void)
app.command()(warm)


def show_version(wanted: bool) -> None:
    if wanted:
        print(f"testbed {__version__}")
        raise typer.Exit


@app.callback()
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=show_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """Rehearse, run and judge plans for small free-flying vehicles."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command with `arguments` (the process's own by default) and leave through SystemExit."""
    try:
        app(arguments, prog_name="testbed")
    except ConfigurationError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        sys.exit(BAD_INPUT)
    except ModuleNotFoundError as error:
        if error.name != "rclpy":
            raise
        print("rclpy is missing: install testbed[ros], or source an apt ROS 2 before this", file=sys.stderr)
        sys.exit(BAD_INPUT)
