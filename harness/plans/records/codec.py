"""A record in bytes, and bytes as a record."""

from __future__ import annotations

import datetime
import zlib
from collections.abc import Iterator

from harness.plans.schema.record import RecordField, RecordLayout
from harness.plans.schema.transact import bytes_of
from harness.records import Measurement, Scalar
from harness.wire.crc import crc8, crc16


def encoded(layout: RecordLayout, rom_code: str = "") -> bytes:
    """The bytes of a record.

    Args:
        layout: its fields, whose values fit (the schema insists on it).
        rom_code: of the device that it is for, 16 hex digits.
    """
    parts: dict[str, bytes] = {}
    for field in layout.fields:
        parts[field.name] = _bytes(field, parts, rom_code)
    return b"".join(parts.values())


def decoded(layout: RecordLayout, data: bytes) -> dict[str, Scalar]:
    """The value of each field; bytes that are no value of its type in hex."""
    return {field.name: _value(field, piece) for field, piece in _pieces(layout, data)}


def compared(layout: RecordLayout, data: bytes, wanted: bytes) -> list[Measurement]:
    """Each field as the device has it, beside the intended value.

    Args:
        layout: the fields.
        data: what was read.
        wanted: what should stand there; empty to hold check values only.
    """
    meant = decoded(layout, wanted) if wanted else {}
    found: list[Measurement] = []
    parts: dict[str, bytes] = {}
    for field, piece in _pieces(layout, data):
        parts[field.name] = piece
        target = meant.get(field.name)
        if field.crc is not None and not wanted:
            target = _shown(_check_bytes(field, parts))
        if field.fill is not None:
            continue
        found.append(
            Measurement(
                name=f"record_{field.name}",
                value=_value(field, piece),
                unit=field.unit,
                wanted=target,
            )
        )
    return found


def _pieces(layout: RecordLayout, data: bytes) -> Iterator[tuple[RecordField, bytes]]:
    at = 0
    for field in layout.fields:
        yield field, data[at : at + field.size]
        at += field.size


def _shown(data: bytes) -> str:
    return data.hex(" ").upper()


# -- one field -----------------------------------------------------------------------


def _bytes(field: RecordField, parts: dict[str, bytes], rom_code: str) -> bytes:
    match field.sort:
        case "text":
            text = rom_code if field.is_rom_code else str(field.text)
            content = text.encode("utf-8", "surrogatepass")
            return content.ljust(field.size, bytes([field.pad]))
        case "integer" | "scaled":
            return field.raw.to_bytes(field.size, field.order, signed=field.signed)
        case "date":
            day = datetime.date.fromisoformat(field.date or "")
            return bytes.fromhex(f"{day:%Y%m%d}")[-field.size :]
        case "bytes":
            return bytes_of(field.bytes or "")
        case "fill":
            return bytes([field.fill or 0]) * field.size
        case _:
            return _check_bytes(field, parts)


def _check_bytes(field: RecordField, parts: dict[str, bytes]) -> bytes:
    names = field.over or tuple(name for name in parts if name != field.name)
    covered = b"".join(parts[name] for name in names)
    register = {
        "crc-8": lambda: crc8(covered),
        "crc-16": lambda: crc16(covered),
        "crc-32": lambda: zlib.crc32(covered),
    }[field.crc or ""]()
    full = (1 << 8 * field.size) - 1
    value = register ^ full if field.inverted else register
    return value.to_bytes(field.size, field.order)


def _value(field: RecordField, piece: bytes) -> Scalar:
    match field.sort:
        case "text":
            return _text(field, piece)
        case "integer":
            return int.from_bytes(piece, field.order, signed=field.signed)
        case "scaled":
            raw = int.from_bytes(piece, field.order, signed=field.signed)
            return raw * field.scale + field.offset
        case "date":
            return _date(piece)
        case _:
            return _shown(piece)


def _text(field: RecordField, piece: bytes) -> str:
    try:
        return piece.rstrip(bytes([field.pad])).decode("utf-8")
    except UnicodeDecodeError:
        return _shown(piece)


def _date(piece: bytes) -> str:
    digits = piece.hex()
    year = digits[:-4] if len(piece) == 4 else f"20{digits[:-4]}"
    try:
        return str(datetime.date.fromisoformat(f"{year}-{digits[-4:-2]}-{digits[-2:]}"))
    except ValueError:
        return _shown(piece)
