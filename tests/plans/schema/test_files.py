"""The JSON Schema for editors says of a file what loading says of it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.plans.loading.files import parse
from harness.plans.loading.yaml_text import Plain
from harness.plans.schema.files import STEP_KINDS, FileKind, json_schema

ROOT = Path(__file__).parents[3]
FILES = [
    *(("fixture", path) for path in sorted((ROOT / "fixtures").glob("*.yaml"))),
    *(("plan", path) for path in sorted((ROOT / "test_plans").glob("*.yaml"))),
]

_TYPES: dict[str, tuple[type, ...]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "number": (int, float),
    "integer": (int,),
    "boolean": (bool,),
    "null": (type(None),),
}

_NOTES = {
    "$defs",
    "$schema",
    "additionalProperties",
    "default",
    "description",
    "discriminator",
    "properties",
    "title",
}


def complaints(
    schema: dict[str, Any], node: dict[str, Any], data: Plain
) -> Iterator[str]:
    """What a validator says, written from the published rules of draft 2020-12.

    Only the keywords that our schemas use; any other is an error of this test.
    """
    for word, rule in node.items():
        if word not in _NOTES:
            yield from _RULES[word](schema, rule, data)
    if isinstance(data, dict):
        yield from _object(schema, node, data)


def _object(
    schema: dict[str, Any], node: dict[str, Any], data: dict[str, Any]
) -> Iterator[str]:
    known = node.get("properties", {})
    patterns = node.get("patternProperties", {})
    for key, value in data.items():
        matching = [rule for p, rule in patterns.items() if re.search(p, key)]
        rules = [known[key]] if key in known else matching
        if not rules and node.get("additionalProperties") is False:
            yield f"key {key}"
        if not rules and isinstance(node.get("additionalProperties"), dict):
            rules = [node["additionalProperties"]]
        for rule in rules:
            yield from complaints(schema, rule, value)


def _type(_: object, rule: str, data: Plain) -> Iterator[str]:
    fits = isinstance(data, _TYPES[rule])
    if isinstance(data, bool) and rule != "boolean":
        fits = False
    if not fits:
        yield f"{data!r} is no {rule}"


def _ref(schema: dict[str, Any], rule: str, data: Plain) -> Iterator[str]:
    yield from complaints(
        schema, schema["$defs"][rule.rsplit("/", maxsplit=1)[-1]], data
    )


def _any(
    schema: dict[str, Any], rule: list[dict[str, Any]], data: Plain
) -> Iterator[str]:
    if all(any(complaints(schema, branch, data)) for branch in rule):
        yield f"{data!r} fits no branch"


def _one(
    schema: dict[str, Any], rule: list[dict[str, Any]], data: Plain
) -> Iterator[str]:
    fitting = [b for b in rule if not any(complaints(schema, b, data))]
    if len(fitting) != 1:
        yield f"{data!r} fits {len(fitting)} branches"


def _items(schema: dict[str, Any], rule: dict[str, Any], data: Plain) -> Iterator[str]:
    for value in data if isinstance(data, list) else ():
        yield from complaints(schema, rule, value)


def _prefix_items(
    schema: dict[str, Any], rule: list[dict[str, Any]], data: Plain
) -> Iterator[str]:
    for branch, value in zip(
        rule, data if isinstance(data, list) else (), strict=False
    ):
        yield from complaints(schema, branch, value)


def _property_names(
    schema: dict[str, Any], rule: dict[str, Any], data: Plain
) -> Iterator[str]:
    for name in data if isinstance(data, dict) else ():
        yield from complaints(schema, rule, name)


def _required(_: object, rule: list[str], data: Plain) -> Iterator[str]:
    for key in rule:
        if isinstance(data, dict) and key not in data:
            yield f"no {key}"


Rule = Callable[[dict[str, Any], Any, Any], Iterator[str]]


def _unless(holds: Callable[[Any, Any], bool], *kinds: type) -> Rule:
    def check(_: object, rule: object, data: object) -> Iterator[str]:
        judged = isinstance(data, kinds) and not isinstance(data, bool)
        if judged and not holds(data, rule):
            yield f"{data!r} against {rule!r}"

    return check


_RULES: dict[str, Rule] = {
    "type": _type,
    "$ref": _ref,
    "anyOf": _any,
    "oneOf": _one,
    "items": _items,
    "required": _required,
    "enum": _unless(lambda data, rule: data in rule, str),
    "const": _unless(lambda data, rule: data == rule, str),
    "minimum": _unless(lambda data, rule: data >= rule, int, float),
    "maximum": _unless(lambda data, rule: data <= rule, int, float),
    "exclusiveMinimum": _unless(lambda data, rule: data > rule, int, float),
    "exclusiveMaximum": _unless(lambda data, rule: data < rule, int, float),
    "minLength": _unless(lambda data, rule: len(data) >= rule, str),
    "maxLength": _unless(lambda data, rule: len(data) <= rule, str),
    "prefixItems": _prefix_items,
    "propertyNames": _property_names,
    "minItems": _unless(lambda data, rule: len(data) >= rule, list),
    "maxItems": _unless(lambda data, rule: len(data) <= rule, list),
    "minProperties": _unless(lambda data, rule: len(data) >= rule, dict),
    "maxProperties": _unless(lambda data, rule: len(data) <= rule, dict),
    "pattern": _unless(lambda data, rule: re.search(rule, data) is not None, str),
    "patternProperties": lambda *_: iter(()),
}


def _said(kind: FileKind, text: str) -> list[str]:
    schema = json_schema(kind)
    return list(complaints(schema, schema, parse(text, "f").data))


@pytest.mark.parametrize(("kind", "path"), FILES, ids=[p.name for _, p in FILES])
def test_shipped_files_follow_the_schema(kind: FileKind, path: Path) -> None:
    """No editor underlines anything in a file that we ship."""
    assert _said(kind, path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "steps",
    [
        "[]",
        "[{}]",
        "[{reset: , wait: {for_s: 1}}]",
        "[{resett: }]",
        "[{reset: {tims: 1}}]",
        "[{reset: {times: '5'}}]",
        "[{reset: {times: 0}}]",
        "[{read: {low: 1}}]",
        "[{enumerate: {families: [0x128]}}]",
        "[{stress: {slot: read, low_us: {from: 1}}}]",
        "[{stress: {slot: read, low_us: [500]}}]",
        "[{for_each: {steps: [{wait: {for_s: -1}}]}}]",
        "[{prompt: {text: x, expect: maybe}}]",
    ],
)
def test_mistakes_break_the_schema(steps: str) -> None:
    """What loading refuses, an editor underlines."""
    assert _said("plan", f"plan: p\nsteps: {steps}\n") != []


@pytest.mark.parametrize(
    "step",
    [
        "reset: ",
        "reset: {times: $n, presence: $p}",
        "read: {quantity: temperature, low: $low, fresh: $fresh}",
        "enumerate: {families: $family}",
        "enumerate: {families: [$one, 0x28]}",
        "stress: {slot: $slot, low_us: {from: $a, to: $b, step: $c}}",
        "configure: {settings: {resolution_bits: $bits}}",
    ],
)
def test_a_parameter_may_stand_for_any_value(step: str) -> None:
    """An editor takes $name where a number, truth value or fixed word belongs."""
    assert _said("plan", f"plan: p\nsteps: [{{{step}}}]\n") == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("port: sim://", "prt: sim://"),
        ("seed: 7 ", "sed: 7 "),
        ("kind: fractional-divider", "kind: fraction"),
        ("family: 0x28, rom_code", "family: 0x128, rom_code"),
        ("temperature_degc: 4.2", "temperature_degc: 400"),
        ("faults: []", "faults: [{kind: noise}]"),
    ],
)
def test_mistakes_in_a_fixture_break_the_schema(old: str, new: str) -> None:
    """An editor underlines them in the simulated truth too."""
    text = (ROOT / "fixtures" / "demo_bench.yaml").read_text(encoding="utf-8")
    assert old in text
    assert _said("fixture", text.replace(old, new)) != []


@pytest.mark.parametrize("kind", ["plan", "fixture"])
def test_every_key_is_described(kind: FileKind) -> None:
    """Each key of the files has a description that an editor shows."""
    schema = json_schema(kind)
    for name, node in {"": schema, **schema["$defs"]}.items():
        for key, rule in node.get("properties", {}).items():
            target = schema["$defs"].get(str(rule.get("$ref")).split("/")[-1], {})
            fixed = "const" in rule  # the word that tells branches apart
            described = rule.get("description") or target.get("description")
            assert described or fixed, f"{name}.{key}"


@pytest.mark.parametrize("kind", ["plan", "fixture"])
def test_the_schema_is_plain_json(kind: FileKind) -> None:
    """It names its dialect and survives a trip through JSON."""
    schema = json_schema(kind)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert json.loads(json.dumps(schema)) == schema


def test_every_step_kind_is_offered() -> None:
    """The schema of a step lists all kinds."""
    offered = json_schema("plan")["$defs"]["StepItem"]["properties"]
    assert tuple(offered) == STEP_KINDS
