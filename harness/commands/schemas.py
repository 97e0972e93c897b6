"""`slotproof schema`: JSON Schemas of files that are written and of JSON that is printed."""

from __future__ import annotations

import json

from harness.commands.outputs.schemas import ANSWERS
from harness.errors import UsageError
from harness.output import say
from harness.plans.schema.files import DIALECT, MODELS, json_schema


def schema_names() -> list[str]:
    """What there is a schema of."""
    return [*MODELS, *ANSWERS]


def schema(*, kind: str) -> None:
    """Print the JSON Schema of a file kind, or of a command's JSON."""
    for known in MODELS:
        if kind == known:
            say(json.dumps(json_schema(known), indent=2))
            return
    if kind in ANSWERS:
        made = ANSWERS[kind].model_json_schema(mode="serialization")
        say(json.dumps({"$schema": DIALECT, **made}, indent=2))
        return
    raise UsageError(
        f"there is no schema {kind!r}", hint=f"one of {', '.join(schema_names())}"
    )
