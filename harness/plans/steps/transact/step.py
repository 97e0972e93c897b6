"""The transact step: reset, selection, bytes of the plan, and an answer that is proved."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from harness.driver.bus import Bus
from harness.driver.session import Selection
from harness.errors import CheckValueWrong, StillBusy
from harness.families.common.answers import shown
from harness.families.harmless import only_asks, only_asks_all
from harness.families.hazard import Hazard
from harness.plans.execution.hazard_gate import require_on_device
from harness.plans.kinds.check_values import require_check_values
from harness.plans.schema.transact import Busy, Transact, bytes_of
from harness.plans.steps.attempts import attempt, judged
from harness.plans.steps.context import Context
from harness.plans.steps.second_look import UNPROVED
from harness.plans.steps.transact.answer import measured
from harness.records import Bound, CheckResult, DeviceRef, Measurement, Outcome
from harness.wire.romcode import RomCode

_BYTE_S = 0.001
_TRANSACTION_S = 0.02


def run_transact(context: Context, body: Transact) -> Iterator[CheckResult]:
    """One transaction, with each device meant or with all at once."""
    if body.select != "match":
        yield attempt(context, body, partial(_transact, context, body, None))
        return
    devices = context.targets(families=body.family)
    if not devices:
        yield CheckResult(
            outcome=Outcome.SKIPPED,
            kind="no-device",
            message="no device here is meant by this transaction",
        )
    for device in devices:
        yield attempt(context, body, partial(_transact, context, body, device), device)


def expected_s(body: Transact) -> float:
    """Rough time of one transaction."""
    traffic_s = _TRANSACTION_S + _BYTE_S * (len(bytes_of(body.write)) + body.read)
    waiting_s = (body.wait_ms + (body.busy.up_to_ms if body.busy else 0)) / 1000
    return (2 if body.twice else 1) * (traffic_s + waiting_s)


def _transact(
    context: Context, body: Transact, device: DeviceRef | None
) -> CheckResult:
    write = bytes_of(body.write)
    if device is not None:
        meant, asks = (
            [device],
            only_asks(context.kinds, device.family, write, body.read),
        )
    else:
        meant = context.known_devices()
        codes = [known.family for known in meant]
        opening = b"\xcc" if body.select == "skip" else b""
        asks = only_asks_all(context.kinds, codes, opening + write, body.read)
    require_on_device(
        frozenset() if asks else frozenset({Hazard.RAW_WRITE}),
        named=body.hazard,
        allowed=context.allowed,
        what=f"transact {body.write}".rstrip(),
    )
    try:
        return _judged(context, body, device)
    finally:
        for known in [] if asks else meant:
            context.forget_device(
                known.rom_code, f"{context.here} sent bytes of its own"
            )


def _judged(context: Context, body: Transact, device: DeviceRef | None) -> CheckResult:
    rom = RomCode.parse(device.rom_code) if device else None
    with context.at_speed(body, rom):
        answer, busy_ms = _once(context.bus, body, rom)
        if body.twice and (again := _once(context.bus, body, rom)[0]) != answer:
            raise CheckValueWrong(
                f"two answers differ: {shown(answer)}, then {shown(again)}",
                hint="without a check value: look at edges and noise, then repeat",
            )
        _require_check_values(context, body, answer)
    if device is not None and _may_be_nobody(body, answer):
        context.session(device).verify()
    values = list(measured(body, answer))
    if busy_ms is not None:
        values.append(
            Measurement(name="busy_time", value=busy_ms, unit="ms", bound=Bound.AT_MOST)
        )
    evidence: dict[str, object] = {
        "sent": bytes_of(body.write).hex(" ").upper(),
        "answer": answer.hex(" ").upper(),
    }
    if answer and not body.crc and not body.twice:
        evidence[UNPROVED] = "one answer, without a check value"
    return judged(*values, evidence=evidence)


def _require_check_values(context: Context, body: Transact, answer: bytes) -> None:
    """Check values; where several devices may have answered at once, that is said.

    Raises:
        CheckValueWrong, DeviceAbsent, UsageError: as ``require_check_values`` says.
    """
    try:
        require_check_values(body.crc, bytes_of(body.write), answer)
    except CheckValueWrong as fault:
        count = len(context.known_devices())
        if body.select == "match" or count < 2:
            raise
        raise CheckValueWrong(
            fault.what,
            where=fault.where,
            hint=f"{count} devices are on the bus: those that answer at once look the "
            f"same, for the line carries the AND of them (select: match asks one); "
            f"else {fault.hint}",
        ) from fault


def _may_be_nobody(body: Transact, answer: bytes) -> bool:
    """True of what silence or a low line may have made: ones, or zeros with CRC-8 00h."""
    ones = not body.crc and answer[-1:] == b"\xff"
    return bool(answer) and (ones or not any(answer))


def _once(bus: Bus, body: Transact, rom: RomCode | None) -> tuple[bytes, float | None]:
    """The answer, and how long the device was busy where it was asked."""
    write = bytes_of(body.write)
    if body.strong_pull_up:
        Selection(bus, rom).hold_strong_pull_up(write, body.wait_ms / 1000)
        return bus.read(body.read) if body.read else b"", None
    bus.require_presence()
    opening = b"" if body.select == "none" else bus.selection(rom)
    if not body.busy and not body.wait_ms:
        return bus.go_on(opening + write, body.read), None
    bus.go_on(opening + write, 0)
    busy_ms = None
    if body.busy:
        busy_ms = _poll(bus, body.busy, one_by_one=body.read > 0)
    else:
        bus.clock.sleep(body.wait_ms / 1000)
        bus.adapter.forgive_strays()
    return bus.read(body.read) if body.read else b"", busy_ms


def _poll(bus: Bus, busy: Busy, *, one_by_one: bool) -> float:
    """Ask until the device is done; milliseconds that it took at most.

    Args:
        bus: the bus, the device selected and at work.
        busy: which level means done, and how long it may take.
        one_by_one: True if what follows the first slot of that level is the answer.

    Raises:
        StillBusy: not done in that time.
    """
    began_s = bus.clock.now_s()
    slots = 1 if one_by_one else 8
    while True:
        level = bus.read_bits(slots)
        took_ms = round(1000 * (bus.clock.now_s() - began_s), 3)
        if busy.ready in level:
            return took_ms
        if took_ms > busy.up_to_ms:
            raise StillBusy(
                f"still busy after {took_ms:g} ms, allowed are {busy.up_to_ms:g} ms"
            )
