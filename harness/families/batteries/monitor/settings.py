"""Settings of the battery monitor: configuration and threshold, read and written.

    byte 0 of page 0  b0 current converter, b1 accumulators, b2 shadow, b3 voltage of
                      the supply
    byte 7 of page 0  b7 b6 threshold

Sources: see ``monitor_memory``.
"""

from __future__ import annotations

from collections.abc import Mapping

from harness.errors import UsageError
from harness.families.batteries.monitor.memory import (
    AD,
    CA,
    CONFIGURATION_BITS,
    EE,
    IAD,
    WEAR,
    read_page,
    write_configuration,
)
from harness.families.batteries.sense_resistor import SENSE, remember_sense
from harness.families.common.answers import shown
from harness.families.common.values import on_off
from harness.families.family import Answer, Session, Setting
from harness.records import Scalar

_THRESHOLDS = {0: 0x00, 2: 0x40, 4: 0x80, 8: 0xC0}
_INPUTS = {"supply": AD, "input": 0}
_BITS = {"current_converter": IAD, "accumulators": CA, "shadow": EE}


# -- as they stand -----------------------------------------------------------------


def read_configuration(session: Session) -> Answer:
    """What is switched on, and which voltage is measured, in words."""
    block = read_page(session, 0)
    on = [name for name, bit in _BITS.items() if block[0] & bit]
    source = "supply" if block[0] & AD else "input"
    return Answer(
        value=", ".join([*on, f"voltage of {source}"]).replace("_", " "),
        evidence={"page": shown(block)},
    )


def read_threshold(session: Session) -> Answer:
    """Currents up to this are not counted, in counts."""
    block = read_page(session, 0)
    counts = next(c for c, code in _THRESHOLDS.items() if code == block[7] & 0xC0)
    return Answer(value=counts, evidence={"page": shown(block)})


# -- as they shall be --------------------------------------------------------------


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Write configuration and threshold; both go to EEPROM, whatever ``store`` says.

    The threshold is changed while the current converter is off.

    Raises:
        UsageError: a value that is none.
        AnswerImpossible: the device reads back something else.
    """
    evidence: dict[str, object] = {"stored": True}
    if "sense_mohm" in settings:
        remember_sense(session, settings["sense_mohm"])
    written = {name: v for name, v in settings.items() if name != "sense_mohm"}
    if written:
        page = read_page(session, 0)
        config, threshold = _wanted(page, written)
        if threshold != page[7]:
            write_configuration(session, page[0] & ~IAD, threshold)
        write_configuration(session, config, threshold)
        evidence["configuration"] = f"{config:02X} {threshold:02X}"
    return Answer(value=", ".join(settings), evidence=evidence)


def _wanted(page: bytes, settings: Mapping[str, Scalar]) -> tuple[int, int]:
    config, threshold = page[0] & CONFIGURATION_BITS[0], page[7]
    for name, bit in _BITS.items():
        if name in settings:
            on = on_off(name, settings[name])
            config = config | bit if on else config & ~bit
    if "voltage_input" in settings:
        source = settings["voltage_input"]
        if source not in _INPUTS:
            raise UsageError(
                f"voltage_input is {source!r}", hint=f"one of {', '.join(_INPUTS)}"
            )
        config = config & ~AD | _INPUTS[str(source)]
    if "threshold_counts" in settings:
        counts = settings["threshold_counts"]
        if isinstance(counts, str | bool) or counts not in _THRESHOLDS:
            raise UsageError(f"threshold_counts is {counts!r}", hint="0, 2, 4 or 8")
        threshold = threshold & 0x3F | _THRESHOLDS[int(counts)]
    return config, threshold


_ABOUT = {
    "current_converter": "on or off",
    "accumulators": "on or off; takes the last four user bytes",
    "shadow": "on or off: totals are kept in EEPROM, which wears it",
    "voltage_input": "supply or input",
    "threshold_counts": "0, 2, 4 or 8: smaller currents are not counted",
}
_GOVERNS = {
    "current_converter": {"current", "current_counts", "accumulated_charge"},
    "accumulators": {"charge_total", "discharge_total"},
    "shadow": set[str](),
    "voltage_input": {"voltage"},
    "threshold_counts": {"threshold_counts"},
}
SETTINGS = (
    SENSE,
    *(
        Setting(
            name=name,
            unit="",
            about=about,
            hazards=WEAR,
            governs=frozenset({"configuration", *_GOVERNS[name]}),
        )
        for name, about in _ABOUT.items()
    ),
)
