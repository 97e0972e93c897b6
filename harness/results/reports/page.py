"""What every HTML page of ours is made with: one look, no script, no network.

Texts go through autoescape, and control characters are made visible first, as in the
other reports. Figures are put in as SVG.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.lazy import jinja2, markupsafe
from harness.results.plots.palette import svg_text
from harness.results.reports.whole_file import whole_file
from harness.results.wording import one_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_XML_HEAD = re.compile(r"^.*?(?=<svg)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure as SVG text, already safe."""

    label: str
    svg: object


def fill(template: str, **facts: Any) -> str:  # noqa: ANN401 - whatever it shows
    """A page as text; the same facts give the same text.

    Args:
        template: name of a file in ``templates``.
        **facts: what the template asks for; one that is missing is an error.
    """
    return _environment().get_template(template).render(**facts)


def write_page(text: str, path: Path) -> None:
    """Write a page; the file is whole or not there.

    Raises:
        OSError: the folder does not take it.
    """
    with whole_file(path) as part:
        part.write_text(text, encoding="utf-8")


def picture(label: str, figure: Figure) -> Picture:
    """A figure for a page; no two on one page may share a label."""
    return drawn_picture(label, svg_text(figure))


def drawn_picture(label: str, svg: str) -> Picture:
    """The same of a figure that was drawn already, as ``palette.svg_text`` gives it."""
    # matplotlib escapes every text that it draws
    shown = _XML_HEAD.sub("", svg)
    return Picture(label=label, svg=markupsafe.Markup(_own_ids(shown, label)))


def _own_ids(svg: str, label: str) -> str:
    """Ids that no other picture in the file has."""
    prefix = re.sub(r"\W", "-", label)
    for pattern in (r'(\bid=")', r'(xlink:href="#)', r"(url\(#)"):
        svg = re.sub(pattern, rf"\g<1>{prefix}-", svg)
    return svg


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("harness.results.reports", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=lambda value: (
            one_line(value)
            if isinstance(value, str) and not hasattr(value, "__html__")
            else value
        ),
    )
