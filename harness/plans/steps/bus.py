"""Steps about the bus as a whole: reset, enumerate, verify."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from harness.driver.search import (
    Enumeration,
    enumerate_alarms,
    enumerate_devices,
    verify,
)
from harness.errors import DeviceAbsent, NobodyAnswers, ReferenceUnfit
from harness.families.family import ALARM_SEARCH
from harness.plans.execution.seating import line_to_write
from harness.plans.schema.bodies import Enumerate, Reset, Verify
from harness.plans.schema.fixture import Fixture
from harness.plans.steps.attempts import attempt, judged, vouched
from harness.plans.steps.context import Context
from harness.plans.steps.dependencies.configuring import make_up_settings
from harness.plans.steps.dependencies.converting import make_up_flags
from harness.plans.steps.enumeration_faults import (
    COMES_AND_GOES,
    codes_without_socket,
    count_fault,
    listed,
    missing_from,
)
from harness.plans.steps.second_look import ODD, not_again
from harness.records import (
    PLAN_AND_FIXTURE,
    CheckResult,
    DeviceRef,
    Measurement,
    Outcome,
)
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import Presence

_PRESENCE_HINTS = {
    Presence.ABSENT: NobodyAnswers.default_hint,
    Presence.LATE: "a device answers later than 60 us: look for a slow edge, low supply, or a bad device",
    Presence.LONG: "presence lasts longer than 300 us after release: look for a slow edge, a bad device, or a device that signals",
    Presence.UNCLEAR: "two lows after the reset: look for noise or a device just being plugged in",
    Presence.SEEN: "a device answers where none should: empty the sockets",
}


def run_reset(context: Context, body: Reset) -> Iterator[CheckResult]:
    """Reset pulses, counted by what answered."""
    yield attempt(context, body, lambda: _reset(context, body))


def _reset(context: Context, body: Reset) -> CheckResult:
    wanted = Presence.SEEN if body.presence == "required" else Presence.ABSENT
    readings = [context.bus.reset() for _ in range(body.times)]
    counts = Counter(reading.presence for reading in readings)
    echoes = Counter(f"{reading.echo:02X}" for reading in readings)
    value = Measurement(
        name="presence_seen" if wanted is Presence.SEEN else "silence_kept",
        value=counts[wanted],
        unit="resets",
        low=body.times,
        high=body.times,
    )
    evidence: dict[str, object] = {"presence": dict(counts), "echoes": dict(echoes)}
    result = judged(value, evidence=evidence)
    if counts[wanted] == body.times:
        if wanted is Presence.SEEN:
            _require_a_unit(context)
        return result
    seen = [reading.presence for reading in readings]
    return _with_wrong_presence(result, seen, wanted)


def _with_wrong_presence(
    result: CheckResult, seen: Sequence[Presence], wanted: Presence
) -> CheckResult:
    """The failure of a reset step, by what answered instead."""
    wrong = Counter(presence for presence in seen if presence is not wanted)
    number = next(n for n, presence in enumerate(seen, 1) if presence is not wanted)
    first = seen[number - 1]
    return replace(
        result,
        kind="no-presence" if first is Presence.ABSENT else f"presence-{first}",
        message=f"{wrong.total()} of {len(seen)} resets: presence {_in_words(wrong)}, "
        f"first at reset {number}",
        hint=_presence_hint(wrong, Counter(seen), wanted),
        evidence={**result.evidence, ODD: wrong.total()},
    )


def _in_words(counts: Counter[Presence]) -> str:
    """Each kind with its count, most frequent first; a single kind without."""
    if len(counts) == 1:
        return str(next(iter(counts)))
    return ", ".join(f"{presence} {count}" for presence, count in counts.most_common())


def _require_a_unit(context: Context) -> None:
    """Where a reference answers every reset, a search shows whether a unit is in.

    Raises:
        NobodyAnswers: the references alone answer.
    """
    if not context.fixture.references:
        return
    scan = enumerate_devices(context.bus, expected=context.fixture.expected_roms)
    if not (_of_units(context.fixture, scan).found or scan.dead_ends or scan.rejected):
        raise NobodyAnswers("only the reference of the bench answers, and no device")


def _presence_hint(
    wrong: Counter[Presence], counts: Counter[Presence], wanted: Presence
) -> str:
    """Advice for what came most often; what is only there at times comes and goes."""
    worst = wrong.most_common(1)[0][0]
    plain = worst in (Presence.ABSENT, Presence.SEEN)
    return COMES_AND_GOES if plain and counts[wanted] else _PRESENCE_HINTS[worst]


# -- enumerate -----------------------------------------------------------------


def run_enumerate(context: Context, body: Enumerate) -> Iterator[CheckResult]:
    """Search the bus; one result for the bus and one for each device found."""
    found: list[Enumeration] = []
    seen: set[str] = set()

    def check() -> CheckResult:
        found.clear()
        if body.alarm:  # alarm flags are set by a conversion, against limits
            for device in context.known_devices():
                make_up_settings(context, device, ALARM_SEARCH)
            make_up_flags(context, context.known_devices())
        search = context.search
        if body.alarm:
            roms = [RomCode.parse(d.rom_code) for d in context.known_devices()]
            search = partial(enumerate_alarms, context.bus, expected=roms)
        with context.at_speed(body):
            found.extend(search() for _ in range(body.scans))
        seen.update(str(rom) for scan in found for rom in scan.found)
        found[:] = [_of_units(context.fixture, scan) for scan in found]
        return _judge_enumeration(context, body, found)

    def again() -> CheckResult:
        before = list(found)
        result = check()
        passed = result.outcome is Outcome.PASSED
        if passed and before and _most_found(before) != _codes(found[-1]):
            # steady, and with other devices than before: one came or went for good
            return _judge_enumeration(context, body, [*before, *found])
        return result

    result = attempt(context, body, check, again=again)
    yield result
    if not found or body.alarm or result.outcome is Outcome.ERROR:
        return  # what was found by echoes that are in doubt is not counted as a device
    devices = context.take(found[-1], references=seen)
    yield from _missing_references(context.fixture, seen)
    for device in devices:
        prove = partial(_prove, context, body, device)
        yield attempt(context, body, prove, device)
    if body.match_sockets:
        in_doubt = result.outcome is Outcome.PASSED
        yield from _match_sockets(context, body, devices, in_doubt=in_doubt)


def _of_units(fixture: Fixture, scan: Enumeration) -> Enumeration:
    """A search without the references of the bench, which are no units."""
    kept = [rom for rom in scan.found if str(rom) not in fixture.references]
    return replace(scan, found=kept)


def _missing_references(fixture: Fixture, seen: set[str]) -> Iterator[CheckResult]:
    for code, socket in fixture.references.items():
        if code not in seen:
            yield CheckResult(
                outcome=Outcome.ERROR,
                kind=ReferenceUnfit.kind,
                message=f"the reference {code} of socket {socket.name} was not found",
                hint=DeviceAbsent.default_hint,
            )


def _codes(scan: Enumeration) -> frozenset[str]:
    return frozenset(map(str, scan.found))


def _most_found(scans: list[Enumeration]) -> frozenset[str]:
    """What most of the scans found."""
    return Counter(map(_codes, scans)).most_common(1)[0][0]


def _judge_enumeration(
    context: Context, body: Enumerate, scans: list[Enumeration]
) -> CheckResult:
    last = scans[-1]
    codes = {str(rom) for rom in last.found}
    sets = Counter(map(_codes, scans))
    rejected = sorted({str(rom) for scan in scans for rom in scan.rejected})
    values = _counts(body, len(codes), max(sets.values()))
    evidence: dict[str, object] = {
        "rom_codes": sorted(codes),
        "rejected": rejected,
        **_of_scans(scans),
    }
    # without a device in alarm a conditional search ends at the first bit: an answer
    problem = _unsound(rejected, last) if body.unique and not body.alarm else None
    if problem is None:
        result = judged(*values, evidence=evidence)
        fault = count_fault(context.fixture, body, list(map(_codes, scans)))
        if result.outcome is Outcome.PASSED or fault is None:
            return result
        return replace(result, kind=fault.kind, message=fault.message, hint=fault.hint)
    return CheckResult(
        outcome=Outcome.FAILED,
        kind="rom-code",
        message=problem[0],
        hint=problem[1],
        measurements=tuple(values),
        evidence=evidence,
    )


def _counts(body: Enumerate, found: int, equal: int) -> list[Measurement]:
    """Devices of the last scan, and how many scans found the same, if there were more."""
    values = [
        Measurement(
            name="devices",
            value=found,
            unit="devices",
            low=body.count if body.count is not None else body.at_least,
            high=body.count,
        ),
    ]
    if body.scans > 1:
        values.append(
            Measurement(name="equal_scans", value=equal, unit="scans", low=body.scans)
        )
    return values


def _of_scans(scans: list[Enumeration]) -> dict[str, object]:
    """How the searches went: passes, dead ends, and how often each device was found."""
    evidence: dict[str, object] = {
        "passes": sum(scan.passes for scan in scans),
        "disturbed_passes": sum(scan.disturbed_passes for scan in scans),
        "dead_ends": [end.position for scan in scans for end in scan.dead_ends][:100],
    }
    if len(scans) > 1:
        sets = Counter(map(_codes, scans))
        evidence[ODD] = len(scans) - max(sets.values())
        seen = Counter(str(rom) for scan in scans for rom in scan.found)
        evidence["found_in_scans"] = dict(seen)
    return evidence


def _unsound(rejected: list[str], scan: Enumeration) -> tuple[str, str] | None:
    if rejected:
        zero = "0000000000000000"
        if zero in rejected:
            return (
                f"a device answers with ROM code {zero}, which no device may have",
                "the line may be held low while searching, or the device was never given its code",
            )
        return (
            f"ROM codes that cannot be, CRC wrong: {', '.join(rejected)}",
            "repeat with one device at a time: a collision goes, a bad device stays",
        )
    if scan.dead_ends and not scan.found:
        end = scan.dead_ends[-1]
        return (
            f"presence, but the search ends dead at position {end.position}",
            "look for a device that only answers the reset, or for noise on the line",
        )
    return None


def _prove(context: Context, body: Enumerate, device: DeviceRef) -> CheckResult:
    """ROM code and family of a found device; a new one must pass a directed search."""
    family = context.kinds.family_of(device.family)
    evidence: dict[str, object] = {"family": family.name}
    if not context.fixture.socket_of(device.rom_code):
        rom = RomCode.parse(device.rom_code)
        with context.at_speed(body, rom):
            answers = verify(context.bus, rom)
        if not answers:
            raise DeviceAbsent(
                f"{device.rom_code} was found once and does not answer a directed search: a phantom",
                hint="look for noise or slow edges; scan again",
            )
        evidence["newcomer"] = True
    named = context.fixture.socket_of(device.rom_code)
    if body.families is not None and device.family not in body.families:
        allowed = ", ".join(f"{code:02X}h" for code in body.families)
        return CheckResult(
            outcome=Outcome.FAILED,
            kind="family",
            message=f"family {device.family:02X}h ({family.name}) is not one of {allowed}",
            hint=f"{PLAN_AND_FIXTURE}: the fixture expects this very device in its socket"
            if named
            else "take it out, or add its family to families in the plan",
            evidence=evidence,
        )
    proofs = ["CRC right"]
    if body.families is not None:
        proofs.append("family allowed")
    proofs.append(f"expected in {named}" if named else "answers a directed search")
    return judged(
        Measurement(
            name="rom_code", value=device.rom_code, criterion=", ".join(proofs)
        ),
        evidence=evidence,
    )


def _match_sockets(
    context: Context, body: Enumerate, found: list[DeviceRef], *, in_doubt: bool
) -> Iterator[CheckResult]:
    """What is not in its socket; the search is repeated if it was in doubt."""
    codes = [device.rom_code for device in found]
    amiss = [
        vouched(result, context) for result in _amiss_sockets(context.fixture, codes)
    ]
    if not amiss or not in_doubt:
        yield from amiss
        return
    with context.at_speed(body):
        codes = [str(rom) for rom in enumerate_devices(context.bus).found]
    again = set(map(_told_first, _amiss_sockets(context.fixture, codes)))
    for result in amiss:
        stands = result.outcome is Outcome.ERROR or _told_first(result) in again
        yield result if stands else not_again(result)


def _told_first(result: CheckResult) -> str:
    """Which socket lacks what, without what was found instead."""
    return result.message.partition(";")[0]


def _amiss_sockets(fixture: Fixture, codes: list[str]) -> Iterator[CheckResult]:
    left = codes_without_socket(fixture, codes)
    spare = Counter(RomCode.parse(code).family for code in left)
    for socket in missing_from(fixture, codes):
        yield _not_in_socket(fixture, socket.name, socket.expect.rom_code or "", codes)
    for socket in fixture.unit_sockets:
        family = socket.expect.family
        if socket.expect.rom_code or family is None:
            continue
        if not spare[family]:
            others = [c for c in left if RomCode.parse(c).family != family]
            yield _empty_socket(fixture, socket.name, family, others)
        spare[family] -= 1


def _empty_socket(
    fixture: Fixture, name: str, family: int, others: list[str]
) -> CheckResult:
    message = f"socket {name}: no device of family {family:02X}h is left for it"
    if not others:
        return CheckResult(
            outcome=Outcome.FAILED,
            kind="device-absent",
            message=message,
            hint=DeviceAbsent.default_hint,
        )
    return CheckResult(
        outcome=Outcome.FAILED,
        kind="device-absent",
        message=f"{message}; found and named by no socket: {listed(others, fixture)}",
        hint=f"a device of another family may sit there: check what is in {name}",
    )


def _not_in_socket(
    fixture: Fixture, name: str, rom_code: str, found: list[str]
) -> CheckResult:
    family = RomCode.parse(rom_code).family
    message, hint = (
        f"socket {name}: {rom_code} was not found",
        DeviceAbsent.default_hint,
    )
    if others := codes_without_socket(fixture, found, family):
        message += f"; found and named by no socket: {listed(others, fixture)}"
        hint = (
            f"another device of the same family may sit in {name}: put the right one "
            f"in, or write `rom_code: {others[0]}` there if it is that one"
        )
    return CheckResult(
        outcome=Outcome.FAILED,
        device=DeviceRef(rom_code=rom_code, family=family, socket=name),
        kind="device-absent",
        message=message,
        hint=hint,
    )


# -- verify --------------------------------------------------------------------


def run_verify(context: Context, body: Verify) -> Iterator[CheckResult]:
    """Prove the fixture's known ROM codes, one directed search each."""
    for socket in context.fixture.unit_sockets:
        if body.sockets != "all" and socket.name not in body.sockets:
            continue
        code = socket.expect.rom_code
        if code is None:
            tied = {name: rom for rom, name in context.seating.tied.items()}
            yield CheckResult(
                outcome=Outcome.SKIPPED,
                kind="no-rom-code",
                message=f"socket {socket.name} has no ROM code in the fixture",
                hint=f"write {line_to_write(socket, tied.get(socket.name, ''))}",
            )
            continue
        device = context.ref(RomCode.parse(code))
        yield attempt(context, body, partial(_verify, context, body, device), device)


def _verify(context: Context, body: Verify, device: DeviceRef) -> CheckResult:
    try:
        with context.at_speed(body, RomCode.parse(device.rom_code)):
            context.session(device).verify()
    except DeviceAbsent as absent:
        found = [known.rom_code for known in context.devices or ()]
        if others := codes_without_socket(context.fixture, found, device.family):
            absent.hint = (
                f"another device of the same family may sit in {device.socket}: "
                f"{listed(others, context.fixture)} is on the bus and named by no socket"
            )
        raise
    return judged(
        Measurement(
            name="rom_code",
            value=device.rom_code,
            criterion="answers a directed search",
        )
    )
