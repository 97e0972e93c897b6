"""Any description that loads, and any that does not: nothing crashes, lines are right."""

from __future__ import annotations

import builtins
import json
import os
import random
import re
import socket
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.errors import (
    CheckValueWrong,
    ReadingImplausible,
    SlotproofError,
    UsageError,
)
from harness.families.check import RecordToWrite
from harness.families.family import Family, Options
from harness.families.session import Session
from harness.plans.kinds.derived import worked_out
from harness.plans.loading.kinds import load_kind, parse_kind
from harness.plans.loading.problems import PlanError, Problem
from harness.plans.schema.kind.exchange import filled, length_of
from harness.plans.schema.kind.rows import Derived
from harness.wire.romcode import RomCode
from tests import outside_crc
from tests.plans.kinds.drawn import description

FOLDER = Path(__file__).parent / "described"
FILES = sorted(FOLDER.glob("*.kind.yaml"))

SEED = int(os.environ.get("SLOTPROOF_SEED", "20261128"))

RECORD = RecordToWrite(
    name="two",
    data=b"\x01\x02",
    compare=lambda *_: (),
    before_sending=lambda _over: None,
)


class _Clock:
    """Time that jumps."""

    def __init__(self) -> None:
        self.at_s = 0.0

    def now_s(self) -> float:
        self.at_s += 0.001
        return self.at_s

    def sleep(self, seconds: float) -> None:
        self.at_s += seconds


class AnyAnswer:
    """A session whose device answers whatever the test draws."""

    def __init__(self, code: int, data: st.DataObject) -> None:
        self.rom = RomCode.build(code, 5)
        self.memory: dict[str, Any] = {}
        self.loop_backs: dict[str, str] = {}
        self.seat_doubt = ""
        self.clock = _Clock()
        self._random = random.Random(data.draw(st.integers(0, 1 << 32)))
        self._dull = data.draw(st.sampled_from([None, 0x00, 0xFF]))
        self._last = self._write = b""

    def _bytes(self, write: bytes, count: int) -> bytes:
        """Ones or zeros, the last answer again, or new bytes with a CRC that may be right."""
        if self._dull is not None and self._random.random() < 0.3:
            return bytes([self._dull]) * count
        if len(self._last) == count and self._random.random() < 0.6:
            return self._last
        data = self._random.randbytes(count)
        if self._random.random() < 0.3:
            data = bytes(byte & 0xF0 | ~byte >> 4 & 0x0F for byte in data)
        self._last = self._random.choice(
            [
                data,
                data[:-1] + bytes([outside_crc.crc_8(data[:-1])]),
                data[:-2] + outside_crc.crc_16(data[:-2]).to_bytes(2, "little"),
                data[:-2] + outside_crc.crc_16(write + data[:-2]).to_bytes(2, "little"),
            ]
        )[:count]
        return self._last

    def transact(self, write: bytes, read: int = 0) -> bytes:
        self._write = write
        return self._bytes(write, read)

    def more(self, write: bytes = b"", read: int = 0) -> bytes:
        self._write += write
        return self._bytes(self._write, read)

    def transact_bits(self, _write: bytes, slots: int) -> list[int]:
        return [self._random.getrandbits(1) for _ in range(slots)]

    def read_bits(self, slots: int) -> list[int]:
        return self.transact_bits(b"", slots)

    def hold_strong_pull_up(self, _write: bytes, _hold_s: float) -> None:
        pass

    def verify(self) -> None:
        pass

    def meets_condition(self) -> bool:
        return bool(self._random.getrandbits(1))

    def settle(self) -> None:
        pass

    def note(self, _text: str, **_facts: object) -> None:
        pass


def _everything(family: Family, session: Session) -> None:
    """Each quantity, setting and check once; only our own errors may come out."""
    for quantity in family.quantities.values():
        _tried(lambda row=quantity: row.read(session))
    configure = family.configure
    for name in family.settings if configure else ():
        for value in ("on", 0, 3.7, True):
            _tried(lambda n=name, v=value: configure(session, {n: v}, False))  # type: ignore[misc]
    for check in family.checks.values():
        given: dict[str, Any] = {
            name: option.default
            for name, option in check.options.items()
            if option.default is not None
        }
        if "data" in check.options:
            given["data"] = b"\x01\x02"
        if "record" in check.options:
            given["record"] = RECORD
        _tried(lambda row=check, o=given: row.run(session, Options(o)))


