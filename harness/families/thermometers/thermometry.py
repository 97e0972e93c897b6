"""What thermometers share: nine bytes with a CRC-8, conversion, supply, settings, alarm.

    44h convert   BEh read scratchpad   4Eh write TH, TL and configuration
    48h store     B8h recall            B4h ask for the supply

With its own supply a device shows busy (0) until it is done; a parasite-fed one must
not be asked, and the line idles for the longest published time instead.

Source: data sheets family 28h (part DS18B20) p. 3-12 and family 42h (part DS28EA00)
p. 7-12.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.errors import (
    AdapterError,
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    ReadingImplausible,
    StillBusy,
    UsageError,
)
from harness.families.common.answers import shown
from harness.families.common.conversion import conversion_counted
from harness.families.common.readings import accept_or_hold
from harness.families.family import (
    Answer,
    Broadcast,
    Session,
)
from harness.wire.crc import crc8

CONVERT, READ_SCRATCHPAD, WRITE_SCRATCHPAD = 0x44, 0xBE, 0x4E
COPY_SCRATCHPAD, RECALL, READ_SUPPLY = 0x48, 0xB8, 0xB4

CONVERSION_MS = {9: 93.75, 10: 187.5, 11: 375.0, 12: 750.0}
"""Longest conversion by resolution (data sheet family 28h, p. 8)."""

_POLL_ALLOWANCE_MS = 25.0
"""Round trip of the poll itself; only beyond it a device is called late."""

_LATE_MS, _LATENCY_TIMER_MS = 5.0, 17.0
"""What the host's scheduler may add (own choice, no source; parts need 0.8 of the time
published, so 19 ms are in hand at least), and what a latency timer does (16 ms, the usual
default of such adapters, from memory, and 1 ms of the bus)."""

_EARLY_LOOK_MS = 1.0
"""First look at a device that was done before half of the published time."""

_IDLE_POLLS = 4
"""Answers of a device that is done: they show the adapter's round trip of that moment."""

_COMMAND_MS = 12.0
"""Reset, selection and command: 1.4 ms, 88 slots of 87 us, two changes of the rate."""

_MEASUREMENTS = 3
"""Conversions timed at most until no answer is late by the adapter."""

_AGREE_K, _JUMP_K, _RATE_K_PER_S = 0.5, 1.0, 0.2
"""Two conversions in a row agree within 0.5 K (common practice, no source); what a probe in air may
change at once, and for each second since (our choice)."""


# -- the block -----------------------------------------------------------------------


def prove_nine(data: bytes) -> bytes:
    """Nine bytes whose check value is right and which a device drove.

    Raises:
        DeviceAbsent: all ones.
        AnswerImpossible: all zeros, whose check value is right.
        CheckValueWrong: the check value does not match.
    """
    if data == b"\xff" * 9:
        raise DeviceAbsent("no device drives the line: nine bytes of FFh were read")
    if not any(data):
        raise AnswerImpossible(
            "nine zero bytes: their check value is right, a thermometer's block never is so",
            hint="the line was low while reading: look for a short, moisture or a slow edge",
        )
    if crc8(data) != 0:
        raise CheckValueWrong(
            f"block {shown(data)}: check byte {data[8]:02X}h, computed {crc8(data[:8]):02X}h"
        )
    return data


def sixteenths(data: bytes, bits: int) -> float:
    """Temperature in degC of the first two bytes; bits below the resolution masked."""
    raw = int.from_bytes(data[:2], "little", signed=True)
    return (raw & -(1 << 12 - bits)) / 16


def signed(byte: int) -> int:
    """A byte as a whole number, two's complement."""
    return byte - 256 if byte & 0x80 else byte


# -- supply and conversion -----------------------------------------------------------


def is_parasite(session: Session) -> bool:
    """True if the device is fed from the data line; asked once a run."""
    if "parasite" not in session.memory:
        bit = session.transact_bits(bytes([READ_SUPPLY]), 1)[0]
        session.memory["parasite"] = bit == 0
    return bool(session.memory["parasite"])


def supply(session: Session) -> Answer:
    """External or parasite, asked again.

    Raises:
        DeviceAbsent: external is also what an open line reads, and the device does
            not answer a directed search.
    """
    session.memory.pop("parasite", None)
    if is_parasite(session):
        return Answer(value="parasite")
    session.verify()
    return Answer(value="external")


