"""What a package offers to slotproof behind its entry points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.families.check import Check, Step
from harness.families.family import Family

API_VERSION = 1
"""Version of the names that plug-ins use; grows when one of them changes its meaning.

Example:
    >>> import harness
    >>> harness.API_VERSION
    1
"""

OLDEST_API = 1
"""Oldest version for which a plug-in may have been written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlugIn:
    """What an entry point of ``slotproof.families``, ``.checks`` or ``.steps`` names.

    A plan or fixture that lists the entry point's name under ``plug_ins`` has it loaded.
    One record may serve all three groups; each takes its own part of it.

    Attributes:
        api: the ``harness.API_VERSION`` that it was written for.
        families: kinds of device, in the group ``slotproof.families``.
        checks: by family code, for kinds that are known without it.
        steps: for plans, as ``plug_in: {step: NAME}``.

    Example:
        >>> import harness
        >>> def count(sessions, options):
        ...     found = harness.Measurement(name="devices", value=len(sessions), low=1)
        ...     return harness.Findings(measurements=(found,))
        >>> row = harness.Step(name="count", about="counts the devices", run=count)
        >>> harness.PlugIn(api=1, steps=(row,)).steps[0].name
        'count'
    """

    api: int
    families: tuple[Family, ...] = ()
    checks: Mapping[int, tuple[Check, ...]] = field(default_factory=dict)
    steps: tuple[Step, ...] = ()
