"""What goes wrong in a user's own class, named."""

from __future__ import annotations

import traceback
from collections.abc import Iterator
from contextlib import contextmanager


class OwnPartError(Exception):
    """A user's own class cannot be used or has failed; the text says which, why and in which line of its file."""


@contextmanager
def named(doing: str) -> Iterator[None]:
    """Turn whatever a user's class raises into an OwnPartError; `doing` says what it was asked for."""
    try:
        yield
    except OwnPartError:
        raise
    except Exception as error:
        raise OwnPartError(f"{doing}: {type(error).__name__}: {_text(error)}") from error


def _text(error: Exception) -> str:
    """First line of what an error says, and the innermost line of code that it came from."""
    said = (str(error).splitlines() or [""])[0]
    frames = traceback.extract_tb(error.__traceback__)
    return f"{said} ({frames[-1].filename}:{frames[-1].lineno})"