def _tried(ask: Any) -> None:  # noqa: ANN401 - any call
    with suppress(SlotproofError):
        ask()


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
@given(data=st.data())
@settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow])
def test_no_answer_crashes_a_shipped_description(
    path: Path, data: st.DataObject
) -> None:
    """Random bytes, ones, zeros: a value, or an error of ours."""
    for family in load_kind(path).families:
        _everything(family, AnyAnswer(family.code, data))  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Mutant:
    """A description with one change.

    Attributes:
        text: the whole of it.
        line: where the change is, from 1.
        was: that line before.
        now: that line after; empty if it was taken out.
    """

    text: str
    line: int
    was: str
    now: str

    def is_told_by(self, problem: Problem) -> bool:
        """True if a problem has the right line.

        Right is the changed line, one that the message names beside its own, the
        heading or list item that holds the changed line, a stretch from one line to
        another that holds it, and a line whose message names what was changed: the row
        that refers to a block of another name.
        """
        named = {int(number) for number in re.findall(r"line (\d+)", str(problem))}
        if {problem.line, *named} & {self.line, *self._around()}:
            return True
        if named and min(problem.line, *named) < self.line <= max(problem.line, *named):
            return True
        was, now = self._words(self.was), self._words(self.now)
        return bool((was ^ now or was) & self._words(str(problem)))

    @staticmethod
    def _words(text: str) -> set[str]:
        return set(re.findall(r"[A-Za-z_]\w{2,}|\b[0-9A-Fa-f]{2}\b", text))

    def _around(self) -> set[int]:
        """Lines of the headings and list items that the line lies in."""
        lines = self.text.splitlines()
        depth, found = _depth(self.was), set()
        for number in range(self.line - 1, 0, -1):
            line = lines[number - 1]
            starts_item = line.lstrip().startswith("- ")
            if not line.strip(" #"):
                continue
            if _depth(line) < depth or (starts_item and _depth(line) == depth - 2):
                depth = _depth(line)
                found.add(number)
        return found


def _depth(line: str) -> int:
    return len(line) - len(line.lstrip(" "))


def _mutants(count: int, seed: int) -> Iterator[Mutant]:
    """Descriptions with one change each."""
    chance = random.Random(seed)
    texts = [path.read_text("utf-8") for path in FILES]
    while count:
        text = chance.choice(texts)
        lines = text.splitlines()
        at = chance.choice([n for n, line in enumerate(lines) if line.strip(" #")])
        now = [] if chance.random() < 0.1 else [_changed(lines[at], chance)]
        if now == [lines[at]]:
            continue
        changed = "\n".join([*lines[:at], *now, *lines[at + 1 :]]) + "\n"
        yield Mutant(changed, at + 1, lines[at], "".join(now))
        count -= 1


def _changed(line: str, chance: random.Random) -> str:
    words = re.findall(r"[A-Za-z_]{3,}", line) or [line]
    numbers = re.findall(r"\b(?:0x)?[0-9]+\b", line) or [line]
    word, number, place = (
        chance.choice(words),
        chance.choice(numbers),
        chance.randrange(len(line)),
    )
    ways = (
        line.replace(word, word[:-2] + word[-1] + word[-2], 1),
        line.replace(number, chance.choice(["-1", "70000", "x", "1.5", "[]"]), 1),
        line.replace(":", "", 1),
        line.replace(word, "", 1),
        line.replace("{", chance.choice(["", "[", "{{"]), 1),
        chance.choice([" " + line, "  " + line, line.removeprefix("  ")]),
        line[:place] + chance.choice("{}[]:,'\"é\t&*!") + line[place + 1 :],
    )
    return chance.choice(ways)


@pytest.mark.slow
def test_500_mutants_are_refused_with_the_right_line_or_loaded() -> None:
    """No traceback; every refusal has a problem at a right line, none outside the file."""
    refused, wrong = 0, []
    for mutant in _mutants(500, SEED):
        try:
            described = parse_kind(mutant.text, "m")
        except PlanError as error:
            refused += 1
            last = mutant.text.count("\n") + 1
            inside = all(1 <= p.line <= last and p.column for p in error.problems)
            if not inside or not any(map(mutant.is_told_by, error.problems)):
                wrong.append((mutant.line, mutant.was, mutant.now, error.lines()))
            continue
        assert described.families
    assert refused > 200
    assert not wrong, "\n".join(map(str, wrong))


