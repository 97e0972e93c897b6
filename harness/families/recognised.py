"""Kinds that are known by their family code and have no driver here.

Their ROM code is enumerated, proved and reported; nothing is sent beyond that. A
module with a driver for one of these codes takes its row out of this table.

Sources: a public copy of the maker's family-code reference table, and single data
sheets; rows marked ``_MEMORY`` are from memory.
"""

from __future__ import annotations

from harness.families.family import Family

_SHEET, _MEMORY = "", "from memory"

_ROWS: tuple[tuple[int, str, str, str, str], ...] = (
    (0x02, "password memory, 1152 bit", "memory", "DS1991", _SHEET),
    (0x16, "cryptographic processor", "authenticator", "DS1954, DS1957", _MEMORY),
    (0x17, "EEPROM, 512 bit, SHA-256", "authenticator", "DS28E15, DS1964S", _MEMORY),
    (0x18, "RAM, 4 Kbit, SHA-1 coprocessor", "authenticator", "DS1963S", _MEMORY),
    (0x1A, "RAM, 4 Kbit, write counters", "counter", "DS1963L", _SHEET),
    (0x1B, "battery identification and monitor", "battery", "DS2436", _MEMORY),
    (0x1C, "EEPROM, 4 Kbit, two outputs", "I/O port", "DS28E04-100", _SHEET),
    (0x1E, "battery monitor", "battery", "DS2437", _MEMORY),
    (0x1F, "coupler of two branches", "I/O port", "DS2409", _SHEET),
    (0x31, "cell protector with EEPROM", "battery", "DS2720", _MEMORY),
    (0x32, "stand-alone fuel gauge", "battery", "DS2780", _MEMORY),
    (0x34, "battery authenticator, SHA-1", "authenticator", "DS2703", _MEMORY),
    (0x35, "fuel gauge", "battery", "DS2755, DS2756", _MEMORY),
    (0x37, "password EEPROM, 32 Kbyte", "memory", "DS1977", _SHEET),
    (0x3D, "fuel gauge, two cells", "battery", "DS2781", _MEMORY),
    (0x44, "one-time memory, SHA-1", "authenticator", "DS28E10", _MEMORY),
    (0x47, "EEPROM, 4 Kbit, SHA-256", "authenticator", "DS28E25", _MEMORY),
    (0x48, "EEPROM, 2 Kbit, SHA-256", "authenticator", "DS28E22", _MEMORY),
    (
        0x70,
        "serial number inside a part for another bus",
        "serial number",
        "DS28DG02",
        _SHEET,
    ),
    *(
        (code, "sensor on a microcontroller", "converter", "-", _MEMORY)
        for code in (0x7E, 0xA6, 0xEE, 0xEF, 0xFC, 0xFF)
    ),
)

FAMILIES = tuple(
    Family(
        code=code,
        name=name,
        device_class=device_class,
        typical_parts=parts,
        facts=source,
        recognised_only=True,
    )
    for code, name, device_class, parts, source in _ROWS
)
