"""`testbed recover FOLDER`: mend a recording that was cut by a kill, a power failure or a full disk."""

from pathlib import Path
from typing import Annotated

import typer


def recover(
    folder: Annotated[Path, typer.Argument(help="Results folder, or the folder of a recording.", show_default=False)],
) -> None:
    """Mend a cut recording up to its last whole message; one that is complete is left alone."""
    from testbed.record.recover import recover as mend
    from testbed.record.results import Results

    recording = Results(folder).recording
    recovery = mend(recording)
    if not recovery.mended:
        print(f"{recording}: complete, {recovery.message_count} messages")
        return
    print(f"{recording}: mended, {recovery.message_count} messages kept")
    if recovery.torn_bytes:
        print(f"{recovery.torn_bytes} bytes of a torn message lie beside it in a .torn file")
