"""A rehearsed shift: which units an invented operator puts into a simulated bench.

Each entry is one insertion. The devices of a unit are named by their place in the
list of devices, from 1, since two of them may carry the same ROM code.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from harness.simulation.settings.base import StrictSettings


class Insertion(StrEnum):
    """How the unit is handled."""

    RIGHTLY = "rightly"
    BOUNCING = "bouncing"
    WRONG_WAY_ROUND = "wrong-way-round"
    PULLED_EARLY = "pulled-early"
    TOO_SLOWLY_OUT = "too-slowly-out"


class FeedEntry(StrictSettings):
    """One insertion of one unit."""

    serial: str = Field(
        default="", max_length=100, description="what is scanned from its label"
    )
    devices: Annotated[tuple[Annotated[int, Field(ge=1)], ...], Field(strict=False)] = (
        Field(description="its devices: places in the list of devices, from 1")
    )
    how: Insertion = Field(
        default=Insertion.RIGHTLY,
        description="rightly; bouncing: contacts bounce; wrong-way-round: shorts the "
        "line, then is turned; pulled-early: taken out while tested; too-slowly-out: "
        "stays in long after its verdict",
    )
    pulled_after_s: float = Field(
        default=0.3,
        gt=0,
        le=3600,
        description="when pulled early: so long into the test",
    )
    again_unless_passed: bool = Field(
        default=False,
        description="put in once more, rightly, if it did not pass, as a person does "
        "whom the place tells that a retest is left",
    )
