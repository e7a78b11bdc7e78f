"""What turns gas into thrust."""

from __future__ import annotations

from typing import Final

STANDARD_GRAVITY: Final = 9.80665
"""m/s², by definition; turns a specific impulse in s into an exhaust speed."""
