"""Probes of the devices: power query, repeated reads, conversions, alarm search.

Nothing is stored in any device; the alarm bytes of thermometers are used as a marker
in their volatile scratchpad and put back at the end.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from harness.diagnosis.evidence.bus import (
    Blocks,
    Conversion,
    DeviceFacts,
)
from harness.diagnosis.probes.searches import count_verified
from harness.diagnosis.probes.thermometer_blocks import (
    proved,
    read_again_and_again,
    read_raw,
)
from harness.diagnosis.signs.devices import OPEN, SEEN_BUSY_MS
from harness.driver.bus import Bus
from harness.driver.search import (
    enumerate_alarms,
)
from harness.driver.session import Selection
from harness.errors import (
    AdapterUnplugged,
    SlotproofError,
)
from harness.families.thermometers.own_constants import (
    behave_as_sheet,
    constants_in,
)
from harness.families.thermometers.thermometer import (
    CONVERT,
    READ_SUPPLY,
    WRITE_SCRATCHPAD,
    ThermometerScratchpad,
)
from harness.wire.romcode import RomCode

THERMOMETERS = frozenset({0x10, 0x22, 0x28})
_SUPPLY_QUERIES = 3
_LONGEST_S = 0.76
_POLL_S = 0.008
_MARK = 0x5A
"""Turned into both alarm bytes: no value stays what it was."""


# -- devices ----------------------------------------------------------------------


@dataclass
class ThermometerProbe:
    """One thermometer under examination.

    Attributes:
        rom: its ROM code.
        settings: alarm bytes and configuration as found, or empty.
        marker: the bytes written in their place, or empty.
        openings: how often the port was opened with the marker in place.
        lost_at_openings: how often it was gone after that.
        idle_looks: how often it was looked for after a pause without any work.
        idle_losses: how often it was gone then.
    """

    rom: RomCode
    settings: bytes = b""
    marker: bytes = b""
    supply_answers: list[int] = field(default_factory=list)
    conversions: list[Conversion] = field(default_factory=list)
    settings_kept: bool | None = None
    openings: int = 0
    lost_at_openings: int = 0
    idle_looks: int = 0
    idle_losses: int = 0
    block: ThermometerScratchpad | None = None

    @property
    def on_parasite(self) -> bool:
        """True if any answer said so: then nobody may be asked while it converts."""
        return 0 in self.supply_answers


class DeviceProbes:
    """Examines devices one by one, and all together.

    Args:
        bus: the bus, slots fitted.
        spares_others: address each thermometer to convert, since a device is on the bus
            that a convert command to all would make measure and count.
    """

    def __init__(self, bus: Bus, *, spares_others: bool = False) -> None:
        self._bus = bus
        self._spares_others = spares_others
        self.thermometers: dict[str, ThermometerProbe] = {}

    def examine(
        self, rom: RomCode, *, verifies: int, reads: int, socket: str
    ) -> DeviceFacts:
        """Directed searches, and for thermometers power query and repeated reads."""
        searched = count_verified(self._bus, rom, verifies)
        facts = DeviceFacts(
            rom_code=str(rom),
            family=rom.family,
            socket=socket,
            verified=searched.answered,
            verifies=verifies,
            verify_troubles=dict(searched.troubles),
            lows_missed=searched.lows_missed,
            zeros_lifted=searched.zeros_lifted,
        )
        if rom.family not in THERMOMETERS:
            return facts
        thermometer = ThermometerProbe(rom)
        self.thermometers[str(rom)] = thermometer
        thermometer.supply_answers = self._ask_supply(rom)
        blocks = read_again_and_again(self._bus, rom, reads)
        thermometer.block = proved(bytes.fromhex(blocks.usual), rom.family)
        return replace(facts, blocks=blocks)

    def _ask_supply(self, rom: RomCode) -> list[int]:
        answers = []
        for _ in range(_SUPPLY_QUERIES):
            with forgiving(self._bus):
                answers += self._bus.transact_bits(rom, bytes([READ_SUPPLY]), 1)
        return answers

    # -- marker -----------------------------------------------------------------

    def mark(self) -> None:
        """Write a marker into the volatile alarm bytes of each thermometer."""
        for thermometer in self.thermometers.values():
            if thermometer.block is not None:
                size = 3 if thermometer.block.has_config else 2
                thermometer.settings = thermometer.block.data[2 : 2 + size]
                high, low = (
                    thermometer.settings[0] ^ _MARK,
                    thermometer.settings[1] ^ _MARK,
                )
                thermometer.marker = bytes([high, low]) + thermometer.settings[2:]
                self._write(thermometer, thermometer.marker)

    def _write(self, thermometer: ThermometerProbe, settings: bytes) -> None:
        with forgiving(self._bus):
            self._bus.transact(thermometer.rom, bytes([WRITE_SCRATCHPAD]) + settings)

    def look_for_marker(self) -> None:
        """Whether settings stayed where they were while nothing converted."""
        for thermometer in self.thermometers.values():
            if thermometer.marker:
                block = self._read_twice(thermometer)
                if block is None:
                    continue
                kept = block.data[2:4] == thermometer.marker[:2]
                thermometer.settings_kept = (
                    kept and thermometer.settings_kept is not False
                )
                if not kept:
                    self._write(thermometer, thermometer.marker)

    def look_after_opening(self) -> bool:
        """Whether the marker outlived that the port was opened again; True if anywhere not."""
        lost = False
        for thermometer in self.thermometers.values():
            if not thermometer.marker or thermometer.settings_kept is False:
                continue
            block = self._read_twice(thermometer)
            if block is None:
                continue
            thermometer.openings += 1
            if block.data[2:4] != thermometer.marker[:2]:
                thermometer.lost_at_openings += 1
                self._write(thermometer, thermometer.marker)
                lost = True
        return lost

    def restarted(self) -> bool:
        """True if the marker of any went while it converted."""
        return any(
            c.marker_kept is False
            for p in self.thermometers.values()
            for c in p.conversions
        )

    def look_while_idle(self, times: int) -> None:
        """The marker of each after pauses as long as a conversion, with nothing to do."""
        for _ in range(times):
            self._bus.clock.sleep(_LONGEST_S)
            for thermometer in self.thermometers.values():
                block = self._read_twice(thermometer) if thermometer.marker else None
                if block is None:
                    continue
                thermometer.idle_looks += 1
                if block.data[2:4] != thermometer.marker[:2]:
                    thermometer.idle_losses += 1
                    self._write(thermometer, thermometer.marker)

    def restore(self) -> None:
        """Put the alarm bytes back."""
        for thermometer in self.thermometers.values():
            if thermometer.marker:
                self._write(thermometer, thermometer.settings)
                thermometer.marker = b""

    def read_again(self, times: int) -> dict[str, Blocks]:
        """Each thermometer's block again and again, by ROM code."""
        return {
            code: read_again_and_again(self._bus, thermometer.rom, times)
            for code, thermometer in self.thermometers.items()
        }

    def _read_twice(
        self, thermometer: ThermometerProbe
    ) -> ThermometerScratchpad | None:
        for _ in range(2):
            data, _ = read_raw(self._bus, thermometer.rom)
            block = proved(data, thermometer.rom.family)
            if block is not None:
                return block
        return None

    # -- conversions --------------------------------------------------------------

    def convert_alone(
        self, thermometer: ThermometerProbe, *, watch: bool = False
    ) -> None:
        """One conversion of one thermometer, watched where that can be.

        Args:
            thermometer: which.
            watch: ask even one that says it is fed from the data line; some clones
                say so and are not.
        """
        heard = took_ms = None
        trouble = ""
        try:
            if thermometer.on_parasite and not watch:
                self._feed(thermometer.rom)
            else:
                command = bytes([CONVERT])
                heard = self._bus.transact_bits(thermometer.rom, command, 1) == [0]
                took_ms = self._watch() if heard else None
                if watch and not heard:
                    # one that does live on the line converts without a sign of it
                    self._bus.clock.sleep(_LONGEST_S)
        except AdapterUnplugged:
            raise
        except SlotproofError as fault:
            trouble = fault.kind
            self._bus.adapter.settle()
        self._note(
            thermometer, alone=True, heard=heard, took_ms=took_ms, trouble=trouble
        )

    def convert_apart(
        self, thermometer: ThermometerProbe, *, times: int, declared: bool
    ) -> None:
        """Conversions of one thermometer, as its answer to the power query lets them be seen.

        Of one that reports bus power and was not declared so, the first is watched: one
        that pulls the line for busy has a supply, and is not fed by the line for one more.

        Args:
            thermometer: which.
            times: conversions of one with a supply of its own.
            declared: True if the fixture declares that the line feeds it.
        """
        if not thermometer.on_parasite:
            for _ in range(times):
                self.convert_alone(thermometer)
            return
        if not declared:
            # of what pulls for busy two in a row are missed once in 400 (5 % each)
            for _ in range(2):
                self.convert_alone(thermometer, watch=True)
        busy = (c.took_ms or 0.0 for c in thermometer.conversions)
        if declared or not any(took_ms > SEEN_BUSY_MS for took_ms in busy):
            self.convert_alone(thermometer)

    def _feed(self, rom: RomCode | None) -> None:
        """One conversion of a device, or of all, by what the line itself gives."""
        selection = Selection(self._bus, rom)
        selection.hold_strong_pull_up(bytes([CONVERT]), _LONGEST_S)

    def _watch(self) -> float | None:
        clock = self._bus.clock
        started_s = clock.now_s()
        while clock.now_s() - started_s < 2 * _LONGEST_S:
            if any(self._bus.read_bits(1)):
                return round((clock.now_s() - started_s) * 1e3, 3)
            clock.sleep(_POLL_S)
        return None

    def ask_until_heard(self, thermometer: ThermometerProbe, times: int) -> None:
        """More convert commands to one that heard none so far, until it hears one."""
        while thermometer.block is not None and not thermometer.on_parasite:
            asked = [c for c in thermometer.conversions if c.heard is not None]
            if not asked or len(asked) >= times or any(c.heard for c in asked):
                return
            self.convert_alone(thermometer)
            if thermometer.conversions[-1].heard is None:
                return

    def convert_together(self) -> None:
        """One conversion of all, then every reading.

        Where nothing is fed from the line each is addressed, some 10 ms after the one
        before, and shows at once whether it heard: a command to all at once hides the one
        that did not.
        """
        everybody = list(self.thermometers.values())
        started: list[tuple[bool | None, str]]
        if any(p.on_parasite for p in everybody):
            started = [(None, self._feed_together(everybody))] * len(everybody)
        else:
            started = [self._start(p.rom) for p in everybody]
            self._bus.clock.sleep(_LONGEST_S)
        for thermometer, (heard, trouble) in zip(everybody, started, strict=True):
            self._note(
                thermometer, alone=False, heard=heard, took_ms=None, trouble=trouble
            )

    def _start(self, rom: RomCode) -> tuple[bool | None, str]:
        """Whether busy was seen after the command to one of them, and what went wrong."""
        try:
            return self._bus.transact_bits(rom, bytes([CONVERT]), 1) == [0], ""
        except AdapterUnplugged:
            raise
        except SlotproofError as fault:
            self._bus.adapter.settle()
            return None, fault.kind

    def _feed_together(self, everybody: list[ThermometerProbe]) -> str:
        """What went wrong while the line fed a conversion of all, or nothing."""
        meant = [p.rom for p in everybody] if self._spares_others else [None]
        try:
            for rom in meant:
                self._feed(rom)
        except AdapterUnplugged:
            raise
        except SlotproofError as fault:
            self._bus.adapter.settle()
            return fault.kind
        return ""

    def _note(
        self,
        thermometer: ThermometerProbe,
        *,
        alone: bool,
        heard: bool | None,
        took_ms: float | None,
        trouble: str,
    ) -> None:
        data, lost = read_raw(self._bus, thermometer.rom)
        block = proved(data, thermometer.rom.family)
        if block is None:
            # what ended the conversion may spoil this reading too; the next tells what is left
            block = proved(
                read_raw(self._bus, thermometer.rom)[0], thermometer.rom.family
            )
        kept = None
        if block is not None and thermometer.marker:
            kept = block.data[2:4] == thermometer.marker[:2]
            if not kept:
                self._write(thermometer, thermometer.marker)
        thermometer.block = block or thermometer.block
        thermometer.conversions.append(
            Conversion(
                alone=alone,
                heard=heard,
                took_ms=took_ms,
                value_degc=block.temperature_degc if block else None,
                power_on=bool(block and holds_power_on_value(block)),
                marker_kept=kept,
                trouble=trouble or lost or ("" if block else _spoilt(data)),
            )
        )

    # -- alarms -------------------------------------------------------------------

    def alarm_disagreements(self) -> tuple[str, ...]:
        """Thermometers whose block says alarm and the alarm search not, or reversed."""
        computed, judged = set(), set()
        for code, thermometer in self.thermometers.items():
            block = self._read_twice(thermometer)
            if block is not None and not holds_power_on_value(block):
                judged.add(code)
                if in_alarm(block):
                    computed.add(code)
        if not judged:
            return ()
        try:
            found = {str(rom) for rom in enumerate_alarms(self._bus).found}
        except AdapterUnplugged:
            raise
        except SlotproofError:
            self._bus.adapter.settle()
            return ()
        return tuple(sorted((computed ^ found) & judged))


