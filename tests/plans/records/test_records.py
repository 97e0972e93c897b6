"""What each unit carries: records that fit are read back, values with their places."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from crccheck.crc import Crc16Arc, Crc32  # type: ignore[import-untyped]
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.families.hazard import Hazard
from harness.plans.loading.files import PlanError, parse_plan
from harness.plans.loading.problems import PlanError as Mistakes
from harness.plans.records.codec import compared, decoded, encoded
from harness.plans.records.values import read_units, values_given
from harness.plans.schema.record import RecordLayout
from harness.records import Outcome
from harness.station.unit_plans import UnitPlans

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

WEAR = frozenset({Hazard.MEMORY_WEAR})
RECORD = """
plan: p
unit: {serial_pattern: "CS-[0-9]{6}", columns: {trim: 0.0, slot: 1}}
record:
  label:
    length: 40
    fields:
      - {name: magic, bytes: "A5 01"}
      - {name: serial, text: $unit.serial, length: 10}
      - {name: made, date: $today, length: 3}
      - {name: trim, scaled: $unit.trim, scale: 0.01, signed: true, length: 2}
      - {name: slot, integer: $unit.slot, length: 1}
      - {name: rom, text: $unit.rom_code, length: 16}
      - {name: rest, fill: 0xFF, length: 4}
      - {name: check, crc: crc-16, over: [serial, made]}
steps:
  - for_each:
      family: 0x2D
      steps:
        - check: {function: memory_write, with: {record: label%s}, hazard: memory-wear}
        - check: {function: memory_record, with: {record: label}}
"""
UNIT: dict[str, Any] = {
    "serial": "CS-000103",
    "trim": -1.25,
    "slot": 3,
    "today": "2026-11-28",
}


@st.composite
def layouts(draw: st.DrawFn) -> RecordLayout:
    """Any layout whose values fit."""
    fields: list[dict[str, Any]] = []
    for number in range(draw(st.integers(1, 6))):
        sort = draw(
            st.sampled_from(["text", "integer", "date", "scaled", "bytes", "fill"])
        )
        length = draw(st.integers(1, 8))
        signed = draw(st.booleans())
        low = -(1 << 8 * length - 1) if signed else 0
        whole = draw(st.integers(low, low + (1 << 8 * length) - 1))
        texts = st.text(
            st.characters(codec="utf-8", exclude_characters="\0"), max_size=8
        )
        text = draw(texts).encode()[:length].decode(errors="ignore")
        sorts: dict[str, dict[str, Any]] = {
            "text": {"text": text, "length": length},
            "integer": {"integer": whole, "length": length, "signed": signed,
                        "order": draw(st.sampled_from(["little", "big"]))},
            "date": {"date": str(draw(st.dates(date(2000, 1, 1), date(2099, 12, 31)))),
                     "length": draw(st.sampled_from([3, 4]))},
            "scaled": {"scaled": draw(st.integers(-100, 100)) / 4, "scale": 0.25,
                       "signed": True, "length": draw(st.integers(2, 8))},
            "bytes": {"bytes": draw(st.binary(min_size=1, max_size=8)).hex()},
            "fill": {"fill": 0xFF, "length": length},
        }  # fmt: skip
        fields.append({"name": f"f{number}", **sorts[sort]})
    fields.append({"name": "check", "crc": draw(st.sampled_from(["crc-8", "crc-16", "crc-32"])),
                   "inverted": draw(st.booleans())})  # fmt: skip
    sizes = [
        f.get("length") or len(bytes.fromhex(f.get("bytes", ""))) for f in fields[:-1]
    ]
    crc = {"crc-8": 1, "crc-16": 2, "crc-32": 4}[fields[-1]["crc"]]
    return RecordLayout.model_validate({"length": sum(sizes) + crc, "fields": fields})


@given(layouts())
def test_any_record_that_fits_is_read_back(layout: RecordLayout) -> None:
    """Each field decodes to what it was, and its check value holds."""
    data = encoded(layout)
    assert len(data) == layout.length
    values = decoded(layout, data)
    for field in layout.fields:
        if field.sort in {"text", "integer", "date", "scaled"}:
            assert values[field.name] == getattr(field, field.sort)
    assert all(value.holds for value in compared(layout, data, b""))


@given(layouts(), st.data())
def test_any_bytes_decode(layout: RecordLayout, data: st.DataObject) -> None:
    """Foreign bytes come out as values or as hex, never as a crash."""
    size = layout.length
    compared(
        layout, data.draw(st.binary(min_size=size, max_size=size)), encoded(layout)
    )


def test_check_values_are_those_of_a_library() -> None:
    """CRC-16/ARC and CRC-32/ISO-HDLC over the bytes before."""
    fields = [{"name": "text", "text": "123456789", "length": 9}]
    for kind, wanted in (("crc-16", Crc16Arc), ("crc-32", Crc32)):
        size = {"crc-16": 2, "crc-32": 4}[kind]
        layout = RecordLayout.model_validate(
            {"length": 9 + size, "fields": [*fields, {"name": "c", "crc": kind}]}
        )
        value = int.from_bytes(encoded(layout)[9:], "little")
        assert value == wanted.calc(b"123456789")
    assert zlib.crc32(b"123456789") == 0xCBF43926  # the published check value


def _run(run_plan: Make, data: Any, values: dict[str, Any], **more: Any) -> Any:  # noqa: ANN401
    plan = parse_plan(RECORD % more.pop("extra", ""), "p").of_unit(values)
    return run_plan([], data, allow=WEAR, plan=plan, **more)


def test_a_record_is_written_proved_and_decoded(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Each field stands in the results; the ROM code is that of the device."""
    ran = _run(run_plan, bench_data([new_device(0x2D, 5)]), UNIT)
    assert ran.code == 0
    wrote, read = (ran.shown(step, "S1") for step in ("1.1", "1.2"))
    values = {m.name: m.value for m in wrote.measurements}
    assert values["record_serial"] == "CS-000103"
    assert values["record_trim"] == -1.25
    assert values["record_made"] == "2026-11-28"
    assert values["record_rom"] == wrote.device.rom_code
    assert {m.name: m.value for m in read.measurements}.items() <= values.items()
    notes = [e["text"] for e in ran.events if e["event"] == "note"]
    sent = notes.index("record label is sent")
    assert sent > notes.index("memory before writing")


