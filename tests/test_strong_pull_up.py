"""Strong pull-up for parasite conversions: the supply node decides, the budget predicts.

USB cannot switch within 10 us of the command (data sheet DS18B20: strong pull-up), so
the pull-up is armed before it, and the host must pull against it. The bench is built by
the budget's own figures (stage 25 ohm; 28h on parasite power: 1.5 mA, 3.0 V, low below
0.5 V, S6), the voltages come from the simulated line and the devices' capacitors.
"""

from __future__ import annotations

from collections.abc import Callable
from math import isclose
from typing import TYPE_CHECKING, Any

import pytest

from harness.driver.bus import Bus
from harness.driver.session import AllDevices
from harness.driver.switching import Condition
from harness.errors import AdapterUnplugged, ExtraEcho
from harness.plans.execution.fixture_circuit import circuit_of
from harness.plans.schema.files import Fixture
from harness.records import Outcome
from harness.simulation.devices.supply import ParasiteSupply
from harness.wire.budget.table import Budget, budget, strong_window
from harness.wire.clock_grid import GRIDS
from harness.wire.electrical import parallel_ohm
from harness.wire.slots.frames import choose_slots

if TYPE_CHECKING:
    from tests.conftest import Ran

PULL_UP_OHM = 4700.0
SUPPLY_V = 5.0
BUSY_A = 1.5e-3
HOLD_S = 0.8
CONVERTED = (0x0191).to_bytes(2, "little")
"""25.0625 degC (table of the data sheet, S6)."""
POWER_ON = (0x0550).to_bytes(2, "little")

OpenBus = Callable[[dict[str, Any]], Bus]
Write = Callable[[dict[str, Any]], Fixture]
New = Callable[..., dict[str, Any]]
Data = Callable[..., dict[str, Any]]
MakeBench = Callable[..., dict[str, Any]]


@pytest.fixture
def parasite_bench(bench_data: Data, new_device: New) -> MakeBench:
    """Fixture data: so many parasite thermometers, with a strong pull-up or without."""

    def make(count: int, strong_ohm: float | None, **device: object) -> dict[str, Any]:
        devices = [
            new_device(
                0x28,
                serial,
                supply="parasite",
                temperature_degc=25.0625,
                active_ma=1000 * BUSY_A,
                threshold_low_v=0.5,
                threshold_high_v=3.0,
                **device,
            )
            for serial in range(1, count + 1)
        ]
        data = bench_data(
            devices,
            line={"pull_up_ohm": PULL_UP_OHM, "supply_v": SUPPLY_V},
            adapter={"low_v": 0.0, "low_ohm": 25},
        )
        for socket in data["sockets"]:
            socket["expect"]["supply"] = "parasite"
        if strong_ohm is not None:
            data["power"] = {
                "strong_pull_up_on": "rts-without-dtr",
                "strong_pull_up_ohm": strong_ohm,
            }
        return data

    return make


def bench_of(bus: Bus) -> Any:  # noqa: ANN401 - the simulator's own
    return bus.adapter.port.bench


def readings(bus: Bus) -> list[bytes]:
    """The temperature registers, read slowly enough for everybody's capacitor."""
    found = []
    for station in bench_of(bus).stations:
        found.append(bus.transact(station.device.rom, b"\xbe", 9)[:2])
        bus.clock.sleep(0.01)
    return found


def at_half_time(bus: Bus, action: Callable[[], None]) -> None:
    """Have something done in the middle of the hold that comes next."""
    core = bench_of(bus).core
    core.agenda.add(core.now_us + 0.5e6 * HOLD_S, action)


def convert(bus: Bus) -> tuple[float, list[float]]:
    """All convert at once; the line's and each capacitor's voltage halfway."""
    levels: list[float] = []

    def look() -> None:
        levels.append(bench_of(bus).core.wiring.line.volts)
        for station in bench_of(bus).stations:
            assert isinstance(station.supply, ParasiteSupply)
            levels.append(station.supply.present_v())

    at_half_time(bus, look)
    AllDevices(bus).hold_strong_pull_up(b"\x44", HOLD_S)
    return levels[0], levels[1:]


def budget_of(fixture: Fixture) -> Budget:
    return budget(circuit_of(fixture), choose_slots(GRIDS["fractional-divider"]))