def _spoilt(data: bytes) -> str:
    """Kind of a block that cannot be one: ``open`` if nobody drove the line for it."""
    return OPEN if data == b"\xff" * len(data) else "block"


_POWER_ON = b"\x50\x05"
"""85 degC, the value until the first conversion ends (data sheet family 28h, p. 4)."""


def holds_power_on_value(block: ThermometerScratchpad) -> bool:
    """True for the power-on block, also of a part with constants of its own.

    Byte 6 tells a true 85 degC from it in originals only (public survey text on clones).
    """
    if block.is_power_on_value:
        return True
    own = constants_in(block.data, block.family)
    return block.data[:2] == _POWER_ON and not behave_as_sheet(own, block.family)


def in_alarm(block: ThermometerScratchpad) -> bool:
    """By the rule of the data sheet: whole degrees against both thresholds.

    Source: data sheet family 28h, operation of the alarm signal.
    """
    high, low = block.alarm_degc
    whole = block.temperature_degc // 1
    return whole >= high or whole <= low


@contextmanager
def forgiving(bus: Bus) -> Iterator[None]:
    """Swallow errors of line, device and counting; a lost adapter goes through."""
    try:
        yield
    except AdapterUnplugged:
        raise
    except SlotproofError:
        bus.adapter.settle()
