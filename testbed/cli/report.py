"""`testbed report FOLDER`: make the report page and the summary again, from the recording alone."""

from pathlib import Path
from typing import Annotated

import typer


def report(
    folder: Annotated[Path, typer.Argument(help="Results folder, or the folder of a recording.", show_default=False)],
) -> None:
    """Make report.html and summary.json again from the recording, which is mended first where it was cut."""
    from testbed.report import make_report, summarise

    page = make_report(folder)
    summary = summarise(folder)
    print(f"{'passed' if summary['passed'] else 'not passed'}; report: {page}")
