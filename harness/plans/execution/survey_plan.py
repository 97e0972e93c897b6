"""The plan behind `slotproof survey`."""

from harness.plans.loading.files import parse_plan
from harness.plans.schema.files import Plan

_TEXT = """\
plan: timing survey
about: the time limits of line and devices, measured with slots
steps:
  - reset: {times: 20}
  - enumerate: {at_least: 1}
  - measure: {what: line}
  - measure: {what: devices}
  - measure: {what: devices, speed: overdrive}
"""


def survey_plan() -> Plan:
    """Resets, enumeration, then every quantity of the timing instrument, both speeds."""
    return parse_plan(_TEXT, "built-in survey")
