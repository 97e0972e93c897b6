"""Every error that slotproof raises on purpose.

The class says whose fault it is, and the runner turns the class into a verdict
in one table, so that an adapter fault can never be booked against a device:

    SlotproofError
    |-- UsageError          our caller: plan, fixture, command line     (exit 2)
    |-- AdapterError        adapter, fixture or host could not tell     (exit 3)
    |   |-- HostError       the bench's computer: its disk is full
    |   |-- PortAbsent  PortAmbiguous  PortBusy  PortForbidden  PortUnsuitable
    |   |-- AdapterUnplugged
    |   |-- NoEcho  ShortEcho  ExtraEcho  EchoDamaged  WrongRate
    |   |-- EchoDoubtful    a failure that rests on doubtful echoes
    |   |-- LineNotReady    line low before the first reset
    |   |-- InstrumentFault an instrument of the bench does not do as it must
    |   |-- ReferenceUnfit  a reference of the bench cannot be compared with
    |   |-- CannotSwitch    no power or pull-up control on this fixture
    |   `-- CannotOverdrive adapter or line too slow for the second speed
    |-- LineError           the bus misbehaved                          (failed)
    |   |-- LineShorted  ResetDisturbed  SlotDisturbed
    `-- DeviceError         a device misbehaved                         (failed)
        |-- NobodyAnswers  DeviceAbsent  RomCodeInvalid
        |-- CheckValueWrong  AnswerImpossible  StillBusy  ReadingImplausible
        `-- ReadingSuspect      nothing contradicts it, nothing proves it

Example scenarios are in each class; ``hint`` is what a technician tries first.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar


class SlotproofError(Exception):
    """Base of all our errors.

    Args:
        what: what happened, one sentence.
        where: port, socket, ROM code or ``file:line:column``.
        hint: what to look at first.
        cause: where the fault sits, in a word of the diagnosis (``supply``,
            ``configuration``), where the code that raises it knows; else empty.
        facts: plain-JSON facts that a diagnosis can judge by, such as a status byte.

    Example:
        >>> import harness
        >>> try:
        ...     harness.load_fixture("fixtures/absent.yaml")
        ... except harness.SlotproofError as error:
        ...     print(error.where)
        fixtures/absent.yaml
    """

    kind: ClassVar[str] = "slotproof"
    """Short fixed word for reports (JUnit's ``type``)."""

    default_hint: ClassVar[str] = ""
    default_cause: ClassVar[str] = ""
    """Where such a fault usually sits, in words of the diagnosis."""

    def __init__(
        self,
        what: str,
        *,
        where: str = "",
        hint: str = "",
        cause: str = "",
        facts: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.hint = hint or self.default_hint
        self.cause = cause or self.default_cause
        self.facts: dict[str, Any] = dict(facts or {})

    def lines(self) -> list[str]:
        """Each thing that is wrong, as a line of its own."""
        return [str(self)]

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f" -> {self.hint}" if self.hint else ""
        return f"{place}{self.what}{advice}"

    def __reduce__(self) -> tuple[object, ...]:
        # keyword-only arguments need help to survive copy and pickle
        fields = {
            "where": self.where,
            "hint": self.hint,
            "cause": self.cause,
            "facts": self.facts,
        }
        return (_rebuild, (type(self), self.what, fields))


def _rebuild(
    kind: type[SlotproofError], what: str, fields: dict[str, Any]
) -> SlotproofError:
    return kind(what, **fields)


class UsageError(SlotproofError):
    """Plan, fixture or command line ask for something that cannot be.

    Example:
        >>> import harness
        >>> with harness.open_bench("fixtures/demo_bench.yaml") as bench:
        ...     probe = bench.enumerate_devices()[0]
        ...     try:
        ...         probe.read("temperatur")
        ...     except harness.UsageError as error:
        ...         print(error.what)
        a device of family 28h has no quantity 'temperatur'; did you mean 'temperature'?
    """

    kind = "usage"


class StepMissing(UsageError):
    """What a step depends on did not happen in this run, and it may not be made up for."""

    kind = "step-missing"
    default_hint = "run it together with the step that it depends on"


class AdapterError(SlotproofError):
    """Adapter, fixture or host could not tell; never a device's fault.

    Example:
        >>> import harness
        >>> fixture = harness.load_fixture("fixtures/demo_bench.yaml")
        >>> unplugged = fixture.adapter.model_copy(update={"port": "/dev/tty-absent"})
        >>> elsewhere = fixture.model_copy(update={"adapter": unplugged})
        >>> try:
        ...     with harness.open_bench(elsewhere):
        ...         pass
        ... except harness.AdapterError as error:
        ...     print(error.where)
        /dev/tty-absent
    """

    kind = "adapter"


class HostError(AdapterError):
    """The bench's computer cannot keep what it must: its disk is full, or fails."""

    kind = "host"
    default_cause = "host"
    default_hint = "make room on that disk; what was written before is kept"


class PortAbsent(AdapterError):
    """The port of the fixture does not exist on this machine."""

    kind = "port-absent"
    default_hint = "plug the adapter in and compare with `slotproof ports`"


class PortAmbiguous(AdapterError):
    """The port of the fixture names more than one adapter of this machine."""

    kind = "port-ambiguous"
    default_hint = "write a name into the fixture that one adapter has; `slotproof ports` lists them"


class PortBusy(AdapterError):
    """Another program holds the port."""

    kind = "port-busy"
    default_hint = "close the other program that uses the port (another run, a modem or braille service)"


class PortForbidden(AdapterError):
    """The user may not open the port."""

    kind = "port-forbidden"
    default_hint = "add the user to the group that owns the port (often dialout), then log in again"


class PortUnsuitable(AdapterError):
    """The path opens but is no serial port, or refuses the rate."""

    kind = "port-unsuitable"
    default_hint = "check the port's name in the fixture against `slotproof ports`"


class AdapterUnplugged(AdapterError):
    """The adapter went away while in use."""

    kind = "adapter-unplugged"
    default_hint = (
        "check USB cable, hub and power saving; the measurement in hand is invalid"
    )


class NoEcho(AdapterError):
    """Characters were sent and none came back."""

    kind = "no-echo"
    default_hint = (
        "check that RX listens to the bus line, that the bus has its pull-up supply, "
        "and that the line is not held low"
    )


class ShortEcho(AdapterError):
    """Fewer characters came back than were sent."""

    kind = "short-echo"
    default_hint = (
        "use shorter bursts (adapter.max_burst in the fixture) or another USB port; if "
        "slots also come back changed, look at slow edges first: characters merge"
    )


class ExtraEcho(AdapterError):
    """More characters came back than were sent."""

    kind = "extra-echo"
    default_hint = (
        "look for a device that was just plugged in or comes and goes, a second "
        "controller on the bus, a terminal echo, or noise"
    )


class EchoDamaged(AdapterError):
    """What is sent does not come back as it was sent, whatever the bus does."""

    kind = "echo-damaged"
    default_hint = (
        "set the port to 8 data bits, no parity, no flow control, no translation; try "
        "another adapter"
    )


class EchoDoubtful(AdapterError):
    """A failure that may be the adapter's or the line's; the echoes do not decide it."""

    kind = "echo-doubtful"
    default_hint = (
        "repeat with another adapter and USB port; if it stays, look for noise on the "
        "line"
    )


class WrongRate(AdapterError):
    """The adapter does not run at the rate it was asked for."""

    kind = "wrong-rate"
    default_hint = "set adapter.kind in the fixture, or use another adapter"


class LineNotReady(AdapterError):
    """The line was low before the first reset, or the loop-back is bad."""

    kind = "line-not-ready"
    default_hint = "measure the idle line: it must sit near the pull-up supply; look for a short or a missing pull-up"


class CannotSwitch(AdapterError):
    """The fixture has no means to switch what the plan asks for."""

    kind = "cannot-switch"
    default_hint = (
        "wire RTS or DTR as the README shows and name it under `power` in the fixture"
    )


class InstrumentFault(AdapterError):
    """An instrument of the bench does not answer, or does not do as it must."""

    kind = "instrument"
    default_cause = "instrument"
    default_hint = (
        "look at its mains, its leads and its display; `slotproof instruments` asks all"
    )


class ReferenceUnfit(AdapterError):
    """A reference of the bench cannot be compared with; no device is to blame."""

    kind = "reference"
    default_cause = "reference"
    default_hint = (
        "look at the reference in its socket, its certificate, and the bath or chamber"
    )


class CannotOverdrive(AdapterError):
    """Adapter or line are too slow for overdrive slots."""

    kind = "cannot-overdrive"
    default_hint = (
        "use an adapter that makes 750 kbaud or more (set adapter.kind in the fixture), "
        "a short line and a pull-up of 1 to 2.2 kohm"
    )


class LineError(SlotproofError):
    """The bus line did what it must not.

    Example:
        >>> import harness
        >>> def verdict(error: harness.SlotproofError) -> str:
        ...     blamed = (harness.LineError, harness.DeviceError)
        ...     return "failed" if isinstance(error, blamed) else "error"
        >>> verdict(harness.LineError("the line stays low"))
        'failed'
    """

    kind = "line"


class LineShorted(LineError):
    """The line stays low although neither host nor a known device pulls it."""

    kind = "line-shorted"
    default_hint = "halve the wiring until the line frees; check polarity of the last device put in"


class ResetDisturbed(LineError):
    """The reset pulse itself did not come back as it was sent."""

    kind = "reset-disturbed"
    default_hint = (
        "check the output stage towards the bus and look for a second controller"
    )


class SlotDisturbed(LineError):
    """A written slot did not come back as it was sent."""

    kind = "slot-disturbed"
    default_hint = "look for noise, a slow edge, or a device that answers out of turn"


class DeviceError(SlotproofError):
    """A device did what it must not, or nothing at all.

    Example:
        >>> import harness
        >>> error = harness.DeviceError("it does not answer", where="A1", hint="look")
        >>> print(error)
        A1: it does not answer -> look
    """

    kind = "device"


class NobodyAnswers(DeviceError):
    """No presence pulse after a reset."""

    kind = "no-presence"
    default_hint = (
        "check that a device is in the socket, its ground lead and its data lead"
    )


class DeviceAbsent(DeviceError):
    """A known device does not take part any more."""

    kind = "device-absent"
    default_hint = "reseat that device; check its own branch of the wiring"


class RomCodeInvalid(DeviceError):
    """A ROM code cannot be: wrong CRC, all zero, or two devices that collide."""

    kind = "rom-code"
    default_hint = "read again; if it stays, take devices off one by one to find the one that spoils it"


class CheckValueWrong(DeviceError):
    """A block's check value does not match."""

    kind = "check-value"
    default_cause = "noise or device"
    default_hint = "repeat; if it comes and goes look at edges and noise, if it stays look at the device"


class AnswerImpossible(DeviceError):
    """A block's check value is right and its content cannot be true."""

    kind = "answer-impossible"
    default_hint = "repeat after a reset; if it stays, look for a line held low, a slipped slot or a clone device"


class StillBusy(DeviceError):
    """A device did not finish in its published time."""

    kind = "still-busy"
    default_cause = "supply or device"
    default_hint = "check the supply of that device (3 wires or strong pull-up) and its conversion time"


class ReadingImplausible(DeviceError):
    """A reading looks right and must not be trusted, such as a power-on value."""

    kind = "reading-implausible"
    default_hint = "the device lost power or never converted: check its supply lead and the pull-up"


class ReadingSuspect(DeviceError):
    """A reading that nothing contradicts and nothing proves; held back and repeated."""

    kind = "reading-suspect"
    default_hint = (
        "check the supply of that device: values jump, or it cannot be seen when a "
        "bus-powered conversion ends; power it by the third wire"
    )
