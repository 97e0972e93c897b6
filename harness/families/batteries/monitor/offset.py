"""Offset of the battery monitor: a register whose content is added to every current.

Source: data sheet family 26h (part DS2438) p. 6-10, 16 and 21; F27 in ``battery``.
"""

from __future__ import annotations

from harness.families.batteries.monitor.measuring import CURRENT_SENSE
from harness.families.batteries.monitor.memory import (
    CONFIGURATION_BITS,
    IAD,
    read_page,
    write_configuration,
    write_page,
)
from harness.families.batteries.sense_resistor import (
    MOST_COUNTS,
    READINGS,
    mean_counts,
    offset_values,
)
from harness.families.common.registers import Field
from harness.families.family import (
    Answer,
    Check,
    Findings,
    Hazard,
    Options,
    Session,
    by_name,
)
from harness.records import Measurement

OFFSET = Field(name="offset", offset=5, count=2, shift=3, signed=True)


def read_offset(session: Session) -> Answer:
    """The register, in counts."""
    return Answer(value=OFFSET.decode(read_page(session, 1)))


def _write_offset(session: Session, counts: int) -> None:
    """The register takes effect while the converter is off."""
    page = read_page(session, 0)
    write_configuration(session, page[0] & CONFIGURATION_BITS[0] & ~IAD, page[7])
    try:
        block = OFFSET.encode(read_page(session, 1), counts)
        write_page(session, 1, block, mask=bytes([0, 0, 0, 0, 0, 0xF8, 0xFF, 0]))
    finally:
        write_configuration(session, page[0] & CONFIGURATION_BITS[0], page[7])
    session.clock.sleep(CURRENT_SENSE.update_s * 2)


def _trim(session: Session, options: Options) -> Findings:
    readings, most = options.whole("readings"), options.number("most_counts")
    before = int(OFFSET.decode(read_page(session, 1)))
    session.note("offset before trimming", counts=before)
    _write_offset(session, 0)
    try:
        mean, counts = mean_counts(session, CURRENT_SENSE, readings)
        trim = -round(mean)
    except BaseException:
        session.settle()
        _write_offset(session, before)
        raise
    _write_offset(session, trim)
    after, again = mean_counts(session, CURRENT_SENSE, readings)
    return Findings(
        measurements=(
            *offset_values(session, CURRENT_SENSE, after, most),
            Measurement(name="offset_before", value=mean, unit="counts"),
            Measurement(name="trim", value=trim, unit="counts"),
        ),
        evidence={
            "untrimmed": counts,
            "trimmed": again,
            "trim_before": before,
            **CURRENT_SENSE.facts(session),
        },
    )


OFFSET_TRIM = Check(
    name="offset_trim",
    about="measures the offset at no current, trims it, measures again",
    run=_trim,
    leaves=frozenset({"offset_trim", "current", "current_counts", "current_offset"}),
    options=by_name(READINGS, MOST_COUNTS),
    hazards=frozenset({Hazard.CALIBRATION, Hazard.MEMORY_WEAR}),
    expected_s=5,
)
