"""Which checks a port gets, by what it has."""

from __future__ import annotations

import pytest

from harness.families.common.port_checks import port_checks
from harness.families.common.ports import Ports, PortState
from harness.families.family import Hazard, Session


def _read(_: Session) -> PortState:
    return PortState(levels=0, latches=0)


def _drive(_: Session, __: int) -> None:
    """Nothing is there."""


@pytest.mark.parametrize(
    ("channels", "names"),
    [
        (("a",), {"output_walk"}),
        (("a", "b"), {"output_walk", "loop_back"}),
    ],
)
def test_a_loop_takes_two_channels(channels: tuple[str, ...], names: set[str]) -> None:
    """One output has no other input to be wired to; hazards go with every check."""
    ports = Ports(
        channels=channels,
        read=_read,
        drive=_drive,
        hazards=frozenset({Hazard.OUTPUT_SWITCHING}),
    )
    checks = port_checks(ports)
    assert {check.name for check in checks} == names
    assert all(check.hazards == {Hazard.OUTPUT_SWITCHING} for check in checks)
