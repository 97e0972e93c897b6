"""One instrument as a fixture describes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.instruments.words import InstrumentKind, KindWords

Level = float | bool
"""A set-point, or on and off."""

Limits = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentRow:
    """What the fixture says of an instrument.

    Attributes:
        name: as plans call it.
        kind: what it is.
        library: VISA library: ``@py``, a path, or ``simulated``.
        resource: VISA resource name, such as ``TCPIP::192.0.2.7::5025::SOCKET``.
        identity: text that the answer to ``*IDN?`` must contain.
        words: its command words.
        limits: lowest and highest value ever sent, by setting.
        tolerance: how near the measured value must come, by setting.
        settle_s: longest wait for that, in seconds.
        start: settings it needs before anything can be asked of the bus.
        rest: settings it is left in, in this order.
        meter: instrument that measures its output; empty for its own measurement.
        timeout_s: longest wait for an answer.
        ends_with: what ends each message.
        bench: simulated bench that it belongs to; empty for an instrument of this machine.
    """

    name: str
    kind: InstrumentKind
    resource: str
    identity: str
    words: KindWords
    library: str = "@py"
    limits: Mapping[str, Limits] = field(default_factory=dict)
    tolerance: Mapping[str, float] = field(default_factory=dict)
    settle_s: float = 5.0
    start: Mapping[str, Level] = field(default_factory=dict)
    rest: Mapping[str, Level] = field(default_factory=dict)
    meter: str = ""
    timeout_s: float = 2.0
    ends_with: str = "\n"
    bench: str = ""
