"""The plan behind `slotproof diagnose`."""

from harness.plans.loading.files import parse_plan
from harness.plans.schema.files import Plan

_TEXT = """\
plan: diagnosis
about: what is wrong with this bus, found out without any plan
steps:
  - diagnose:
"""


def diagnose_plan() -> Plan:
    """One examination with its defaults."""
    return parse_plan(_TEXT, "built-in diagnosis")
