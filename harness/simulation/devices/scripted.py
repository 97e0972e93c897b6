"""A device that follows a script: answers to commands, busy times, restart values, faults.

For kinds that nobody modelled. A script says what its author expects, so it is no second
opinion on the description of the kind; it rehearses plans, not the device.
"""

from __future__ import annotations

import re
from random import Random
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from harness.simulation.devices.base import Device, DeviceSurroundings, Slots
from harness.simulation.settings.base import StrictSettings
from harness.simulation.settings.device import DeviceSettings
from harness.wire.crc import crc8, crc16_sent
from harness.wire.romcode import RomCode

_TOKEN = re.compile(r"\{([a-z][a-z0-9_]*)\}|([0-9A-Fa-f]{2})")


def _bytes_and_gaps(text: str) -> str:
    if _TOKEN.sub("", text).strip():
        raise ValueError(f"{text!r} is no row of bytes in hex and {{names}}")
    return text


def _hex(text: str) -> str:
    if "{" in _bytes_and_gaps(text):
        raise ValueError(f"{text!r} holds a name where bytes in hex are needed")
    return text


Hex = Annotated[str, AfterValidator(_hex), Field(max_length=6000)]
Template = Annotated[str, AfterValidator(_bytes_and_gaps), Field(max_length=6000)]
Name = Annotated[str, Field(pattern="^[a-z][a-z0-9_]{0,31}$")]


class ScriptRow(StrictSettings):
    """What the device does on one command."""

    command: Annotated[Hex, Field(min_length=2)] = Field(
        description="bytes of the command behind the selection, in hex"
    )
    takes: Name | None = Field(
        default=None, description="register that the bytes behind it go into"
    )
    busy_ms: float = Field(
        default=0, ge=0, le=600_000, description="slots of zeros for so long"
    )
    never_ready: bool = Field(default=False, description="a fault: it stays busy")
    then: dict[str, Hex | list[Hex]] = Field(
        default_factory=dict,
        description="registers that have these bytes once it is done; of a list one "
        "after the other, the last for ever",
    )
    answer: Template | list[Template] = Field(
        default="",
        description="bytes and {registers}; of a list one after the other, over and over",
    )
    crc: Literal["crc-8", "crc-16"] | None = Field(
        default=None, description="check value of the answer behind it"
    )
    crc_over_command: bool = Field(
        default=False, description="the check value covers the command too"
    )
    wrong_every: int = Field(
        default=0, ge=0, description="a fault: each so-many-th answer has a wrong bit"
    )
    silent_every: int = Field(
        default=0, ge=0, description="a fault: each so-many-th time it does not answer"
    )

    @property
    def code(self) -> bytes:
        """The bytes of the command."""
        return bytes.fromhex(self.command)


class ScriptSettings(DeviceSettings):
    """A device by script."""

    registers: dict[Name, Hex] = Field(
        default_factory=dict, description="registers and their bytes after power-up"
    )
    script: Annotated[list[ScriptRow], Field(min_length=1, max_length=64)] = Field(
        description="what it does on each command"
    )

    @model_validator(mode="after")
    def _registers_are_there(self) -> ScriptSettings:
        for row in self.script:
            answers = row.answer if isinstance(row.answer, list) else [row.answer]
            used = {
                name for text in answers for name, _ in _TOKEN.findall(text) if name
            }
            used |= {*row.then, *([row.takes] if row.takes else [])}
            for name in sorted(used - set(self.registers)):
                raise ValueError(f"there is no register {name!r} in this script")
        return self


class Scripted(Device[ScriptSettings]):
    """Does what its script says, and nothing on any other command.

    Attributes:
        held: registers by name.
    """

    def __init__(
        self,
        *,
        settings: ScriptSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.held: dict[str, bytes] = {}
        self._times: dict[str, int] = {}
        self._ready_us = 0.0
        self._works = 0
        self._shown = 0
        self.load_power_on_values()

    def load_power_on_values(self) -> None:
        """Registers as after power-up."""
        self.held = {n: bytes.fromhex(v) for n, v in self.settings.registers.items()}

    def abandon_work(self) -> None:
        """What was not done never will be."""
        self._works += 1
        self._ready_us = 0.0

    def function(self, command: int) -> Slots:
        """The row whose bytes come."""
        code = bytes([command])
        rows = [row for row in self.settings.script if row.code[:1] == code]
        while rows and not any(row.code == code for row in rows):
            code += bytes([(yield from self.receive_byte())])
            rows = [row for row in rows if row.code.startswith(code)]
        for row in rows:
            if row.code == code:
                yield from self._do(row)
                return

    def _do(self, row: ScriptRow) -> Slots:
        times = self._times[row.command] = self._times.get(row.command, 0) + 1
        if row.silent_every and times % row.silent_every == 0:
            return
        if row.takes is not None:
            size = len(self.held[row.takes])
            taken = b""
            for _ in range(size):
                taken += bytes([(yield from self.receive_byte())])
            self.held[row.takes] = taken
        self._begin(row, times)
        yield from self._wait(row)
        yield from self.send_bytes(self._answer(row, times))
        while row.busy_ms or row.never_ready:
            yield self._level

    def _begin(self, row: ScriptRow, times: int) -> None:
        """Start what takes time; it is done then, if the supply holds."""
        work = self._works = self._works + 1
        self._ready_us = self.surroundings.now_us() + 1000 * row.busy_ms
        if row.never_ready:
            self._ready_us = float("inf")
            return

        def done() -> None:
            if work == self._works:
                for name, values in row.then.items():
                    listed = values if isinstance(values, list) else [values]
                    self.held[name] = bytes.fromhex(listed[min(times, len(listed)) - 1])

        if row.busy_ms:
            self.surroundings.after(1000 * row.busy_ms, done)
        else:
            done()

    def _level(self) -> int:
        self._shown = int(self.surroundings.now_us() >= self._ready_us)
        return self._shown

    def _wait(self, row: ScriptRow) -> Slots:
        """Zeros while it works; where an answer follows, a one says that it does."""
        if not row.answer:
            return
        self._shown = int(self.surroundings.now_us() >= self._ready_us)
        while not self._shown:
            yield self._level

    def _answer(self, row: ScriptRow, times: int) -> bytes:
        listed = row.answer if isinstance(row.answer, list) else [row.answer]
        text = listed[(times - 1) % len(listed)]
        data = b"".join(
            self.held[name] if name else bytes.fromhex(digits)
            for name, digits in _TOKEN.findall(text)
        )
        covered = (row.code if row.crc_over_command else b"") + data
        if row.crc == "crc-8":
            data += bytes([crc8(covered)])
        elif row.crc == "crc-16":
            data += crc16_sent(covered)
        if data and row.wrong_every and times % row.wrong_every == 0:
            data = bytes([data[0] ^ 0x01]) + data[1:]
        return data
