"""Titles of steps, as reports show them."""

from __future__ import annotations

from harness.plans.schema.bodies import AtSpeed, StepBody

_DETAILS = {
    "read": "quantity",
    "stress": "slot",
    "shmoo": "slot",
    "measure": "what",
    "adjust": "instrument",
    "meter": "quantity",
    "soak": "quantity",
    "configure": "settings",
    "check": "function",
    "plug_in": "step",
    "transact": "write",
    "enumerate": "count",
}


def detail_of(kind: str, body: StepBody) -> str:
    """The main key of a step as text; empty if it has none."""
    detail = getattr(body, _DETAILS.get(kind, ""), None)
    if isinstance(detail, dict | tuple):
        detail = ", ".join(detail)
    return "" if detail is None else str(detail)


def title_of(kind: str, body: StepBody) -> str:
    """The step's title: its name in the plan, or one made from its kind and main key."""
    if body.name:
        return body.name
    words = f"{kind.replace('_', ' ')} {detail_of(kind, body)}".rstrip()
    if getattr(body, "during", "rest") == "conversion":
        words += " during a conversion"
    fast = isinstance(body, AtSpeed) and body.speed == "overdrive"
    return f"{words} in overdrive" if fast else words