def convert(
    session: Session,
    longest_ms: float,
    *,
    first_look_ms: float | None = None,
    polls: Polls | None = None,
    patience_ms: float | None = None,
) -> float | None:
    """One conversion, waited for; the time it took in ms, None where it cannot be seen.

    Busy not seen means not heard, and the old value would pass for a new one, so the
    command is sent again.

    Args:
        session: the device.
        longest_ms: longest published conversion.
        first_look_ms: when to ask first; half of the longest by default.
        polls: gets the times of the command and of each answer, where given.
        patience_ms: wait so long before it is called busy for good, where a device may
            take longer than is published; the caller judges by the time that it took.

    Raises:
        DeviceAbsent: three commands and busy was never seen.
        StillBusy: not finished in the published time.
    """
    parasite = is_parasite(session)
    with conversion_counted(session):
        if parasite:
            session.hold_strong_pull_up(bytes([CONVERT]), longest_ms / 1e3)
            return None
        return _seen(session, longest_ms, first_look_ms, polls or Polls(), patience_ms)


def _seen(
    session: Session,
    longest_ms: float,
    first_look_ms: float | None,
    polls: Polls,
    patience_ms: float | None,
) -> float:
    """Convert with busy seen, and wait for the end; ms."""
    # Most parts need about 0.8 of the published time: look often from the half on.
    look_ms = longest_ms / 2 if first_look_ms is None else first_look_ms
    for _ in range(3):
        sent_s = session.clock.now_s()
        if session.transact_bits(bytes([CONVERT]), 1) == [0]:
            polls.command_ms = (session.clock.now_s() - sent_s) * 1e3
            return await_done(session, longest_ms, look_ms, polls, patience_ms)
    raise DeviceAbsent(
        "the device did not turn busy after three convert commands",
        hint="check the supply lead of this device; a reading now would be an old one",
    )


def await_done(
    session: Session | Broadcast,
    longest_ms: float,
    first_look_ms: float,
    polls: Polls | None = None,
    patience_ms: float | None = None,
) -> float:
    """Ask until a 1 comes back; the time that it took, ms.

    Args:
        session: the device, or all.
        longest_ms: longest published conversion.
        first_look_ms: when to ask first.
        polls: gets the times of each answer, where given.
        patience_ms: as ``convert`` has it.

    Raises:
        StillBusy: not finished in the published time, or in the patience.
    """
    started_s = session.clock.now_s()
    pause_s = longest_ms / 1e3 / 64
    session.clock.sleep(first_look_ms / 1e3)
    while True:
        # Judged by when the question was sent: its answer may be late by the adapter.
        asked_ms = (session.clock.now_s() - started_s) * 1e3
        done = any(session.read_bits(1))
        answered_ms = (session.clock.now_s() - started_s) * 1e3
        if polls is not None:
            polls.times_ms.append((asked_ms, answered_ms))
        if done:
            return answered_ms
        if is_late(asked_ms, patience_ms or longest_ms):
            raise StillBusy(
                f"still converting after {asked_ms:.0f} ms, published longest {longest_ms:g} ms"
            )
        session.clock.sleep(pause_s)


def is_late(asked_ms: float, longest_ms: float) -> bool:
    """True if a device that is busy when it is asked then is late, whatever a poll takes."""
    return asked_ms > longest_ms + _POLL_ALLOWANCE_MS


def convert_all(everybody: Broadcast, parasite: bool) -> Answer:
    """One conversion of all thermometers at once, for reads that follow.

    Args:
        everybody: the bus.
        parasite: True if any device may be fed from the data line; the line then
            idles for the longest time, since no device may be polled.

    Raises:
        DeviceAbsent: no device turned busy after three commands.
        StillBusy: a device did not finish in the published time.
    """
    longest_ms = max(CONVERSION_MS.values())
    if parasite:
        everybody.hold_strong_pull_up(bytes([CONVERT]), longest_ms / 1e3)
        return Answer(value=longest_ms)
    for _ in range(3):
        if everybody.transact_bits(bytes([CONVERT]), 1) == [0]:
            took_ms = await_done(everybody, longest_ms, longest_ms / 2)
            return Answer(value=round(took_ms, 3))
    raise DeviceAbsent(
        "no device turned busy after three convert commands",
        hint="check the devices' supply; readings now would be old ones",
    )


