"""`slotproof ports` and `bench`: adapters of this machine, and one that is simulated."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated
from urllib.parse import quote

import typer

from harness import ending
from harness.commands.base import app, example
from harness.errors import UsageError
from harness.output import say


@app.command(epilog=example("slotproof ports"))
def ports() -> None:
    """List adapters with a stable name to put into a fixture."""
    from harness.driver.port import list_adapters  # noqa: PLC0415

    adapters = list_adapters()
    if not adapters:
        say(
            "no adapter found -> plug one in; sim:// in a fixture needs none",
        )
    for adapter in adapters:
        say(f"{adapter.device}")
        say(f"    port: {adapter.stable_port}")
        say(f"    kind: {adapter.kind}")
        say(f"    about: {adapter.description}")


@app.command(epilog=example("slotproof bench fixtures/demo_bench.yaml --tty"))
def bench(
    fixture: Annotated[
        Path,
        typer.Argument(metavar="FIXTURE", help="fixture with a simulation section"),
    ],
    tty: Annotated[
        bool, typer.Option("--tty", help="serve the bench behind a real tty")
    ] = False,
    rfc2217: Annotated[
        int | None,
        typer.Option(
            metavar="PORT",
            min=0,
            max=65_535,
            help="serve the bench by RFC 2217 on this loopback port (0 picks one)",
        ),
    ] = None,
) -> None:
    """Serve a simulated bench in real time, until Ctrl-C."""
    from harness.plans.loading.files import load_fixture  # noqa: PLC0415

    loaded = load_fixture(fixture)
    if tty == (rfc2217 is not None):
        raise UsageError("say how to serve: --tty or --rfc2217 PORT, one of them")
    if loaded.simulation is None:
        raise UsageError("this fixture has no simulation section", where=str(fixture))
    from harness.errors import PortBusy  # noqa: PLC0415
    from harness.simulation.servers.bench_registry import benches  # noqa: PLC0415

    served = benches.at(f"sim://{quote(loaded.path)}")
    if tty:
        from harness.simulation.servers.tty import serve_tty  # noqa: PLC0415

        with ending.interruptible():  # the link to the tty is taken away again
            serve_tty(served, announce=_announce, report=_report_late)
        _leave()
        return
    from harness.simulation.servers.rfc2217 import serve_rfc2217  # noqa: PLC0415

    try:
        with ending.interruptible():
            serve_rfc2217(
                served, port=rfc2217 or 0, announce=_announce, report=_report_late
            )
    except OSError as cause:
        raise PortBusy(
            f"the bench cannot be served there ({cause.strerror})",
            where=f"port {rfc2217}",
            hint="take another port; 0 picks a free one",
        ) from cause
    _leave()


def _leave() -> None:
    """End with 0 after Ctrl-C, which is how a bench is ended; else as the signal says."""
    name = ending.acknowledge()
    if name not in {"", ending.CTRL_C}:
        raise typer.Exit(ending.exit_code_of(name))


def _announce(address: str) -> None:
    say(f"port: {address}")


def _report_late(sentence: str) -> None:
    say(f"slotproof: {sentence}", err=True)
