"""`slotproof ports`: the adapters of this machine."""

from __future__ import annotations

from harness.commands.base import print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.others import AdapterFound, PortsAnswer
from harness.driver.port import list_adapters


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
        print_texts(["no adapter found -> plug one in; sim:// in a fixture needs none"])
    for adapter in adapters:
        print_texts(
            (
                adapter.device,
                f"    port: {adapter.stable_port}",
                f"    kind: {adapter.kind}",
                f"    about: {adapter.description}",
            )
        )
