"""What all battery parts share: the sense resistor, the offset at no current, the account.

A part measures the voltage across a resistor; what that means in amperes only the
bench knows. ``sense_mohm`` is a setting that is remembered during the run and never
written to a device.

Common practice, no source: the mean of 32 readings at no current, two counts as its
limit, and two steps as the most by which readings of a sound converter differ. At
244 uV a count and 25 mohm an offset of 3 counts is 29 mA, or 0.70 Ah a day.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import fmean
from typing import Any

from harness.errors import UsageError
from harness.families.common.register_map import RegisterMap
from harness.families.common.values import number
from harness.families.family import (
    Answer,
    Check,
    Findings,
    Option,
    Options,
    Quantity,
    SafeQuantity,
    Session,
    Setting,
    by_name,
)
from harness.families.kind_facts import KindFacts, Trim, stated
from harness.records import Measurement, Scalar

SENSE = Setting(
    name="sense_mohm",
    unit="mohm",
    about="sense resistor; remembered for this run, nothing is written",
    governs=frozenset(
        {"current", "accumulated_charge", "charge_total", "discharge_total"}
        | {"current_offset", "charge_accumulation"}
    ),
)

OFFSET_READINGS = 32
MOST_MOVE = 2
"""Steps by which readings of a sound converter differ (common practice, no source)."""

SENSE_KEY = "sense_mohm"
"""Of the resistor in a session's memory; a fixture may have put it there."""

