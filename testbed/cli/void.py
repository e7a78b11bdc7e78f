"""`testbed void FOLDER RUN TRY`: declare a try void after the session; it stays in the report, and in the count."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer


def void(
    folder: Annotated[Path, typer.Argument(help="Results folder.", show_default=False)],
    run: Annotated[str, typer.Argument(help="Name of the run.", show_default=False)],
    attempt: Annotated[int, typer.Argument(metavar="TRY", min=1, help="Number of the try.", show_default=False)],
    reason: Annotated[str, typer.Option(help="Why it does not count.", show_default=False)],
    name: Annotated[str, typer.Option(help="Who declares it.", show_default=False)],
) -> None:
    """Declare a try void, with reason and name, and make the report again; nothing recorded is changed."""
    from testbed.description.errors import ConfigurationError, Problem
    from testbed.record.load import load
    from testbed.record.results import Results
    from testbed.record.voids import add_void
    from testbed.report import make_report, summarise
    from testbed.report.session import judge

    for field, value in (("--reason", reason), ("--name", name)):
        if not value.strip():
            raise ConfigurationError([Problem(None, None, field, value, "something to read")])
    results = Results(folder)
    tries = [(one.plan.name, made.attempt) for one in judge(load(results.recording)).runs for made in one.tries]
    if (run, attempt) not in tries:
        there = ", ".join(f"{name} {number}" for name, number in tries) or "none"
        raise ConfigurationError([Problem(str(folder), None, "RUN TRY", f"{run} {attempt}", f"a try made: {there}")])
    add_void(results.voids, run, attempt, reason, name, datetime.now().astimezone())
    summary, page = summarise(folder), make_report(folder)
    print(f"{run}, try {attempt} is void; session {'passed' if summary['passed'] else 'not passed'}; report: {page}")