class Drawn:
    """Stands for what hypothesis draws, for tests that draw by themselves."""

    def __init__(self, seed: int) -> None:
        self.values = [seed, random.Random(seed).choice([None, 0x00, 0xFF])]

    def draw(self, _strategy: object) -> Any:  # noqa: ANN401
        return self.values.pop(0)


def _loaded_of(texts: Iterator[str]) -> int:
    """How many descriptions load; each of them is asked for everything it offers."""
    loaded = 0
    for number, text in enumerate(texts):
        try:
            described = parse_kind(text, "m")
        except PlanError:
            continue
        loaded += 1
        for family in described.families:
            _everything(family, AnyAnswer(family.code, Drawn(number)))  # type: ignore[arg-type]
    return loaded


def test_a_mutant_that_loads_does_not_crash() -> None:
    """Whatever a changed but sound description does with random answers."""
    assert _loaded_of(mutant.text for mutant in _mutants(120, SEED)) > 10


@pytest.mark.slow
def test_no_drawn_description_crashes() -> None:
    """400 of them with factors at the ends of all numbers; four in five are sound.

    ``SLOTPROOF_SEED`` draws others.
    """
    chance = random.Random(SEED)
    texts = (json.dumps(description(chance)) for _ in range(400))
    assert _loaded_of(texts) > 200


def test_terms_beyond_all_numbers_are_no_value() -> None:
    """One that is too large on either side: held back, and no traceback."""
    row = Derived.model_validate(
        {
            "name": "d",
            "terms": [{"factor": f, "powers": {"x": 2}} for f in (1e308, -1e308)],
        }
    )
    with pytest.raises(ReadingImplausible, match="d would be nan"):
        worked_out(row, {"x": 1e3})


