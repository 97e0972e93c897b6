"""`slotproof ports`: the adapters of this machine."""

from __future__ import annotations

from harness.driver.port import list_adapters
from harness.output import say


def ports() -> None:
    """List adapters with a stable name to put into a fixture."""
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
