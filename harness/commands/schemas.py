"""`slotproof schema`: the JSON Schemas of what is written by hand or by machine."""

from __future__ import annotations

import json

from harness.errors import UsageError
from harness.output import say
from harness.plans.schema.files import MODELS, json_schema


def schema(*, kind: str) -> None:
    """Print the JSON Schema of a file kind, for completion in an editor."""
    for known in MODELS:
        if kind == known:
            say(json.dumps(json_schema(known), indent=2))
            return
    raise UsageError(f"{kind!r} is no file kind", hint="use plan or fixture")
