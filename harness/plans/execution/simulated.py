"""Whether a fixture's bench is simulated, which every verdict states."""

from __future__ import annotations

import os
from urllib.parse import urlsplit

from harness.plans.schema.fixture import Fixture

_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
_PSEUDO_TERMINALS = "/dev/pts/"


def is_simulated(fixture: Fixture) -> bool:
    """True if the port leads to a simulated bench.

    Apart from ``sim://`` that is a bench that ``slotproof bench`` serves: the fixture
    describes it, and its port ends on this machine where no adapter can be, at a
    pseudo-terminal or a loopback address.
    """
    port = fixture.adapter.port
    if port.startswith("sim://"):
        return True
    if fixture.simulation is None:
        return False
    if "://" in port:
        return urlsplit(port).hostname in _LOOPBACK
    return os.path.realpath(port).startswith(_PSEUDO_TERMINALS)
