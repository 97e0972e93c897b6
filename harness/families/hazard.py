"""What can be spoilt, hurt or given away, by name, with the caution that goes with it.

A plan names each hazard at the step, and the command line allows it by the same
name; neither alone is enough. Cautions are common practice, no source; they defer
to the device's data sheet, to local codes and to qualified staff.
"""

from __future__ import annotations

from enum import StrEnum


class Hazard(StrEnum):
    """One kind of harm; the value is the name as plans and command lines write it.

    Example:
        >>> import harness
        >>> str(harness.Hazard.MEMORY_WEAR)
        'memory-wear'
    """

    MEMORY_WEAR = "memory-wear"
    WRITE_ONCE = "write-once"
    PROGRAMMING_12_V = "programming-12-v"
    LOCK = "lock"
    SECRET = "secret"
    OUTPUT_SWITCHING = "output-switching"
    HIGH_VOLTAGE_OUTPUT = "high-voltage-output"
    MISSION_DATA_LOSS = "mission-data-loss"
    CLOCK_SETTING = "clock-setting"
    CELL_PROTECTOR = "cell-protector"
    CALIBRATION = "calibration"
    BEHIND_BRIDGE = "behind-bridge"
    RAW_WRITE = "raw-write"
    HOT_OR_COLD = "hot-or-cold"
    OVER_VOLTAGE = "over-voltage"
    CELL_TEMPERATURE = "cell-temperature"

    @property
    def caution(self) -> str:
        """What a person must know before allowing it."""
        return _CAUTIONS[self]


_DEFER = (
    "follow the device's data sheet and local codes; leave it to qualified staff where "
    "those ask for it"
)

_CAUTIONS = {
    Hazard.MEMORY_WEAR: "each write wears the memory cells, and contents are at risk "
    f"while it lasts; {_DEFER}",
    Hazard.WRITE_ONCE: f"a bit once written can never be erased; {_DEFER}",
    Hazard.PROGRAMMING_12_V: "12 V on the line destroys devices rated 6 V and adapters "
    "without clamps: one write-once device alone on an isolated line, adapter protected; "
    f"{_DEFER}",
    Hazard.LOCK: f"a lock can never be opened again; {_DEFER}",
    Hazard.SECRET: "a secret once replaced is lost, and a device with the wrong one is "
    f"scrap; keep secrets out of plans and away from others; {_DEFER}",
    Hazard.OUTPUT_SWITCHING: "an output moves whatever is wired to it: make sure that "
    f"nothing can start, heat or fall; {_DEFER}",
    Hazard.HIGH_VOLTAGE_OUTPUT: "outputs of this kind may carry up to 28 V and stored "
    "energy: limit the current, discharge before touching, keep it off the data line; "
    f"{_DEFER}",
    Hazard.MISSION_DATA_LOSS: f"the log of the last mission is erased; {_DEFER}",
    Hazard.CLOCK_SETTING: "the device's own time is overwritten, and what was stamped "
    f"by it loses its reference; {_DEFER}",
    Hazard.CELL_PROTECTOR: "this acts on the protector of a lithium cell: a wrong value "
    "can let a cell vent, burn or die; cell under supervision, no bare leads, fire "
    f"protection at hand; {_DEFER}",
    Hazard.CALIBRATION: f"the device's own calibration can be spoilt; {_DEFER}",
    Hazard.BEHIND_BRIDGE: "the bridge writes to a device that slotproof does not know: it may "
    f"switch something, or hold memory that can be written once only; {_DEFER}",
    Hazard.RAW_WRITE: "bytes of your own go to the device as they are: they may write, lock, "
    f"erase or switch, whatever the other hazards stand for; {_DEFER}",
    Hazard.HOT_OR_COLD: "a chamber below 0 or above 60 degC burns or freezes skin, and "
    "condensate forms on what comes out cold: gloves, let it return to room temperature "
    f"before opening, set the chamber's own limits; {_DEFER}",
    Hazard.OVER_VOLTAGE: "more than the line was built for goes to every device, to the "
    f"adapter and to all that hangs on the supply: set the supply's own limits; {_DEFER}",
    Hazard.CELL_TEMPERATURE: "a lithium cell that is heated or cooled out of its range can "
    "vent, burn or be damaged for good: cell under supervision, fire protection at hand, "
    f"never charge below 0 degC; {_DEFER}",
}

ALWAYS = (
    "ESD: touch ground before devices, wear a wrist strap at the bench.",
    "Check the line's voltage before plugging anything in; most devices stand 6 V at most.",
    "Switch off and let stored energy go before changing wires.",
    "Handle cells with insulated tools, and never short, crush or heat them.",
    "The device's data sheet, local codes and qualified staff decide, not this tool.",
)
"""Cautions for every bench. Common practice, no source."""


def known_hazards() -> tuple[str, ...]:
    """The names that a plan may write."""
    return tuple(str(hazard) for hazard in Hazard)


def hazard_names() -> list[str]:
    """Each hazard as a command line allows it."""
    return [str(hazard) for hazard in Hazard]
