"""The models of plan and fixture files, and their JSON Schema for editors."""

from __future__ import annotations

from typing import Any, Literal

from harness.plans.schema.base import FromFile, Scalar, Source
from harness.plans.schema.bodies import (
    Configure,
    Convert,
    Enumerate,
    Prompt,
    Read,
    Reset,
    StepBody,
    Switch,
    Verify,
    Wait,
)
from harness.plans.schema.checks import CheckBody
from harness.plans.schema.diagnose import Diagnose
from harness.plans.schema.fixture import (
    AdapterSettings,
    Expectation,
    Fixture,
    LineSettings,
    PowerSettings,
    Socket,
)
from harness.plans.schema.kind.file import Kind
from harness.plans.schema.plan import Plan
from harness.plans.schema.soak import ClaimSettings, Soak, StopAt, Tolerate
from harness.plans.schema.steps import STEP_KINDS, ForEach, Repeat, StepItem, Vary
from harness.plans.schema.transact import Transact
from harness.plans.schema.trials import HoldRange, LowSpan, Stress

FileKind = Literal["plan", "fixture", "kind"]

MODELS: dict[FileKind, type[FromFile]] = {
    "plan": Plan,
    "fixture": Fixture,
    "kind": Kind,
}
"""The model of each kind of file."""

DIALECT = "https://json-schema.org/draft/2020-12/schema"

_PARAMETER = {
    "type": "string",
    "pattern": r"^\$[A-Za-z_][A-Za-z0-9_]*(\.[A-Za-z0-9_]+)*$",
    "description": "a parameter of the plan",
}


def json_schema(kind: FileKind) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of our files, for editors.

    In a plan, every number, truth value and fixed word of a step may also be a
    parameter such as ``$low_degc``.
    """
    schema = MODELS[kind].model_json_schema(by_alias=True, mode="validation")
    if kind == "plan":
        definitions = schema["$defs"]
        for definition in definitions.values():
            definition["properties"] = {
                key: _or_parameter(value)
                for key, value in definition.get("properties", {}).items()
            }
        definitions["StepItem"] |= {"minProperties": 1, "maxProperties": 1}
        definitions["Parameter"] = dict(_PARAMETER)
    plain: dict[str, Any] = _published(schema)
    return {"$schema": DIALECT, **plain}


_BOUNDS = {
    "ge": "minimum",
    "gt": "exclusiveMinimum",
    "le": "maximum",
    "lt": "exclusiveMaximum",
}


def _published(schema: Any) -> Any:  # noqa: ANN401 - any JSON value
    """The same schema in the words and the meaning of the published dialect.

    Bounds behind a converter come out under pydantic's own names. Branches that no
    key of the data distinguishes may fit side by side.
    """
    if isinstance(schema, list):
        return [_published(value) for value in schema]
    if not isinstance(schema, dict):
        # an editor shows a description to somebody who writes YAML, not Python
        if isinstance(schema, str):
            return schema.partition("\n\nExample:")[0]
        return schema
    changed = {
        _BOUNDS.get(key, key) if isinstance(value, int | float) else key: (
            _published(value)
        )
        for key, value in schema.items()
    }
    if "oneOf" in changed and "discriminator" not in changed:
        changed["anyOf"] = changed.pop("oneOf")
    return changed


def _scalar_or_parameter(schema: dict[str, Any]) -> dict[str, Any]:
    """What describes the key stays outside, what bounds its value goes into a branch."""
    outer: dict[str, Any] = {
        k: v for k, v in schema.items() if k in {"title", "description", "default"}
    }
    inner = {k: v for k, v in schema.items() if k not in outer}
    return {**outer, "anyOf": [inner, {"$ref": "#/$defs/Parameter"}]}


def _or_parameter(schema: dict[str, Any]) -> dict[str, Any]:
    """The same schema where a parameter may stand for each scalar that is no text."""
    if schema.get("type") in {"integer", "number", "boolean"} or (
        "enum" in schema or "const" in schema
    ):
        return _scalar_or_parameter(schema)
    changed = dict(schema)
    for key in ("items", "additionalProperties"):
        if isinstance(changed.get(key), dict):
            changed[key] = _or_parameter(changed[key])
    for key in ("anyOf", "oneOf"):
        if key in changed:
            changed[key] = [_or_parameter(branch) for branch in changed[key]]
    return changed


__all__ = [
    "MODELS",
    "STEP_KINDS",
    "AdapterSettings",
    "CheckBody",
    "ClaimSettings",
    "Configure",
    "Convert",
    "Diagnose",
    "Enumerate",
    "Expectation",
    "FileKind",
    "Fixture",
    "ForEach",
    "HoldRange",
    "Kind",
    "LineSettings",
    "LowSpan",
    "Plan",
    "PowerSettings",
    "Prompt",
    "Read",
    "Repeat",
    "Reset",
    "Scalar",
    "Soak",
    "Socket",
    "Source",
    "StepBody",
    "StepItem",
    "StopAt",
    "Stress",
    "Switch",
    "Tolerate",
    "Transact",
    "Vary",
    "Verify",
    "Wait",
    "json_schema",
]
