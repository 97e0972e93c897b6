"""What every device answers: its ROM code. Family 01h and 81h answer nothing else.

Source: data sheet of a family-01h serial number (part DS2401), p. 2 and 4.
"""

from harness.families.family import Answer, Family, Quantity, Session, by_name


def _rom_code(session: Session) -> Answer:
    # No device answers a match; only a directed search proves all 64 bits.
    session.verify()
    return Answer(value=str(session.rom))


def _serial_number(session: Session) -> Answer:
    return Answer(value=f"{session.rom.serial:012X}")


QUANTITIES = by_name(
    Quantity(
        name="rom_code",
        unit="",
        read=_rom_code,
        about="the 64-bit ROM code as found and proved on the bus",
    ),
    Quantity(
        name="serial_number",
        unit="",
        read=_serial_number,
        about="the 48-bit serial number inside the ROM code",
    ),
)
"""Quantities of every family."""


def unknown(code: int) -> Family:
    """The family of a code that no module claims: enumerated, proved, nothing more."""
    return Family(
        code=code, name="unknown family", device_class="unknown", typical_parts=""
    )


FAMILIES = (
    Family(
        code=0x01,
        name="64-bit serial number",
        device_class="serial number",
        typical_parts="DS2401, DS2411, DS1990A",
    ),
    Family(
        code=0x81,
        name="64-bit serial number, customised",
        device_class="serial number",
        typical_parts="DS1420",
    ),
)
