"""Family 1Dh: RAM that a battery keeps, and counters.

Source: data sheet DS2423 (family 1Dh) p. 3, 6, 13, 21 and 25.
Debouncing of the inputs is not modelled: every falling edge counts.
"""

from __future__ import annotations

from random import Random

from pydantic import Field

from harness.simulation.devices.base import DeviceSurroundings, Slots
from harness.simulation.devices.common.memory_settings import MemorySettings
from harness.simulation.devices.common.pins import Pins, PinSettings
from harness.simulation.devices.common.scratchpad_memory import ScratchpadMemory
from harness.simulation.devices.kind import DeviceKind
from harness.wire.crc import crc16_sent
from harness.wire.romcode import RomCode

READ_WITH_COUNTER = 0xA5
PAGE = 32
WRAP = 1 << 32
COPY_MS = 0.03


class CounterSettings(MemorySettings, PinSettings):
    """Counters as the battery has kept them, and what comes to the inputs."""

    most_bytes = 512

    counts: dict[str, int] = Field(
        default_factory=dict,
        description="counts at power-up: 12, 13 (writes), a, b (inputs)",
    )
    pulses_per_s: dict[str, float] = Field(
        default_factory=dict, description="steady pulses at inputs a and b"
    )


class Counter(ScratchpadMemory[CounterSettings]):
    """A counter for each of the last four pages.

    Attributes:
        pins: inputs A and B.
        counted: by page; what steady pulses add is worked out when asked.
    """

    size = 512
    checks_reads = False
    copy_command = 0x5A

    def __init__(
        self,
        *,
        settings: CounterSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        given = settings.counts
        self.counted = {
            page: given.get(name, 0)
            for page, name in ((12, "12"), (13, "13"), (14, "a"), (15, "b"))
        }
        self.pins = Pins("ab", settings, surroundings)
        self.pins.watchers.append(self._look_at_inputs)

    def _look_at_inputs(self) -> None:
        for place in range(2):
            self.counted[14 + place] += self.pins.fallen >> place & 1

    def count_of(self, page: int) -> int:
        """The counter of a page; ones where a page has none (from memory)."""
        if page not in self.counted:
            return WRAP - 1
        steady = self.settings.pulses_per_s.get({14: "a", 15: "b"}.get(page, ""), 0.0)
        pulses = int(self.surroundings.now_us() / 1e6 * steady)
        return (self.counted[page] + pulses) % WRAP

    def may_copy(self) -> bool:
        """Inside the memory."""
        return self.target < self.size

    def write_cells(self, address: int, values: bytes) -> None:
        """Thirty microseconds; a page with a write counter counts."""
        page = address // PAGE
        if page in {12, 13}:
            self.counted[page] += 1
        self.writer.start(
            address, values, length_ms=COPY_MS, active_ma=0, least_v=0, done=self.copied
        )

    def other_function(self, command: int) -> Slots:
        """Read memory with counter."""
        if command != READ_WITH_COUNTER:
            return
        address = yield from self.receive_address()
        sent = bytearray((command, *address.to_bytes(2, "little")))
        while address < self.size:
            page = address // PAGE
            end = (page + 1) * PAGE
            record = bytes(self.cells[address:end])
            record += self.count_of(page).to_bytes(4, "little") + bytes(4)
            sent += record
            yield from self.send_bytes(record)
            yield from self.send_bytes(crc16_sent(sent))
            sent.clear()
            address = end


KINDS = (
    DeviceKind(
        family=0x1D,
        title="counter, four of 32 bit, 4 Kbit RAM",
        settings=CounterSettings,
        model=Counter,
    ),
)
