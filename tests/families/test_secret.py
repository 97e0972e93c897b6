"""A secret is shown by nothing but ``reveal``."""

from __future__ import annotations

import copy
import json
import pickle
import traceback

import pytest

from harness.families.secret import MASK, Secret

VALUE = bytes.fromhex("00 11 22 33 44 55 66 77")
SECRET = Secret(VALUE, source="env:BENCH_SECRET")


def test_every_text_form_is_masked() -> None:
    """repr, str and format name the source and never the bytes."""
    for text in (
        repr(SECRET),
        str(SECRET),
        f"{SECRET}",
        f"{SECRET!r:>90}",
    ):
        assert MASK in text
        assert "33" not in text


def test_reveal_gives_the_bytes() -> None:
    """For the wire and for hashing."""
    assert SECRET.reveal() == VALUE
    assert len(SECRET) == 8


def test_equal_secrets_are_equal() -> None:
    """By value; where it came from does not count."""
    assert Secret(VALUE, source="file:x") == SECRET
    assert Secret(bytes(8), source="env:BENCH_SECRET") != SECRET
    assert SECRET != VALUE
    assert len({SECRET, Secret(bytes(8), source="env:BENCH_SECRET")}) == 2


def test_it_is_not_written_to_a_file() -> None:
    """Pickle, copy and JSON refuse it."""
    for write in (pickle.dumps, copy.copy, json.dumps):
        with pytest.raises(TypeError):
            write(SECRET)


def test_a_traceback_with_locals_has_no_secret() -> None:
    """The most talkative traceback there is shows the mask."""

    def fail(secret: Secret) -> None:
        raise ValueError(f"cannot use {secret}")

    with pytest.raises(ValueError, match="cannot use") as raised:
        fail(SECRET)
    lines = traceback.TracebackException.from_exception(
        raised.value, capture_locals=True
    ).format()
    text = "".join(lines)
    assert MASK in text
    assert VALUE.hex() not in text
    assert repr(VALUE) not in text.replace("VALUE = ", "")