def test_another_record_is_not_written_over(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Without ``overwrite`` nothing is sent; with it the record goes in."""
    data = bench_data([new_device(0x2D, 5, content="01 02 03")])
    refused = _run(run_plan, data, UNIT).shown("1.1", "S1")
    assert refused.outcome is Outcome.FAILED
    assert "hold something else than record label" in refused.message
    assert _run(run_plan, data, UNIT, extra=", overwrite: true").code == 0


def test_the_plan_of_no_unit_does_not_run() -> None:
    """Values that the plan takes must be given, and be of their type."""
    plan = parse_plan(RECORD % "", "p.yaml")
    assert plan.mentions == {"serial", "trim", "slot", "today", "rom_code"}
    with pytest.raises(UsageError, match=r"takes \$unit.serial"):
        UnitPlans(plan=plan).of("", date(2026, 1, 1))
    today = date(2026, 1, 1)
    with pytest.raises(UsageError, match="did you mean 'slot'"):
        values_given(plan, {"slott": "3"}, today)
    with pytest.raises(UsageError, match=r"slot is '1\.5'"):
        values_given(plan, {"slot": "1.5"}, today)
    with pytest.raises(UsageError, match="is no serial number"):
        values_given(plan, {"serial": "CS-1"}, today)
    with pytest.raises(Mistakes, match=r"p.yaml:12:31: 256 does not fit into 1 bytes"):
        plan.of_unit({**UNIT, "slot": 256})


MISTAKES = {
    "$unit.serial,>$unit.seral,": "did you mean '$unit.serial'",
    "$unit.serial,>$units.serial,": "unknown value $units.serial",
    "length: 10>length: 8": "serial numbers of this plan have up to 9 characters",
    'serial_pattern: "CS-[0-9]{6}", >': "have up to 100 characters",
    "length: 40>length: 41": "the fields take 40 bytes of 41",
    "over: [serial, made]>over: [serial, mode]": "'mode' does not stand before",
    "record: label%s>record: lable": "did you mean 'label'",
    'bytes: "A5 01">bytes: "A5 0"': "no row of bytes",
    "date: $today, length: 3>date: 28.11.2026, length: 3": "is no date",
    "integer: $unit.slot, length: 1>integer: 300, length: 1": "300 does not fit",
    "text: $unit.rom_code, length: 16>text: $unit.rom_code, length: 8": "takes 16 bytes of 8",
    "fill: 0xFF, length: 4>fill: 0xFF": "length is left out of fill",
}


@pytest.mark.parametrize(("change", "words"), MISTAKES.items())
def test_mistakes_stand_at_their_line(change: str, words: str) -> None:
    """Line, column and the nearest word."""
    old, _, new = change.partition(">")
    text = (RECORD.replace(old, new) if "%s" in old else RECORD % "").replace(old, new)
    with pytest.raises(PlanError) as raised:
        parse_plan(text, "p")
    told = [p for p in raised.value.problems if words in str(p)]
    assert [p.line > 1 for p in told] == [True], raised.value


def test_rom_code_outside_a_record() -> None:
    """It is known only where bytes go to a device."""
    text = "plan: p\nsteps:\n  - read: {quantity: rom_code, wanted: $unit.rom_code}\n"
    with pytest.raises(PlanError, match=r"p:3:40: \$unit.rom_code stands outside"):
        parse_plan(text, "p")


def test_a_list_of_units(tmp_path: Path) -> None:
    """Typed columns by serial number; what is wrong has its line."""
    plan = parse_plan(RECORD % "", "p")
    path = tmp_path / "units.csv"
    path.write_text("serial,trim,slot\nCS-000001,1.5,2\nCS-000002,-3,4\n", "utf-8")
    units = read_units(path, plan)
    assert units.of("CS-000002") == {"serial": "CS-000002", "trim": -3, "slot": 4}
    with pytest.raises(UsageError, match="not in the list"):
        units.of("CS-000003")
    bad = "serial,trim,slat\n", "serial,trim\nCS-000001,x\nCS-000001,1\nCS-000001,1,2\n"
    for text, words in zip(
        bad, ("1:3: column 'slat'", "2:2: trim is 'x'"), strict=True
    ):
        path.write_text(text, "utf-8")
        with pytest.raises(PlanError) as raised:
            read_units(path, plan)
        assert words in str(raised.value)
