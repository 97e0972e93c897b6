"""A supply on a serial line: the real library over a pseudo terminal.

What a serial line has and a socket has not: an answer that is late comes even after the
port was opened anew.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

import pytest

from harness.clock import SystemClock
from harness.errors import InstrumentFault
from harness.instruments.instrument import Instrument
from harness.instruments.link import Connect, Link, connect
from harness.instruments.row import InstrumentRow
from harness.plans.schema.varied.instruments import InstrumentSettings
from harness.simulation.servers.clocks import VirtualClock
from tests.instruments.loopback import LoopbackSupply

pytestmark = [
    pytest.mark.unix,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="pty of Linux"),
]


@dataclass
class SerialSupply(LoopbackSupply):
    """The supply of the loopback, at the far end of a pseudo terminal.

    Attributes:
        ends: what ends each message.
    """

    ends: str = "\n"

    def __post_init__(self) -> None:
        import tty

        self._far, self._near = os.openpty()
        tty.setraw(self._near)  # kept open: else the far end breaks off with each close
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @property
    def resource(self) -> str:
        """Its VISA resource name."""
        return f"ASRL{os.ttyname(self._near)}::INSTR"

    def unplug(self) -> None:
        """Close both ends."""
        for each in (self._near, self._far):
            with suppress(OSError):
                os.close(each)

    def say(self, text: str) -> None:
        """Send an answer that nobody waits for now."""
        os.write(self._far, (text + self.ends).encode())

    def _serve(self) -> None:
        kept = b""
        end = self.ends.encode()
        with suppress(OSError):
            while True:
                kept += os.read(self._far, 1024)
                while end in kept:
                    raw, _, kept = kept.partition(end)
                    line = raw.decode()
                    self.heard.append(line)
                    answer = self.intercept(line)
                    answer = self._answer(line) if answer is ... else answer
                    if answer is not None:
                        self.say(str(answer))


@pytest.fixture
def serial_supply() -> Iterator[SerialSupply]:
    """A supply that does as it should."""
    server = SerialSupply()
    yield server
    server.unplug()


def _instrument(
    supply: SerialSupply, ends_with: str = "lf", open_link: Connect = connect
) -> Instrument:
    row = InstrumentSettings.model_validate(
        {
            "name": "PSU", "kind": "supply", "resource": supply.resource,
            "identity": "INVENTED,LOOPBACK", "limits": {"voltage_v": [0, 5.5]},
            "tolerance": {"voltage_v": 0.02}, "rest": {"output": False},
            "timeout_s": 0.2, "ends_with": ends_with,
        }
    ).row  # fmt: skip
    return Instrument(row, VirtualClock(), open_link)


def test_a_supply_on_a_serial_line(serial_supply: SerialSupply) -> None:
    """Set, proved, read and brought to rest."""
    psu = _instrument(serial_supply)
    psu.set("voltage_v", 3.3)
    psu.set("output", value=True)
    assert psu.read("current_a") == pytest.approx(0.0035)
    psu.rest()
    psu.close()
    assert serial_supply.settings == {"VOLT": "3.3", "CURR": "0.1", "OUTP": "0"}


def test_messages_that_end_with_cr_and_lf() -> None:
    """As many serial instruments have it."""
    server = SerialSupply(ends="\r\n")
    psu = _instrument(server, ends_with="crlf")
    assert psu.identify() == "INVENTED,LOOPBACK,1,0"
    psu.close()
    server.unplug()


def test_a_late_answer_is_dropped(serial_supply: SerialSupply) -> None:
    """It comes once the port is open again, and answers neither identity nor reading."""
    late: list[str] = []

    def connect_while_it_comes(row: InstrumentRow) -> Link:
        link = connect(row)
        for answer in late:
            serial_supply.say(answer)
        return link

    psu = _instrument(serial_supply, open_link=connect_while_it_comes)
    psu.identify()
    serial_supply.intercept = lambda line: None if line == "MEAS:CURR?" else ...
    with pytest.raises(InstrumentFault, match="no answer to 'MEAS:CURR"):
        psu.read("current_a")
    serial_supply.intercept = lambda _line: ...
    late.append("9.9")
    assert psu.read("current_a") == pytest.approx(0.0035)
    psu.close()


def test_a_line_that_is_pulled(serial_supply: SerialSupply) -> None:
    """An error of the bench, and no value."""
    psu = _instrument(serial_supply)
    psu.identify()
    serial_supply.unplug()
    began_s = SystemClock().now_s()
    with pytest.raises(InstrumentFault):
        psu.read("current_a")
    assert SystemClock().now_s() - began_s < 10