@pytest.mark.parametrize(("count", "strong_ohm"), [(1, 390.0), (3, 390.0), (5, 260.0)])
def test_conversion_succeeds_because_of_the_strong_pull_up(
    open_bus: OpenBus, parasite_bench: MakeBench, count: int, strong_ohm: float
) -> None:
    """Every capacitor stays above 2.7 V and every device has its reading."""
    bus = open_bus(parasite_bench(count, strong_ohm))
    line_v, nodes_v = convert(bus)
    both_ohm = parallel_ohm(PULL_UP_OHM, strong_ohm)
    assert line_v == pytest.approx(SUPPLY_V - count * BUSY_A * both_ohm, abs=0.01)
    assert line_v >= 3.0
    # the diode of the supply node takes 0.3 V
    assert all(volts >= line_v - 0.31 for volts in nodes_v)
    assert readings(bus) == [CONVERTED] * count


@pytest.mark.parametrize("count", [1, 3])
def test_conversion_browns_out_without_it(
    open_bus: OpenBus, parasite_bench: MakeBench, count: int
) -> None:
    """1.5 mA through 4.7 kohm would drop 7 V: the node falls below 2 V, state is lost."""
    bus = open_bus(parasite_bench(count, None))
    for station in bench_of(bus).stations:
        bus.transact(station.device.rom, b"\x4e\x11\x22\x3f")
    before_v = bench_of(bus).stations[0].supply.present_v()
    assert before_v > 4.0
    off: list[str] = []
    for station in bench_of(bus).stations:
        _note_power_off(station, off)
    # the line collapses 75 us after the command, which the UART takes for a character
    with pytest.raises(ExtraEcho, match="load through the data line"):
        AllDevices(bus).hold_strong_pull_up(b"\x44", HOLD_S)
    bus.clock.sleep(HOLD_S)
    bus.adapter.settle()
    assert set(off) == {f"S{n}" for n in range(1, count + 1)}
    for station in bench_of(bus).stations:
        pad = bus.transact(station.device.rom, b"\xbe", 9)
        assert pad[:2] == POWER_ON
        # the alarm limits just written went with the power; the stored ones are back
        assert pad[2:5] == b"\x4b\x46\x7f"


def _note_power_off(station: Any, off: list[str]) -> None:  # noqa: ANN401
    """Note the socket of a device whose supply node fails, before it acts on it."""
    fail = station.device.power_off

    def noted() -> None:
        off.append(station.socket)
        assert station.supply.volts <= station.supply.settings.brown_out_v
        fail()

    station.device.power_off = noted


CASES = [
    (count, strong_ohm)
    for count, resistors in (
        (1, (150.0, 225.0, 245.0, 390.0, 1800.0, 1950.0)),
        (3, (225.0, 245.0, 480.0, 510.0)),
        (5, (225.0, 245.0, 275.0, 295.0)),
        (6, (225.0, 235.0, 245.0)),
    )
    for strong_ohm in resistors
]


@pytest.mark.slow
@pytest.mark.parametrize(("count", "strong_ohm"), CASES)
def test_the_budget_s_window_is_the_simulator_s(
    open_bus: OpenBus,
    write_fixture: Write,
    parasite_bench: MakeBench,
    count: int,
    strong_ohm: float,
) -> None:
    """Too small and nobody hears, too large and the line sags; for six there is no window."""
    data = parasite_bench(count, strong_ohm)
    circuit = circuit_of(write_fixture(data))
    window = strong_window(circuit)
    assert circuit.busy_at_once == count
    assert window.exists is (count < 6)
    fits = window.low_ohm <= strong_ohm <= window.high_ohm
    bus = open_bus(data)
    convert(bus)
    assert readings(bus) == [CONVERTED if fits else POWER_ON] * count


def test_a_resistor_too_small_keeps_the_command_from_being_heard(
    open_bus: OpenBus, write_fixture: Write, parasite_bench: MakeBench
) -> None:
    """At 150 ohm the host's low is 0.73 V, above the device's 0.5 V: nobody converts."""
    data = parasite_bench(1, 150.0)
    row = budget_of(write_fixture(data)).row(
        "host's low while the strong pull-up is armed"
    )
    assert row.high is not None
    assert row.value > row.high == 0.5
    bus = open_bus(data)
    drawing: list[bool] = []
    at_half_time(
        bus,
        lambda: drawing.append(bench_of(bus).stations[0].supply.is_working),
    )
    line_v, _ = convert(bus)
    assert drawing == [False]
    # nobody draws current: the line stands at its supply
    assert line_v == pytest.approx(SUPPLY_V, abs=0.01)
    assert readings(bus) == [POWER_ON]


