"""What RTS and DTR switch on a fixture: bus power and the strong pull-up.

The operating system raises both lines when a port is opened and drops both when
it is closed, so a strong pull-up may only hang on an unequal pair.

Source: common practice; Linux serial drivers raise and drop the lines together.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import product

from harness.errors import CannotSwitch


class Condition(StrEnum):
    """When a switch on the fixture is on."""

    RTS = "rts"
    DTR = "dtr"
    RTS_WITHOUT_DTR = "rts-without-dtr"
    DTR_WITHOUT_RTS = "dtr-without-rts"

    def holds(self, *, rts: bool, dtr: bool) -> bool:
        """True if the switch is on at these levels (True = asserted)."""
        return {
            Condition.RTS: rts,
            Condition.DTR: dtr,
            Condition.RTS_WITHOUT_DTR: rts and not dtr,
            Condition.DTR_WITHOUT_RTS: dtr and not rts,
        }[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class Switching:
    """The two switches of a fixture; None where there is none."""

    supply_on: Condition | None = None
    strong_pull_up_on: Condition | None = None

    def lines(self, *, supply: bool, strong_pull_up: bool) -> tuple[bool, bool]:
        """RTS and DTR for the wanted state of both switches.

        Raises:
            CannotSwitch: a wanted switch is not there, or no pair of levels makes it.
        """
        if strong_pull_up and self.strong_pull_up_on is None:
            raise CannotSwitch("this fixture has no strong pull-up to switch")
        if not supply and self.supply_on is None:
            raise CannotSwitch("this fixture has no supply to switch")
        for rts, dtr in product((True, False), repeat=2):
            if (
                self.supply_on is None
                or self.supply_on.holds(rts=rts, dtr=dtr) == supply
            ) and (
                self.strong_pull_up_on is None
                or self.strong_pull_up_on.holds(rts=rts, dtr=dtr) == strong_pull_up
            ):
                return rts, dtr
        raise CannotSwitch(
            f"no pair of RTS and DTR gives supply {'on' if supply else 'off'} with strong "
            f"pull-up {'on' if strong_pull_up else 'off'}"
        )
