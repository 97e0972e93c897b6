"""Authenticators 33h and 2Fh: MACs, protection, secrets that leave no trace."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    UsageError,
)
from harness.families.hazard import Hazard
from harness.families.registry import checks, family_of, quantities
from harness.records import Outcome
from harness.results.reports.rebuild import rebuild
from harness.simulation.faults import settings as fs

Make = Callable[..., Any]

SERIAL = 0x55AA33
SECRET = bytes(range(1, 9))
PAGE_0 = bytes(range(32))
PARASITE = {"line": {"pull_up_ohm": 1000, "supply_v": 5.0, "cable_m": 1}}


@pytest.fixture(autouse=True)
def secrets_in_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Invented secrets where a user keeps them."""
    monkeypatch.setenv("BENCH_SECRET", SECRET.hex())
    monkeypatch.setenv("OTHER_SECRET", bytes(range(0x51, 0x59)).hex(" "))
    monkeypatch.setenv("SHORT_SECRET", "0102")


def read(session: Any, name: str) -> Any:  # noqa: ANN401 - any session, any scalar
    """A quantity's value."""
    return quantities(session.rom.family)[name].read(session).value


def run(session: Any, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(session.rom.family)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def model(session: DeviceSession) -> Any:  # noqa: ANN401 - the simulated part
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


# -- live --------------------------------------------------------------------------


def loaded(live: Make, family: int = 0x33, **more: object) -> Any:  # noqa: ANN401
    """A part with the secret of the examples."""
    settings = {"secret": SECRET.hex(), "fill": 0, **more}
    return live(family, fixture=PARASITE, **settings)


def test_mac_of_the_right_and_of_another_secret(live: Make, given: Make) -> None:
    """Right twice with the secret that it holds, wrong with another."""
    session = loaded(live)
    found = run(session, given, "authenticated_page", secret="env:BENCH_SECRET", page=2)
    assert [m.holds for m in found.values()] == [True] * 4
    wrong = run(session, given, "authenticated_page", secret="env:OTHER_SECRET")
    assert not wrong["mac_right"].holds
    assert not wrong["second_mac_right"].holds


def test_part_that_replays_one_mac(live: Make, given: Make) -> None:
    """A clone that knows one answer only: the second challenge gives it away."""
    session = loaded(live)
    device = model(session)
    kept = device._page_block(0)
    device._page_block = lambda page: kept
    found = run(session, given, "authenticated_page", secret="env:BENCH_SECRET")
    assert not found["challenge_counts"].holds
    assert not found["second_mac_right"].holds


def test_loading_a_secret(live: Make, given: Make) -> None:
    """Loaded, proved to work, and gone from the scratchpad."""
    session = live(0x33, fixture=PARASITE)
    found = run(session, given, "secret_load", secret="env:BENCH_SECRET")
    assert [m.holds for m in found.values()] == [True, True]
    assert model(session).secret == SECRET
    session.transact(b"\xaa", 13)
    assert bytes(model(session).pad) != SECRET
    with pytest.raises(UsageError, match="has 2 bytes"):
        run(session, given, "secret_load", secret="env:SHORT_SECRET")


def test_secret_is_wiped_even_if_loading_fails(live: Make, given: Make) -> None:
    """A copy that never ends well: an error, and the scratchpad has zeros."""
    session = loaded(live, supply="external")
    device = model(session)
    device._program = lambda *_, **__: iter(())
    with pytest.raises(AnswerImpossible, match="loading the secret"):
        run(session, given, "secret_load", secret="env:OTHER_SECRET")
    assert bytes(device.pad) == bytes(8)
    assert device.secret == SECRET


def test_protected_secret_stays(live: Make, given: Make) -> None:
    """Nothing is sent once it is protected."""
    session = loaded(live)
    model(session).cells[0x88] = 0xAA
    with pytest.raises(AnswerImpossible, match="protected for ever"):
        run(session, given, "secret_load", secret="env:OTHER_SECRET")
    assert model(session).secret == SECRET


def test_next_secret(live: Make, given: Make) -> None:
    """Computed by the device and by us; the proof holds."""
    session = loaded(live, content=PAGE_0.hex())
    found = run(
        session,
        given,
        "secret_compute",
        secret="env:BENCH_SECRET",
        partial_secret="env:OTHER_SECRET",
    )
    assert found["secret_works"].holds
    assert model(session).secret != SECRET
    wrong = run(
        session,
        given,
        "secret_compute",
        secret="env:BENCH_SECRET",
        partial_secret="env:OTHER_SECRET",
    )
    assert not wrong["secret_works"].holds


def test_authenticated_write(live: Make, given: Make) -> None:
    """Across two rows and pages, neighbours untouched; wrong secret, nothing written."""
    session = loaded(live, fill=0x3C)
    options = {"start": 30, "data": "01 02 03 04 05"}
    found = run(
        session, given, "authenticated_write", secret="env:BENCH_SECRET", **options
    )
    assert found["bytes_different"].holds
    assert bytes(model(session).cells[29:36]) == bytes.fromhex("3C 01 02 03 04 05 3C")
    with pytest.raises(AnswerImpossible, match="holds another secret"):
        run(session, given, "authenticated_write", secret="env:OTHER_SECRET", data="99")
    assert model(session).cells[0] == 0x3C
    with pytest.raises(UsageError, match="do not fit"):
        run(
            session,
            given,
            "authenticated_write",
            secret="env:BENCH_SECRET",
            start=0x7F,
            data="01 02",
        )


def test_wrong_mac_is_refused(live: Make, given: Make) -> None:
    """Refused, content unchanged; a part that takes any MAC is found without harm."""
    session = loaded(live, content="01 02 03")
    assert all(m.holds for m in run(session, given, "wrong_mac").values())
    device = model(session)

    def take_any() -> Any:  # noqa: ANN401 - a generator of slots
        yield from device._receive(3)
        device._compute()
        yield from device._receive_after(20)
        yield from device._program(device.target, bytes(device.pad))

    device._copy = take_any
    found = run(session, given, "wrong_mac")
    assert not found["wrong_mac_refused"].holds
    assert found["content_unchanged"].holds


def test_protection(live: Make, given: Make) -> None:
    """Closed once, told, and the page refuses from then on."""
    session = loaded(live)
    assert run(session, given, "protection_state")["protection"].holds
    found = run(
        session, given, "protection_write", secret="env:BENCH_SECRET", what="page 0"
    )
    assert found["page_0_protected"].holds
    assert read(session, "protection") == "page 0"
    assert not run(session, given, "protection_state")["protection"].holds
    with pytest.raises(AnswerImpossible, match="refused"):
        run(session, given, "authenticated_write", secret="env:BENCH_SECRET", data="01")


def test_registers(live: Make) -> None:
    """Factory byte, user bytes, ROM copy; a copy of another part is found."""
    session = loaded(live)
    assert read(session, "factory_byte") == "55"
    assert read(session, "user_bytes") == "00 00"
    assert read(session, "rom_copy_matches") is True
    model(session).cells[0x91] ^= 1
    assert read(session, "rom_copy_matches") is False


def test_2fh_without_a_layout(live: Make, given: Make) -> None:
    """MACs are held against each other only; half a question is refused."""
    session = loaded(live, 0x2F)
    found = run(session, given, "authenticated_page")
    assert set(found) == {"mac_repeats", "challenge_counts"}
    assert all(m.holds for m in found.values())
    with pytest.raises(UsageError, match="both"):
        run(session, given, "authenticated_page", secret="env:BENCH_SECRET")
    assert "authenticated_write" not in checks(0x2F)
    found = run(session, given, "secret_load", secret="env:OTHER_SECRET")
    assert set(found) == {"secret_loaded"}


def test_2fh_with_a_layout_from_a_file(live: Make, given: Make, tmp_path: Path) -> None:
    """The invented block of the model, as a user would put the maker's."""
    path = tmp_path / "block.txt"
    path.write_text("SS0-3 PP0-31 FFx2 SP2-3 MP FC S0-5 SS4-7 SP4-6\n", "ascii")
    session = loaded(live, 0x2F)
    options = {"secret": "env:BENCH_SECRET", "block_layout": str(path)}
    assert all(
        m.holds for m in run(session, given, "authenticated_page", **options).values()
    )
    assert run(session, given, "secret_load", **options)["secret_works"].holds
    path.write_text("SS0-3 PP0-31 FFx4 MP FC S0-5 SS4-7 SP4-6\n", "ascii")
    wrong = run(session, given, "authenticated_page", **options)
    assert not wrong["mac_right"].holds


def test_supply_dip_while_the_secret_is_written(live: Make, given: Make) -> None:
    """The line falls while it is written: an error, never a success."""
    session = loaded(live)
    bench = session._bus.adapter.port.bench
    plain = session.hold_strong_pull_up

    def dip(write: bytes, hold_s: float) -> None:
        plain(write, hold_s / 4)
        at_s = bench.clock.now_us / 1e6
        bench.faults.plan(
            fs.ShortedLineFault(kind="line-shorted", at_s=at_s, for_s=0.003)
        )
        session.clock.sleep(hold_s * 2)
        session.settle()

    session.hold_strong_pull_up = dip
    with pytest.raises(AnswerImpossible, match="loading the secret"):
        run(session, given, "secret_load", secret="env:OTHER_SECRET")


# -- whole runs --------------------------------------------------------------------

LEAKS = [
    re.compile(rb"[\s:,]*".join(b"%02x" % byte for byte in part), re.IGNORECASE)
    for secret in (SECRET, bytes(range(0x51, 0x59)))
    for part in (secret, secret[:4], secret[4:])
] + [re.compile(re.escape(secret)) for secret in (SECRET, bytes(range(0x51, 0x59)))]


def leaks(folder: Path) -> dict[str, list[bytes]]:
    """Whatever a run leaves that shows a secret, whole or in half."""
    return {
        path.name: [p.pattern for p in LEAKS if p.search(path.read_bytes())]
        for path in folder.rglob("*")
        if path.is_file()
    }


STEPS = """
- check: {function: secret_load, with: {secret: "env:BENCH_SECRET"},
    hazard: [secret, memory-wear]}
- check: {function: authenticated_page, with: {secret: "env:BENCH_SECRET"}}
- check: {function: authenticated_page, with: {secret: "env:OTHER_SECRET"}}
- check: {function: authenticated_write, hazard: [memory-wear],
    with: {secret: "env:OTHER_SECRET", data: "AA"}}
- check: {function: secret_compute, hazard: [secret, memory-wear],
    with: {secret: "env:BENCH_SECRET", partial_secret: "env:OTHER_SECRET"}}
"""
ALLOWED = frozenset({Hazard.SECRET, Hazard.MEMORY_WEAR})


@pytest.mark.parametrize("flips", [0.0, 0.001])
def test_a_run_leaves_no_trace_of_its_secrets(
    run_plan: Make,
    bench_data: Make,
    new_device: Make,
    capfd: pytest.CaptureFixture[str],
    flips: float,
) -> None:
    """Passed and failed steps, with and without noise: every file, and the screen."""
    device = new_device(0x33, SERIAL, supply="external")
    faults = [{"kind": "bit-flips", "probability": flips}] if flips else []
    ran = run_plan(STEPS, bench_data([device], faults=faults), allow=ALLOWED)
    rebuild(ran.folder / "journal.jsonl", ran.folder, case_properties=True)
    found = leaks(ran.folder)
    assert len(found) >= 2
    assert not any(found.values()), found
    said = capfd.readouterr()
    assert not any(p.search((said.out + said.err).encode()) for p in LEAKS)
    if not flips:
        outcomes = [ran.shown(str(n), "S1").outcome for n in range(1, 6)]
        failed, passed = Outcome.FAILED, Outcome.PASSED
        assert outcomes == [passed, passed, failed, failed, passed]


def test_loading_a_secret_needs_its_hazards(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Refused before anything is sent unless the command line allows it."""
    with pytest.raises(UsageError, match="does not allow") as raised:
        run_plan(STEPS, bench_data([new_device(0x33, SERIAL)]))
    assert not any(p.search(str(raised.value).encode()) for p in LEAKS)


@pytest.mark.parametrize("family", [0x17, 0x47, 0x48])
def test_sha_256_kinds_are_recognised_and_no_more(
    run_plan: Make, bench_data: Make, new_device: Make, family: int
) -> None:
    """Enumerated, ROM code proved, reported by name; no check is offered."""
    steps = [{"enumerate": {"count": 1}}, {"read": {"quantity": "rom_code"}}]
    ran = run_plan(steps, bench_data([new_device(family, 7)]))
    assert ran.code == 0
    (value,) = ran.shown("2", "S1").measurements
    assert str(value.value).endswith(f"{family:02X}")
    assert checks(family) == {}
    assert "SHA-256" in family_of(family).name
    assert family_of(family).recognised_only
