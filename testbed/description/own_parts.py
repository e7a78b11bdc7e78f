"""Parts of a vehicle that are a user's own Python classes instead of ours."""

from __future__ import annotations

from typing import Final

from pydantic import Field

from testbed.description.model import Description

IMPORT_PATH: Final = r"^[A-Za-z_]\w*(\.[A-Za-z_]\w*)*:[A-Za-z_]\w*$"


class OwnParts(Description):
    """Import paths of a user's own classes; what each must have is said in testbed/flight/own/protocols.py."""

    guidance: str | None = Field(default=None, pattern=IMPORT_PATH, description="Class that guides, module:Class")
    estimator: str | None = Field(default=None, pattern=IMPORT_PATH, description="Class that estimates, module:Class")
