"""Rows of commands are true: what the driver sends is what they say, byte for byte."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from harness.families.command import (
    ADDRESS,
    CODE,
    Again,
    Chosen,
    Command,
    Counted,
    Crc,
    Part,
    Place,
    Span,
    ToAddress,
    ToPageEnd,
)
from harness.families.registry import family_of, known_families
from tests.families.cases import BENCH_SECRET, CASES, Case, open_case
from tests.families.wire_log import WireLog, seen_commands

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


@pytest.mark.parametrize("case", CASES, ids=str)
def test_every_command_sent_is_a_row(
    live: Make, case: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Codes, lengths, CRCs, rests and pulses of all that goes over the port.

    And no row is decoration: each one is sent, or is named as not sent.
    """
    commands = family_of(case.family).commands
    monkeypatch.setenv("BENCH_SECRET", BENCH_SECRET)
    session = open_case(live, case)
    log = WireLog(session._bus)
    for job in case.jobs:
        job(session)
    sent: set[str] = set()
    for transaction in log.finish():
        for seen in seen_commands(transaction, commands, reads_on=case.reads_on):
            assert seen.command is not None
            sent.add(seen.command.name)
    assert {row.name for row in commands} - sent == case.unsent


def test_every_kind_with_a_driver_is_a_case() -> None:
    """No family is forgotten."""
    drivers = {
        code
        for code in known_families()
        if not (row := family_of(code)).recognised_only
        and (row.quantities or row.settings)
    }
    assert {case.family for case in CASES} == drivers
    assert all(family_of(code).commands for code in drivers)


@pytest.mark.parametrize("code", [c for c in known_families() if family_of(c).commands])
def test_rows_are_decodable(code: int) -> None:
    """One command a code, and every part that others refer to stands before them."""
    rows = family_of(code).commands
    for place in Place:
        codes = [row.code for row in rows if row.place is place]
        assert len(codes) == len(set(codes))
    assert len({row.name for row in rows}) == len(rows)
    for row in rows:
        assert row.source
        _refer_backwards(row)


def _refer_backwards(row: Command) -> None:
    known = {CODE}
    for part in _flat(row.parts):
        match part:
            case Span(name=name, length=length):
                if isinstance(length, Counted):
                    assert length.by in known
                if isinstance(length, ToPageEnd | ToAddress):
                    assert ADDRESS in known
                known.add(name)
            case Crc(covers=covers):
                assert set(covers) <= known
            case Chosen(by=by):
                assert by in known


def _flat(parts: tuple[Part, ...]) -> Iterator[Part]:
    for part in parts:
        yield part
        if isinstance(part, Again):
            yield from _flat(part.parts)
        elif isinstance(part, Chosen):
            for case in part.cases.values():
                yield from _flat(case)
