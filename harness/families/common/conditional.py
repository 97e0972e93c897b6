"""Conditional search, hit and miss: a device answers while its condition holds only."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from harness.families.family import (
    Check,
    Findings,
    Hazard,
    Option,
    Options,
    Session,
    by_name,
)
from harness.records import Measurement


def search_check(
    run: Callable[[Session, Options], Findings],
    *,
    condition: str,
    channels: tuple[str, ...] = (),
    hazards: frozenset[Hazard] = frozenset(),
) -> Check:
    """The check ``conditional_search``.

    Args:
        run: makes the condition hold, then fail, and returns ``answered``.
        condition: what the device is asked for and what is left changed, in words.
        channels: the first is the default of option ``channel``; none, no option.
        hazards: what setting up the condition carries.
    """
    channel = Option.text(
        "channel",
        "whose input is the condition",
        default=channels[0] if channels else None,
        choices=channels,
    )
    return Check(
        name="conditional_search",
        about=f"answers a conditional search {condition}, and not else",
        run=run,
        options=by_name(channel) if channels else {},
        hazards=hazards,
        expected_s=0.5,
    )


def answered(
    *, met: bool, unmet: bool, evidence: Mapping[str, Any] | None = None
) -> Findings:
    """The findings: answers while the condition is met, none while it is not."""
    return Findings(
        measurements=(
            Measurement(name="answers_when_met", value=met, wanted=True),
            Measurement(name="answers_when_not_met", value=unmet, wanted=False),
        ),
        evidence=dict(evidence or {}),
    )
