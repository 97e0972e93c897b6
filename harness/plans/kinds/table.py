"""The kinds that a run knows: those built in, and those that its files describe."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from harness.families.family import Family
from harness.families.registry import Kinds, built_in
from harness.plans.kinds.family import families_of
from harness.plans.plug_ins.loading import known_with
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.kind.file import Kind
from harness.plans.schema.plan import Plan


def kinds_of(plan: Plan | None = None, fixture: Fixture | None = None) -> Kinds:
    """What plan and fixture know together; what the fixture names comes last."""
    files = [file for file in (plan, fixture) if file is not None]
    return known_with(built_in(), [each for file in files for each in file.described])


def families_in_journal(kind: dict[str, Any]) -> tuple[Family, ...]:
    """The families of a description that a journal holds; none of one edited since."""
    try:
        described = Kind.model_validate(kind.get("description"))
    except ValidationError:
        return ()
    return families_of(described)
