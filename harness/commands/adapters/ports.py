"""`slotproof ports`: the adapters of this machine."""

from __future__ import annotations

from harness.commands.base import print_json
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.others import AdapterFound, PortsAnswer
from harness.driver.port import list_adapters
from harness.output import say


def ports(*, style: OutputStyle) -> None:
    """List adapters with a stable name to put into a fixture."""
    adapters = list_adapters()
    if style.json:
        found = tuple(
            AdapterFound(
                device=adapter.device,
                port=adapter.stable_port,
                kind=adapter.kind,
                about=adapter.description,
            )
            for adapter in adapters
        )
        print_json(PortsAnswer(command="ports", exit_code=0, adapters=found))
        return
    if not adapters:
        say("no adapter found -> plug one in; sim:// in a fixture needs none")
    for adapter in adapters:
        say(f"{adapter.device}")
        say(f"    port: {adapter.stable_port}")
        say(f"    kind: {adapter.kind}")
        say(f"    about: {adapter.description}")