def seen_conversion(session: Session, longest_ms: float) -> Answer:
    """Time of a conversion that can be seen, ms, with what adapter and polls leave open.

    Raises:
        UsageError: the device is fed from the data line and cannot be asked.
        AdapterError: answers came late in three conversions, which would be taken for
            time of the device.
    """
    late_ms, look_ms = 0.0, None
    for _ in range(_MEASUREMENTS):
        polls = Polls()
        if convert(session, longest_ms, first_look_ms=look_ms, polls=polls) is None:
            raise UsageError(
                "a parasite-fed thermometer cannot be asked when its conversion ends",
                hint="measure conversion_time on a fixture that feeds the device's "
                "supply pin",
            )
        late_ms = polls.late_ms(_idle_ms(session), pause_ms=longest_ms / 64)
        if late_ms <= _LATE_MS and (len(polls.times_ms) > 1 or look_ms):
            doubt_ms = polls.doubt_ms
            return Answer(value=round(polls.done_ms, 3), uncertainty=round(doubt_ms, 3))
        if len(polls.times_ms) == 1:  # done before the first poll, at an unknown time
            look_ms = _EARLY_LOOK_MS
    raise AdapterError(
        f"answers came late, at last by {late_ms:.0f} ms, in {_MEASUREMENTS} conversions "
        "that were to be timed",
        hint="lower the adapter's latency timer, take other load off that USB hub",
    )


def _idle_ms(session: Session) -> list[float]:
    """Round trips of read slots that a device which is done answers with 1."""
    took_ms = []
    for _ in range(_IDLE_POLLS):
        asked_s = session.clock.now_s()
        session.read_bits(1)
        took_ms.append((session.clock.now_s() - asked_s) * 1e3)
    return took_ms


@dataclass
class Polls:
    """When a device was asked whether it is done, and when it answered.

    Attributes:
        command_ms: time of the command's exchanges.
        times_ms: of each poll, when it was sent and when its answer came; the last
            found the device done.
    """

    command_ms: float = 0.0
    times_ms: list[tuple[float, float]] = field(default_factory=list)
    _fastest_ms: float = field(default=0.0, init=False)
    _spread_ms: float = field(default=0.0, init=False)

    @property
    def busy_ms(self) -> float:
        """When the last question was sent that found it busy; 0 if none did."""
        return self.times_ms[-2][0] if len(self.times_ms) > 1 else 0.0

    @property
    def doubt_ms(self) -> float:
        """By how much ``done_ms`` may be off, either way, where ``late_ms`` is small.

        The device may have ended right behind the last poll that found it busy; and it
        began while the command's echo was held back, or the host was late to ask.
        """
        asked_ms = [0.0, *(asked for asked, _ in self.times_ms)]
        return max(
            asked_ms[-1] - asked_ms[-2] + self._fastest_ms, self._spread_ms + _LATE_MS
        )

    @property
    def done_ms(self) -> float:
        """Time of the conversion, without what made the last answer late."""
        return self.times_ms[-1][0] + self._fastest_ms

    def late_ms(self, idle_ms: list[float], *, pause_ms: float) -> float:
        """By how much host or adapter may have falsified the time.

        The end lies between the last poll that found the device busy and the answer
        of the one that found it done; the beginning within the command's exchanges.

        Args:
            idle_ms: round trips of this moment.
            pause_ms: between polls.
        """
        trips_ms = [answered - asked for asked, answered in self.times_ms]
        fastest_ms = self._fastest_ms = min(trips_ms + idle_ms)
        # an adapter that holds replies for its latency timer may return a few at once:
        # how long it held those says nothing of the next
        slowest_ms = max(idle_ms)
        holds = slowest_ms > _LATE_MS
        spread_ms = _LATENCY_TIMER_MS if holds else slowest_ms - fastest_ms
        self._spread_ms = spread_ms
        usual_ms = fastest_ms + spread_ms
        last_ms = [asked for asked, _ in self.times_ms[-2:]]
        return max(
            self.command_ms - 2 * fastest_ms - spread_ms - _COMMAND_MS,
            last_ms[-1] - last_ms[0] - usual_ms - pause_ms,
            trips_ms[-1] - usual_ms,
            0.0,
        )


def accept_temperature(session: Session, value: float) -> None:
    """Let a temperature pass, or hold it back until the next one agrees with it.

    Raises:
        ReadingSuspect: held back; see ``readings.accept_or_hold``.
    """
    accept_or_hold(
        session,
        value,
        agree=_AGREE_K,
        jump=_JUMP_K,
        rate_per_s=_RATE_K_PER_S,
        unproved=bool(session.memory.get("parasite")),
    )


def require_settings_kept(before: bytes, after: bytes) -> None:
    """Settings as before the conversion: a restart reloads the stored ones.

    Raises:
        ReadingImplausible: they went back, so the device restarted meanwhile.
    """
    if after != before:
        raise ReadingImplausible(
            f"settings were {shown(before)} before the conversion and are "
            f"{shown(after)} after it: the device restarted meanwhile"
        )