def test_predicted_levels_are_those_of_the_line(
    open_bus: OpenBus, write_fixture: Write, parasite_bench: MakeBench
) -> None:
    """Host's low, unarmed and armed, and its sink current: budget against the trace."""
    data = parasite_bench(2, 390.0)
    found = budget_of(write_fixture(data))
    bus = open_bus(data)
    trace = bench_of(bus).record_trace()
    AllDevices(bus).hold_strong_pull_up(b"\x44", HOLD_S)
    bench_of(bus).stop_trace()
    settled = {round(part.final_v, 4) for part in trace.segments}
    low = found.row("host's low at the devices").value
    armed = found.row("host's low while the strong pull-up is armed").value
    assert any(isclose(level, low, abs_tol=1e-4) for level in settled)
    assert any(isclose(level, armed, abs_tol=1e-4) for level in settled)
    # what flows through the 25 ohm of the stage at that level
    sink = found.row("host's sink current while armed").value
    assert armed / 25 * 1e3 == pytest.approx(sink, rel=1e-6)


def test_only_the_command_byte_is_sent_armed(
    open_bus: OpenBus, parasite_bench: MakeBench
) -> None:
    """Selection before it and everything after it go out with the pull-up off."""
    bus = open_bus(parasite_bench(1, 390.0))
    core = bench_of(bus).core
    armed: list[bool] = []

    def note(_: float) -> None:
        armed.append(core.wiring.line.source_ohm < 1000)

    core.before_character.append(note)
    convert(bus)
    assert readings(bus) == [CONVERTED]
    # reset and skip: 1 + 8 characters; then the 8 of the convert command
    assert armed[:17] == [False] * 9 + [True] * 8
    assert not any(armed[17:])


def test_an_unequal_pair_alone_switches_it_on(
    open_bus: OpenBus, parasite_bench: MakeBench
) -> None:
    """Opening raises both lines and closing drops both: off (pyserial 3.5)."""
    bus = open_bus(parasite_bench(1, 390.0))
    line, port = bench_of(bus).core.wiring.line, bus.adapter.port
    for rts in (True, False):
        for dtr in (True, False):
            port.rts, port.dtr = rts, dtr
            is_on = line.source_ohm < 1000
            assert is_on is Condition.RTS_WITHOUT_DTR.holds(rts=rts, dtr=dtr)
            assert not (is_on and rts == dtr)


def test_unplugging_takes_the_strong_pull_up_away(
    open_bus: OpenBus, parasite_bench: MakeBench
) -> None:
    """Both lines drop with the adapter: the resistor is off and the device browns out."""
    bus = open_bus(parasite_bench(1, 390.0))
    bench = bench_of(bus)
    off: list[str] = []
    _note_power_off(bench.stations[0], off)
    at_half_time(bus, bench.adapter.unplug)
    with pytest.raises(AdapterUnplugged):
        AllDevices(bus).hold_strong_pull_up(b"\x44", HOLD_S)
    assert bench.core.wiring.line.source_ohm == pytest.approx(PULL_UP_OHM)
    assert off == ["S1"]


@pytest.mark.parametrize(("strong_ohm", "code"), [(390.0, 0), (None, 3)])
def test_the_same_through_a_plan(
    run_plan: Callable[..., Ran],
    parasite_bench: MakeBench,
    strong_ohm: float | None,
    code: int,
) -> None:
    """A common conversion of three: passed with the strong pull-up, an error without.

    The line moves as the command ends, and so would the echo of an adapter that
    repeats itself. The readings are errors that name it: no device is judged by an old
    value, and the fixture bears no conversion that could be made for them.
    """
    ran = run_plan(
        """
        - enumerate: {count: 3}
        - convert: {power: parasite}
        - read: {quantity: temperature, fresh: false, low: 25, high: 25.1}
        """,
        parasite_bench(3, strong_ohm),
    )
    assert ran.code == code
    if code:
        starved = ran.shown("2")
        assert (starved.outcome, starved.kind) == (Outcome.ERROR, "extra-echo")
        assert "cause: supply or adapter" in starved.message
        assert {r.shown.kind for r in ran.step("3").results} == {"step-missing"}
        assert (
            "step 2 (convert) did not come to its end" in ran.shown("3", "S1").message
        )
