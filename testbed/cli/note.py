"""`testbed note FOLDER TEXT --name NAME`: add a remark with its time to a results folder."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer


def note(
    folder: Annotated[Path, typer.Argument(help="Results folder.", show_default=False)],
    text: Annotated[str, typer.Argument(help="The remark.", show_default=False)],
    name: Annotated[str, typer.Option(help="Who makes it.", show_default=False)],
) -> None:
    """Add a remark to a results folder; the report shows it when it is made again."""
    from testbed.description.errors import ConfigurationError, Problem
    from testbed.record.notes import add_note
    from testbed.record.results import Results

    if not folder.is_dir():
        raise ConfigurationError([Problem(None, None, "FOLDER", str(folder), "a results folder")])
    for field, value in (("TEXT", text), ("--name", name)):
        if not value.strip():
            raise ConfigurationError([Problem(None, None, field, value, "something to read")])
    made = add_note(Results(folder).notes, text, name, datetime.now().astimezone())
    print(f"noted at {made.time}")
