"""A fault at each message of a supply's life: nothing untrue is read, claimed or left on.

The link is a pipe in memory, so that each moment and each fault can be tried. What an
instrument says late stays in the pipe of a serial line, even after it was opened anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest

from harness.errors import InstrumentFault, SlotproofError
from harness.instruments import marker
from harness.instruments.bench import InstrumentBench
from harness.instruments.link import LinkLost
from harness.instruments.row import InstrumentRow
from harness.instruments.words import WORDS, InstrumentKind
from harness.simulation.servers.clocks import VirtualClock

ROW = InstrumentRow(
    name="PSU",
    kind=InstrumentKind.SUPPLY,
    resource="memory",
    identity="INVENTED,MEMORY",
    words=WORDS[InstrumentKind.SUPPLY],
    limits={"voltage_v": (0.0, 5.5)},
    tolerance={"voltage_v": 0.02},
    rest={"voltage_v": 0.0, "output": False},
    settle_s=1.0,
)

CURRENT = "0.0035"


@dataclass
class Supply:
    """A supply in memory; ``at`` is the message at which ``fault`` happens."""

    at: int = -1
    fault: str = ""
    keeps_pipe: bool = False
    identity: str = "INVENTED,MEMORY,1,0"
    settings: dict[str, str] = field(
        default_factory=lambda: {"VOLT": "0", "CURR": "0.1", "OUTP": "0"}
    )
    errors: list[str] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    pipe: list[str] = field(default_factory=list)
    gone: bool = False
    late: str = ""
    after_close: str = ""

    # -- the link

    def write(self, text: str) -> None:
        if self.gone:
            raise LinkLost("gone")
        self.heard.append(text)
        if len(self.heard) - 1 == self.at:
            self._go_wrong(text)
        else:
            self._do(text)

    def query(self, text: str) -> str:
        self.write(text)
        if not self.pipe:
            raise LinkLost("no answer in time")
        return self.pipe.pop(0)

    def drain(self) -> None:
        self.pipe.clear()

    def close(self) -> None:
        if not self.keeps_pipe:
            self.pipe.clear()
        if self.late:
            self.pipe.append(self.late)
            self.late = ""
        if self.after_close:
            self.identity = self.after_close

    # -- the instrument

    def _do(self, text: str) -> None:
        head, _, value = text.partition(" ")
        if value and head in self.settings:
            self.settings[head] = value
        elif value:
            self.errors.append('-113,"Undefined header"')
        else:
            self.pipe.append(self._answer(text))

    def _answer(self, text: str) -> str:
        if text == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        volts = float(self.settings["VOLT"]) * (self.settings["OUTP"] == "1")
        known = {
            "*IDN?": self.identity, "VOLT:PROT:TRIP?": "0", "CURR:PROT:TRIP?": "0",
            "MEAS:CURR?": CURRENT, "MEAS:VOLT?": f"{volts:.4f}",
        }  # fmt: skip
        return (known | {f"{head}?": v for head, v in self.settings.items()})[text]

    def _go_wrong(self, text: str) -> None:
        FAULTS[self.fault](self, text)


def _unplugged(supply: Supply, _text: str) -> None:
    supply.gone = True
    raise LinkLost("pulled")


def _broke_once(_supply: Supply, _text: str) -> None:
    raise LinkLost("connection reset")


def _silent_once(_supply: Supply, _text: str) -> None:
    """Nothing is done and nothing comes."""


def _late(supply: Supply, text: str) -> None:
    """It is done, and the answer comes after the link was opened anew."""
    before = len(supply.pipe)
    supply._do(text)
    if len(supply.pipe) > before:
        supply.late = supply.pipe.pop()


def _of_another(supply: Supply, text: str) -> None:
    """One answer too many stands before: each query gets that of the one before."""
    supply.pipe.append(supply.settings["VOLT"])
    supply._do(text)


def _queue_full(supply: Supply, text: str) -> None:
    supply.errors = ['-350,"Queue overflow"'] * 10_000
    supply._do(text)


def _exchanged(supply: Supply, _text: str) -> None:
    supply.after_close = "INVENTED,MEMORY,2,0"
    raise LinkLost("pulled")


def _ignored(supply: Supply, text: str) -> None:
    """A command without effect; a query is answered."""
    if text.endswith("?"):
        supply._do(text)


FAULTS: dict[str, Callable[[Supply, str], None]] = {
    "unplugged": _unplugged,
    "broke once": _broke_once,
    "silent once": _silent_once,
    "late": _late,
    "another's answer": _of_another,
    "queue full": _queue_full,
    "exchanged": _exchanged,
    "ignored": _ignored,
}


PASSING = set(FAULTS) - {"unplugged", "exchanged"}
"""After these the supply can be reached, so that it must be at rest."""


@pytest.fixture(autouse=True)
def _in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Marks are real files elsewhere; here a thousand of them would only take time."""
    standing: list[InstrumentRow] = []
    monkeypatch.setattr(marker, "make", lambda row, *_: standing.append(row))
    monkeypatch.setattr(marker, "clear", lambda _row: standing.clear())
    monkeypatch.setattr(
        marker,
        "standing",
        lambda row: (
            marker.OnMark(name="", resource="", identity="", since="", process=0)
            if row in standing
            else None
        ),
    )


def _life(supply: Supply, bench: InstrumentBench) -> Iterator[tuple[str, float]]:
    """What a plan does with it; each value that is taken for true."""
    bench.begin(["PSU"])
    psu = bench.get("PSU")
    for volts in (3.3, 5.0):
        psu.set("voltage_v", volts)
        assert float(supply.settings["VOLT"]) == volts
        psu.set("output", value=True)
        assert supply.settings["OUTP"] == "1"
        yield "voltage_v", psu.measured("voltage_v") - volts
        yield "current_a", psu.read("current_a") - float(CURRENT)


def _one(supply: Supply) -> tuple[bool, SlotproofError | None]:
    """Whether its life came to its end, and why it may still be on."""
    bench = InstrumentBench([ROW], VirtualClock(), lambda _row: supply)
    whole = True
    try:
        for _, error in _life(supply, bench):
            assert abs(error) < 0.02
    except InstrumentFault:
        whole = False
    left_rest = bench.get("PSU").may_be_on
    rested = bench.rest()
    bench.close()
    assert bool(rested) is left_rest
    return whole, rested[0].fault if rested else None


def _messages() -> int:
    supply = Supply()
    assert _one(supply) == (True, None)
    return len(supply.heard)


@pytest.mark.parametrize("keeps_pipe", [False, True], ids=["socket", "serial"])
@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_at_each_message(fault: str, *, keeps_pipe: bool) -> None:
    """What is said of it afterwards is so: at rest and no mark, or named and marked."""
    for at in range(_messages()):
        supply = Supply(at=at, fault=fault, keeps_pipe=keeps_pipe)
        _, may_be_on = _one(supply)
        marked = marker.standing(ROW) is not None
        assert marked is (may_be_on is not None), at
        if supply.settings["OUTP"] == "1":
            assert may_be_on is not None, at
        if fault in PASSING:
            assert (supply.settings["OUTP"], may_be_on) == ("0", None), (at, may_be_on)
        marker.clear(ROW)


def test_a_sound_life_is_whole() -> None:
    """Without a fault nothing is an error, so that the others can fail at all."""
    assert _messages() > 30
