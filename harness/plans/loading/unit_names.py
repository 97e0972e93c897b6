"""Values of units that a plan takes: ``$unit.NAME`` and ``$today``, and their examples.

While a plan is loaded nobody has a unit in hand: an example of each value stands in its
place, so that types and lengths are judged. The plan of one unit is loaded again with
the unit's own values.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from harness.plans.loading.problems import Problem
from harness.plans.loading.yaml_text import Document, KeyPath, Plain, read_scalar
from harness.plans.schema.record import ROM_CODE
from harness.records import Scalar

TODAY = "today"
UNIT = "unit."
_FIXED: dict[str, Scalar] = {"serial": "0", "lot": "lot", "count": 1}
"""Names that every plan knows, each with an example."""


def unit_examples(data: Plain) -> dict[str, Scalar]:
    """An example of each value that the plan may take, by its name in the plan."""
    rules = data.get("unit") if isinstance(data, dict) else None
    columns = rules.get("columns") if isinstance(rules, dict) else None
    numbers = rules.get("numbers") if isinstance(rules, dict) else None
    examples: dict[str, Scalar] = dict(_FIXED)
    last = numbers.get("last") if isinstance(numbers, dict) else None
    if isinstance(last, int):
        examples["count"] = last
    for name, value in columns.items() if isinstance(columns, dict) else ():
        if isinstance(value, float | int | str):
            examples[name] = value
    found: dict[str, Scalar] = {f"{UNIT}{name}": v for name, v in examples.items()}
    return {**found, ROM_CODE.removeprefix("$"): ROM_CODE, TODAY: "2026-01-01"}


def typed_value(name: str, text: str, example: Scalar) -> Scalar:
    """A value of the command line or of a list, of the type of its example.

    Raises:
        ValueError: it is none, with the reason.
    """
    if isinstance(example, str):
        return text
    value = read_scalar(text)
    wrong = (
        not isinstance(value, int | float)
        or isinstance(example, bool) != isinstance(value, bool)
        or (isinstance(example, int) and isinstance(value, float))
    )
    if value is None or wrong:
        raise ValueError(f"{name} is {text!r}, expected is a value such as {example!r}")
    return value


def check_lengths(
    data: Plain, document: Document, notes: Mapping[KeyPath, str]
) -> Iterator[Problem]:
    """Fields of a record that the longest serial number of the plan does not fit into."""
    longest = _longest_serial(data)
    for path, note in notes.items():
        is_serial = note == "$unit.serial" and path[:1] == ("record",)
        field = _at(data, path[:-1])
        length = field.get("length") if isinstance(field, dict) else None
        if not is_serial or path[-1] != "text" or not isinstance(length, int):
            continue
        if longest is None or longest > length:
            many = "any number of" if longest is None else f"up to {longest}"
            yield document.problem(
                document.place_of(path),
                f"serial numbers of this plan have {many} characters, the field {length} "
                "bytes",
                expected="unit.serial_pattern for what fits, or a longer field",
            )


def _longest_serial(data: Plain) -> int | None:
    """Characters of the longest serial number that the pattern takes; None if unlimited."""
    rules = data.get("unit") if isinstance(data, dict) else None
    pattern = rules.get("serial_pattern") if isinstance(rules, dict) else None
    if not isinstance(pattern, str):
        return 100
    try:
        # how long what it matches can be is not asked any other way
        longest = int(re._parser.parse(pattern).getwidth()[1])  # type: ignore[attr-defined]
    except re.error:
        return 0  # the schema complains
    return None if longest > 1 << 20 else longest


def _at(data: Plain, path: KeyPath) -> Plain:
    for part in path:
        if isinstance(data, dict) and isinstance(part, str):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return None
    return data