def test_a_description_reaches_no_file_environment_or_network(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Everything that it offers runs while those are shut."""
    families = [family for path in FILES for family in load_kind(path).families]

    def shut(*_arguments: object, **_more: object) -> None:
        raise AssertionError("reached outside")

    with monkeypatch.context() as closed:
        closed.setattr(builtins, "open", shut)
        closed.setattr(os, "getenv", shut)
        closed.setattr(socket, "socket", shut)
        closed.setattr(os, "environ", {})

        class Fixed:
            def draw(self, _strategy: object) -> None:
                return None

        for family in families:
            _everything(family, AnyAnswer(family.code, Fixed()))  # type: ignore[arg-type]


SMALL = """
kind: thing
codes: 0xE5
class: converter
sources: [invented]
blocks: {b: {write: "BE", read: 3, crc: [{kind: crc-8}]}}
registers:
  - {name: raw, block: b, at: 0, bytes: 2}
"""

MISTAKES = {
    "codes: 0xE5>codes: 0x28": ("built in: ", 3),
    "class: converter>class: convertor": ("did you mean 'converter'", 4),
    "sources: [invented]>sorces: [invented]": ("did you mean 'sources'", 5),
    "block: b,>block: c,": ("there is no block 'c' here", 8),
    "bytes: 2>bytes: 3": ("ends with byte 2 of the 2", 8),
    "name: raw>name: rom_code": ("'rom_code' is taken", 8),
    "name: raw>name: Raw": ("cannot be a name", 8),
    '"BE">"BE {page}"': ("{page} cannot stand here", 6),
    "sources: [invented]>sources: [invented]\nreplaces_built_in: true": ("none of the codes", 6),
    "bytes: 2}>bytes: 2, access: read-write}": ("block b cannot be", 8),
    "bytes: 2}>bytes: 2, scale: 0}": ("scale 0", 8),
    "bytes: 2}>bytes: 2, hazards: [memory-war]}": ("did you mean 'memory-wear'", 8),
}  # fmt: skip


@pytest.mark.parametrize(("change", "wanted"), MISTAKES.items())
def test_mistakes_have_line_and_cure(change: str, wanted: tuple[str, int]) -> None:
    """Each kind of mistake, at its line."""
    old, _, new = change.partition(">")
    text = SMALL.replace(old, new).lstrip("\n")
    words, line = wanted
    with pytest.raises(PlanError) as raised:
        parse_kind(text, "k")
    (problem,) = [p for p in raised.value.problems if words in str(p)]
    assert problem.line == line - 1


class Answers:
    """A session whose device always answers the same."""

    def __init__(self, answer: bytes) -> None:
        self.answer = answer

    def transact(self, _write: bytes, read: int = 0) -> bytes:
        return self.answer[:read]

    def verify(self) -> None:
        pass


RULED = SMALL.replace("read: 3, crc: [{kind: crc-8}]", "read: 4, crc: [{kind: crc-16}]")


def test_a_crc_by_another_rule_is_a_fault_of_the_file() -> None:
    """CRC-16 over command and answer, described as over the answer: an error, with the cure."""
    sent = outside_crc.crc_16(b"\xbe\x12\x34").to_bytes(2, "little")
    read = parse_kind(RULED, "k").families[0].quantities["raw"].read
    with pytest.raises(UsageError, match="right by another rule") as raised:
        read(Answers(b"\x12\x34" + sent))  # type: ignore[arg-type]
    assert "crc: [{kind: crc-16, over: write-and-answer}]" in raised.value.hint
    with pytest.raises(CheckValueWrong) as wrong:
        read(Answers(b"\x12\x34\x00\x00"))  # type: ignore[arg-type]
    assert "right with" not in wrong.value.hint


def test_eight_bits_by_another_rule_are_advice_only() -> None:
    """A CRC-8 sent inverted: noise makes that too, so it stays a failure."""
    sent = bytes([outside_crc.crc_8(b"\x12\x34") ^ 0xFF])
    read = parse_kind(SMALL, "k").families[0].quantities["raw"].read
    with pytest.raises(CheckValueWrong) as raised:
        read(Answers(b"\x12\x34" + sent))  # type: ignore[arg-type]
    assert "inverted: true" in raised.value.hint


def test_one_byte_of_a_block_may_be_written() -> None:
    """{data 1} is byte 1, as {data 1..1} is."""
    assert filled("4E {data 1}", {"data": b"abc"}) == b"\x4eb"
    assert filled("4E {data 1..2}", {"data": b"abc"}) == b"\x4ebc"
    assert filled("4E {data}", {"data": b"abc"}) == b"\x4eabc"
    assert length_of("4E {data 1}", {"data": 3}) == 2


def test_a_quantity_shows_what_can_be_measured() -> None:
    """Low and high of a row, where its bits hold more."""
    text = SMALL.replace("bytes: 2}", "bytes: 2, scale: 0.5, low: 10, unit: hPa}")
    (family,) = parse_kind(text, "k").families
    assert family.quantities["raw"].about == "10 to 32767.5 hPa"


LAUGHS = "a: &a [x, x]\n" + "".join(
    f"{new}: &{new} [*{old}, *{old}]\n" for old, new in pairwise("abcdefghijklmnopqrst")
)
BOMBS = {
    LAUGHS + SMALL.lstrip("\n"): "alias *a; expected the value written out",
    SMALL.replace("thing", '!!python/object/apply:os.system ["id"]'): "tag !!python/",
    SMALL.replace("thing", "!include /etc/passwd"): "tag !include",
    SMALL + "x: " + "[" * 2000: "nested deeper than 50",
    SMALL.replace("bytes: 2", f"bytes: {'9' * 5000}"): "expected a whole number",
    SMALL.replace("bytes: 2", "bytes: 2, scale: 1e999"): "a number below 1e308",
    SMALL.replace("bytes: 2", "bytes: 2, scale: .nan"): "expected a number",
    SMALL.replace("read: 3", "read: 2147483647"): "expected at most 2048",
    SMALL.replace("BE", "BE " * 4000): "expected at most 6144 characters",
    SMALL + "<<: {a: 1}\n": "merge key <<",
}


@pytest.mark.parametrize(("text", "told"), BOMBS.items(), ids=range(len(BOMBS)))
def test_a_file_that_means_harm_is_refused(text: str, told: str) -> None:
    """Aliases that expand, tags that construct, depth and numbers without end."""
    with pytest.raises(PlanError) as raised:
        parse_kind(text, "k")
    assert told in str(raised.value)


def test_a_replaced_kind_keeps_its_hazards() -> None:
    """A description cannot take the place of a kind and leave its cautions out."""
    text = (FOLDER / "lockable_eeprom.kind.yaml").read_text("utf-8")
    with pytest.raises(PlanError, match="loses the hazard memory-wear"):
        parse_kind(text.replace("hazards: [memory-wear]", "hazards: []"), "k")


def test_small_description_is_sound() -> None:
    """What the mistakes above are made of."""
    assert yaml.safe_load(SMALL)["codes"] == 0xE5
    assert parse_kind(SMALL, "k").families[0].code == 0xE5