_QUICK_S = 0.2
"""A part that has a new current so often is worth a mean in an examination."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentSense:
    """How a part measures current.

    Attributes:
        read_counts: the current register, sign included.
        count_uv: sense voltage of one count.
        update_s: a new value comes so often.
        inner_mohm: resistor inside the part; None if there is only an outer one.
        trim: its offset register, or None.
    """

    read_counts: Callable[[Session], int]
    count_uv: float
    update_s: float
    inner_mohm: float | None = None
    trim: Trim | None = None

    def known_mohm(self, session: Session) -> float | None:
        """The resistor in force; None if the fixture does not give it."""
        known = session.memory.get(SENSE_KEY, self.inner_mohm)
        return None if known is None else float(known)

    def facts(self, session: Session) -> dict[str, Any]:
        """What a diagnosis must know to make amperes and a trim of counts."""
        return stated(
            KindFacts(
                count_uv=self.count_uv,
                sense_mohm=self.known_mohm(session),
                trim=self.trim,
            )
        )

    def sense_mohm(self, session: Session) -> float:
        """The resistor in force.

        Raises:
            UsageError: the fixture does not give it.
        """
        known = self.known_mohm(session)
        if known is None and session.seat_doubt:
            raise UsageError(
                f"no sense_mohm of the fixture applies here: {session.seat_doubt}",
                hint="or give it first: configure with settings: {sense_mohm: ...}",
            )
        if known is None:
            raise UsageError(
                "the sense resistor of this device is not known",
                hint="give it first: configure with settings: {sense_mohm: ...}",
            )
        return known

    def divisor(self, session: Session) -> float:
        """Makes A of the sense voltage in uV, and Ah of uVh; errors as ``sense_mohm``."""
        return 1000 * self.sense_mohm(session)

    def ampere(self, session: Session, counts: float) -> float:
        """Current of so many counts."""
        return counts * self.count_uv / self.divisor(session)


def remember_sense(session: Session, value: Scalar) -> None:
    """Take the resistor of the bench.

    Raises:
        UsageError: no resistance.
    """
    session.memory[SENSE_KEY] = number("sense_mohm", value, 0.001, 10_000)


def counts_quantity(sense: CurrentSense) -> Quantity:
    """The current register as it stands; needs no resistor."""

    def read(session: Session) -> Answer:
        return Answer(value=sense.read_counts(session), evidence=sense.facts(session))

    return Quantity(
        name="current_counts",
        unit="counts",
        read=read,
        about="current register as it stands, sign included",
    )


def counts_look(sense: CurrentSense) -> SafeQuantity:
    """A mean where new values come quickly, two readings where they do not."""
    times = OFFSET_READINGS if sense.update_s <= _QUICK_S else 2
    return SafeQuantity(quantity="current_counts", times=times, pause_s=sense.update_s)


# -- offset at no current --------------------------------------------------------


def mean_counts(
    session: Session, sense: CurrentSense, readings: int
) -> tuple[float, list[int]]:
    """Mean of readings, each from a new measurement of the device."""
    counts = []
    for _ in range(readings):
        counts.append(sense.read_counts(session))
        session.clock.sleep(sense.update_s)
    return fmean(counts), counts


def offset_values(
    session: Session, sense: CurrentSense, mean: float, most_counts: float
) -> tuple[Measurement, ...]:
    """Offset in counts, milliampere and what it costs the account in a day."""
    ampere = sense.ampere(session, mean)
    return (
        Measurement(
            name="offset", value=mean, unit="counts", low=-most_counts, high=most_counts
        ),
        Measurement(name="offset_current", value=ampere * 1000, unit="mA"),
        Measurement(name="account_error", value=ampere * 24, unit="Ah/day"),
    )


MOST_COUNTS = Option.number(
    "most_counts", "largest allowed offset, either way", default=2, low=0, high=100
)
READINGS = Option.whole(
    "readings",
    "how many readings are averaged",
    default=OFFSET_READINGS,
    low=1,
    high=1000,
)


_OFFSET_HINT = (
    "open the load first, sense wires at the resistor itself (Kelvin connection); then "
    "trim the offset (check offset_trim where the kind has it), else take it off readings"
)
_MOVES_HINT = (
    "readings move by more than two steps, which no trim takes away: short the sense inputs "
    "at the device; if they still move replace it"
)


def offset_check(sense: CurrentSense) -> Check:
    """Average the current while the bench makes sure that none flows."""

    def run(session: Session, options: Options) -> Findings:
        mean, counts = mean_counts(session, sense, options.whole("readings"))
        moves = max(counts) - min(counts) > MOST_MOVE
        return Findings(
            measurements=offset_values(
                session, sense, mean, options.number("most_counts")
            ),
            evidence=stated(KindFacts(counts=tuple(counts))) | sense.facts(session),
            cause="device" if moves else "configuration",
            hint=_MOVES_HINT if moves else _OFFSET_HINT,
        )

    return Check(
        name="current_offset",
        about="averages the current with the load open and the charger off",
        run=run,
        options=by_name(READINGS, MOST_COUNTS),
        expected_s=OFFSET_READINGS * (sense.update_s + 0.03),
    )


# -- account ---------------------------------------------------------------------


def charge_check(registers: RegisterMap) -> Check:
    """Compare what the account gained with current times time, sign included.

    Args:
        registers: has the rows ``current`` and ``accumulated_charge``.
    """
    read = registers.number

    def run(session: Session, options: Options) -> Findings:
        began_ah, began_s = read(session, "accumulated_charge"), session.clock.now_s()
        for_s, ampere = options.number("for_s"), [read(session, "current")]
        until_s = began_s + for_s
        while (left_s := until_s - session.clock.now_s()) > 0:
            session.clock.sleep(min(left_s, for_s / 10))
            ampere.append(read(session, "current"))
        gained_ah = read(session, "accumulated_charge") - began_ah
        took_s = session.clock.now_s() - began_s
        wanted_ah = fmean(ampere) * took_s / 3600
        step_ah = registers.row("accumulated_charge").on_bench(session).scale
        # either end of the account is cut to a whole step
        spare_ah = 2 * step_ah + abs(wanted_ah) * (
            options.number("tolerance_percent") / 100
        )
        return Findings(
            measurements=(
                Measurement(
                    name="charge_gained",
                    value=gained_ah * 1000,
                    unit="mAh",
                    low=(wanted_ah - spare_ah) * 1000,
                    high=(wanted_ah + spare_ah) * 1000,
                ),
                Measurement(name="mean_current", value=fmean(ampere), unit="A"),
                Measurement(name="duration", value=took_s, unit="s"),
            )
        )

    return Check(
        name="charge_accumulation",
        about="the account gains what current times time says",
        run=run,
        options=by_name(
            Option.number(
                "for_s",
                "how long; a steady current must flow",
                default=60,
                low=1,
                high=86_400,
            ),
            Option.number(
                "tolerance_percent",
                "of the expected gain, beside two steps of the account",
                default=5,
                low=0,
                high=100,
            ),
        ),
        expected_s=60,
    )
