"""What a fixture declares of a bus, as far as rules look at it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated

from pydantic import PlainSerializer

RomCodes = Annotated[frozenset[str], PlainSerializer(sorted)]
"""ROM codes in print form; sorted in the journal, so that it is the same in each run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the fixture declares.

    Attributes:
        rom_codes: expected ROM codes in print form -> socket.
        devices: number of sockets that expect a device.
        pull_up_ohm: declared pull-up.
        cable_pf: declared capacitance of the cable.
        parasite: ROM codes that the fixture declares as fed from the data line.
        no_load: ROM codes of battery parts through which, as declared, no current flows.
        supply_v: of the line, as an instrument gives it or as declared.
        built_for_v: as declared, where an instrument gives another supply; else None.
    """

    rom_codes: dict[str, str] = field(default_factory=dict)
    devices: int = 0
    pull_up_ohm: float = 4700.0
    cable_pf: float = 0.0
    parasite: RomCodes = frozenset()
    no_load: RomCodes = frozenset()
    supply_v: float = 5.0
    built_for_v: float | None = None
