"""What shows that a thermometer restarted, as rows.

Sources: data sheets family 28h (part DS18B20, rev 042208) p. 3-4 (power-on value) and
p. 7 (EEPROM recalled at power-up), 10h (DS18S20) p. 3-4, 22h (DS1822) p. 4, 3Bh
(DS1825) p. 7-8, 42h (DS28EA00) p. 7-12.
"""

from __future__ import annotations

from dataclasses import replace

from harness.families.family import ALARM_SEARCH
from harness.families.restart import AfterRestart, RestartSign, Trace

_SHEET = "data sheet family 28h (part DS18B20, rev 042208) p. 3-4 and 7"

_READINGS = frozenset({"temperature", "temperature_restart_checked"})


def _reading(governs: frozenset[str] = _READINGS) -> RestartSign:
    return RestartSign(
        shown_by="temperature",
        trace=Trace.READING,
        after=AfterRestart.REFUSED,
        governs=governs,
        about="85 degC until the first conversion ends; read without a new conversion",
        source=_SHEET,
    )


def _alarm(name: str) -> RestartSign:
    return RestartSign(
        shown_by=name,
        trace=Trace.MARKER,
        after=AfterRestart.STORED,
        governs=frozenset({name, ALARM_SEARCH}),
        about="a value that was written and not stored is gone; one that differs from the "
        "stored one marks all that is read until then",
        source=_SHEET,
    )


_ALARMS = (_alarm("alarm_high"), _alarm("alarm_low"))
_RESOLUTION = RestartSign(
    shown_by="resolution",
    trace=Trace.SETTING,
    after=AfterRestart.STORED,
    governs=_READINGS | {"resolution", "conversion_time"},
    about="a resolution that was written and not stored is gone",
    source=_SHEET,
)

PLAIN = (_reading(), *_ALARMS, _RESOLUTION)
"""Families 28h and 22h."""

WITH_COUNTERS = (_reading(), *_ALARMS)
"""Family 10h."""

_HERE = frozenset({"temperature"})
_RESOLUTION_HERE = RestartSign(
    shown_by="resolution",
    trace=Trace.SETTING,
    after=AfterRestart.STORED,
    governs=_HERE | {"resolution", "conversion_time"},
    when="the device has a resolution that can be written (quantity variant: adjustable)",
    about="a resolution that was written and not stored is gone",
    source="data sheet family 3Bh (part DS1825) p. 7-8",
)

LOCATED = (_reading(_HERE), *_ALARMS, _RESOLUTION_HERE)
"""Family 3Bh, for the part with alarm limits."""


CHAINED = (
    _reading(_HERE),
    *_ALARMS,
    replace(
        _RESOLUTION_HERE, when="", source="data sheet family 42h (part DS28EA00) p. 8"
    ),
)
"""Family 42h beside its outputs; its chain is off after a restart, which no command shows."""
