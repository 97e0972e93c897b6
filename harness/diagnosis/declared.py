"""What the fixture declares, as far as an examination can use it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.diagnosis.evidence.expected import Expected
from harness.driver.session import SocketFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """What the fixture declares about bus and devices.

    Attributes:
        expected: of the bus; part of the evidence.
        sockets: of each device found, by ROM code in print form; for its session.
    """

    expected: Expected
    sockets: Mapping[str, SocketFacts] = field(default_factory=dict)
