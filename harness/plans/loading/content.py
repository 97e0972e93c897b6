"""Reading and decoding of any of our files, up to its model."""

from __future__ import annotations

import hashlib
import stat
from pathlib import Path

from harness.plans.loading.models import Model, shown
from harness.plans.loading.problems import PlanError, Problem
from harness.plans.loading.yaml_text import Document, Plain
from harness.plans.schema.base import Source
from harness.plans.schema.files import MODELS, FileKind

LARGEST_FILE_BYTES = 500_000
"""1,000 steps, the most that a plan may have, of 500 bytes each (those of our own plans are
60 to 170 long). So much text with a mistake in every row is read and judged in 3 s of CPU
time (measured: 21,000 steps 2.7 s, 4,200 registers of a kind 2.4 s)."""


def read_file(path: str | Path) -> tuple[bytes, Source]:
    """The bytes of a file, and where they came from.

    Raises:
        PlanError: it cannot be read, or is none of ours.
    """
    name = str(path)
    try:
        content = _content(Path(path))
        absolute = str(Path(path).resolve())
    except _Unfit as error:
        raise PlanError([Problem(file=name, what=str(error))]) from None
    except (OSError, ValueError) as error:
        raise PlanError([Problem(file=name, what=_reason(error))]) from error
    digest = hashlib.sha256(content).hexdigest()
    return content, Source(name=name, path=absolute, sha256=digest)


class _Unfit(Exception):
    """The file exists, and is not of this kind."""


def _content(path: Path) -> bytes:
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise _Unfit("this is a folder; expected a YAML file")
    if not stat.S_ISREG(mode):
        raise _Unfit("this is no regular file; expected a YAML file")
    with path.open("rb") as file:
        # one byte more than allowed shows a large file without reading it whole
        content = file.read(LARGEST_FILE_BYTES + 1)
    if len(content) > LARGEST_FILE_BYTES:
        raise _Unfit(_too_large())
    return content


def _too_large() -> str:
    return f"larger than {LARGEST_FILE_BYTES // 1000} kB; expected a YAML file written by hand"


def _reason(error: OSError | ValueError) -> str:
    if isinstance(error, FileNotFoundError):
        return "no such file"
    if isinstance(error, PermissionError):
        return "no permission to read this file"
    detail = getattr(error, "strerror", None) or str(error)
    return f"cannot be read: {detail}"


def decoded(content: bytes, name: str) -> str:
    """The text of a file.

    Raises:
        PlanError: no UTF-8, or binary.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        raise PlanError(
            [
                Problem(
                    file=name,
                    line=before.count(b"\n") + 1,
                    column=len(before) - before.rfind(b"\n"),
                    what=f"byte {content[error.start]:02X}h is no UTF-8 text",
                    expected="a YAML file, saved as UTF-8",
                )
            ]
        ) from error
    if "\0" in text:
        raise PlanError(
            [Problem(file=name, what="a binary file", expected="a YAML file")]
        )
    return text


def text_source(text: str, name: str) -> Source:
    """The origin of what came as text.

    Raises:
        PlanError: it is larger than a file may be.
    """
    content = text.encode("utf-8", "surrogatepass")
    if len(content) > LARGEST_FILE_BYTES:
        raise PlanError([Problem(file=name, what=_too_large())])
    return Source(name=name, sha256=hashlib.sha256(content).hexdigest())


def mapping_of(document: Document, kind: FileKind) -> dict[str, Plain]:
    """The file's data, if it is a mapping of that kind."""
    data = document.data
    others = [word for word in MODELS if word != kind]
    other = next(
        (word for word in others if isinstance(data, dict) and word in data), ""
    )
    if isinstance(data, dict) and (kind in data or not other):
        return data  # the schema says what is missing or misspelt
    what = f"the file is {shown(data)}"
    if isinstance(data, dict):
        what = f"this is a {other}, not a {kind}"
    expected = f"a {kind}, with the top-level key `{kind}:`"
    place = document.place_of(())
    raise PlanError(
        [*document.problems, document.problem(place, what, expected=expected)]
    )


def sound(model: Model | None, problems: list[Problem]) -> Model:
    """The model, if nothing is wrong.

    Raises:
        PlanError: with what is wrong.
    """
    if model is None or problems:
        raise PlanError(problems)
    return model
