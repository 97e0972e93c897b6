"""Battery gauges: what flows through the sense resistor, and the account of it.

Charging counts up. The account can be set.

Sources: data sheets of families 30h (parts DS2760 p. 7 and 11, DS2761 p. 8, 11-12 and
22-23, DS2762 p. 5 and 12), 2Eh (DS2770 p. 11-15), 36h (DS2740 p. 6).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from harness.errors import AnswerImpossible, UsageError
from harness.families.batteries.gauge.registers import WRITE, decode
from harness.families.batteries.sense_resistor import (
    SENSE,
    CurrentSense,
    Trim,
    charge_check,
    counts_quantity,
    offset_check,
    remember_sense,
)
from harness.families.common.register_map import Field
from harness.families.common.values import number
from harness.families.family import (
    Answer,
    Check,
    Hazard,
    Quantity,
    Session,
    Setting,
)
from harness.records import Scalar

CURRENT_AT, ACCOUNT_AT = 0x0E, 0x10

ACCOUNT_UVH = 6.25
"""Sense voltage times hours of one step of the account."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """What differs from part to part.

    Attributes:
        count_uv: sense voltage of one count of the current register.
        shift: unused bits below the current.
        update_s: a new current comes so often.
        inner_mohm: sense resistor inside the part, or None.
        trim: its offset register, or None.
    """

    count_uv: float
    shift: int
    update_s: float
    inner_mohm: float | None
    trim: Trim | None = None

    @property
    def sense(self) -> CurrentSense:
        """How it measures current."""
        field = Field(
            name="current",
            offset=CURRENT_AT,
            count=2,
            shift=self.shift,
            signed=True,
            order="big",
        )
        return CurrentSense(
            read_counts=lambda session: int(decode(session, field)),
            count_uv=self.count_uv,
            update_s=self.update_s,
            inner_mohm=self.inner_mohm,
            trim=self.trim,
        )

    def account_step_ah(self, session: Session) -> float:
        """One step of the account."""
        return ACCOUNT_UVH / 1000 / self.sense.sense_mohm(session)


_ACCOUNT = Field(name="account", offset=ACCOUNT_AT, count=2, signed=True, order="big")


# -- readings and checks -----------------------------------------------------------


def _current(gauge: Gauge, session: Session) -> Answer:
    counts = gauge.sense.read_counts(session)
    return Answer(
        value=gauge.sense.ampere(session, counts),
        evidence={"counts": counts, "sense_mohm": gauge.sense.sense_mohm(session)},
    )


def _charge(gauge: Gauge, session: Session) -> Answer:
    steps = int(decode(session, _ACCOUNT))
    return Answer(
        value=steps * gauge.account_step_ah(session),
        evidence={"steps": steps, "sense_mohm": gauge.sense.sense_mohm(session)},
    )


def gauge_quantities(gauge: Gauge) -> tuple[Quantity, ...]:
    """Current and accumulated charge; charging counts up."""
    return (
        counts_quantity(gauge.sense),
        Quantity(
            name="current",
            unit="A",
            read=partial(_current, gauge),
            about="into the cell if positive; needs sense_mohm where it is outside",
        ),
        Quantity(
            name="accumulated_charge",
            unit="Ah",
            read=partial(_charge, gauge),
            about="what went in less what went out",
        ),
    )


def gauge_checks(gauge: Gauge) -> tuple[Check, Check]:
    """Offset at no current, and the account against current times time."""
    return (
        offset_check(gauge.sense),
        charge_check(
            lambda session: float(_current(gauge, session).value),
            lambda session: float(_charge(gauge, session).value),
            gauge.account_step_ah,
        ),
    )


# -- settings ----------------------------------------------------------------------

GAUGE_SETTINGS = (
    SENSE,
    Setting(
        name="accumulated_charge",
        unit="Ah",
        about="what the account goes on from; rounded to its steps",
        hazards=frozenset({Hazard.CALIBRATION}),
    ),
)


def gauge_configure(
    gauge: Gauge,
) -> Callable[[Session, Mapping[str, Scalar], bool], Answer]:
    """A family's ``configure`` where there is nothing but ``GAUGE_SETTINGS``."""

    def configure(
        session: Session, settings: Mapping[str, Scalar], store: bool
    ) -> Answer:
        if store:
            raise UsageError(
                "these settings have no place in EEPROM", hint="leave store out"
            )
        evidence = configure_gauge(gauge, session, settings)
        return Answer(value=", ".join(settings), evidence=evidence)

    return configure


def configure_gauge(
    gauge: Gauge, session: Session, settings: Mapping[str, Scalar]
) -> dict[str, object]:
    """Take the settings of ``GAUGE_SETTINGS``; evidence of what was written.

    Raises:
        UsageError: a value out of range.
        AnswerImpossible: the account does not read back.
    """
    evidence: dict[str, object] = {}
    if "sense_mohm" in settings:
        remember_sense(session, settings["sense_mohm"])
        evidence["sense_mohm"] = gauge.sense.sense_mohm(session)
    if "accumulated_charge" in settings:
        step_ah = gauge.account_step_ah(session)
        wanted = settings["accumulated_charge"]
        most_ah = 0x7FFF * step_ah
        wanted_ah = number("accumulated_charge", wanted, -most_ah, most_ah)
        steps = round(wanted_ah / step_ah)
        _write_account(session, steps)
        evidence["account_steps"] = steps
    return evidence


def _write_account(session: Session, steps: int) -> None:
    """Write the account; a running current may move it on at once."""
    data = steps.to_bytes(2, "big", signed=True)
    session.transact(bytes([WRITE, ACCOUNT_AT]) + data)
    got = int(decode(session, _ACCOUNT))
    if abs(got - steps) > 1:
        raise AnswerImpossible(
            f"the account reads {got} steps after writing {steps}",
            hint="the device did not take it: look at noise, then repeat",
        )
