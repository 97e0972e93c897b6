"""A real browser without a window, where there is one: what it makes of a page."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser")

PHONE_PX, DESK_PX = 390, 1100

PAPER_PX = 718
"""Width of A4 between margins of 10 mm, at 96 pixels an inch."""

VERDICT_PX = 600
"""Height in which verdict and culprit are seen without scrolling."""

GAP_PX = 200
"""Tallest stretch of a page that may be empty."""

_FRAME = """<iframe class="{kind}" style="border:0;width:{width}px;height:900px" srcdoc="{page}"></iframe>"""

_MEASURE = """<!doctype html><title>measure</title>
{frames}<pre id="out"></pre>
<script>
function parts(c) {{ return c.match(/[0-9.]+/g).map(Number); }}
function light(c) {{
  var p = parts(c).slice(0, 3).map(function (v) {{
    v /= 255; return v <= 0.04045 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4);
  }});
  return 0.2126 * p[0] + 0.7152 * p[1] + 0.0722 * p[2];
}}
function under(e) {{
  for (; e; e = e.parentElement) {{
    var c = getComputedStyle(e).backgroundColor;
    if (parts(c).length < 4 || parts(c)[3] > 0) return c;
  }}
  return "rgb(255, 255, 255)";
}}
function written(d) {{
  return Array.from(d.querySelectorAll("body *")).filter(function (e) {{
    return !e.closest("svg, details:not([open]) > *:not(summary)") &&
      Array.from(e.childNodes).some(function (n) {{ return n.nodeType == 3 && n.data.trim(); }});
  }});
}}
function faintest(d) {{
  return Math.min.apply(null, written(d).map(function (e) {{
    var a = light(getComputedStyle(e).color), b = light(under(e));
    return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  }}));
}}
function bottom(e) {{ return e ? e.getBoundingClientRect().bottom : 0; }}
function widestGap(d) {{
  var filled = written(d).concat(Array.from(d.querySelectorAll("svg")));
  var rows = filled.map(function (e) {{ return e.getBoundingClientRect(); }})
    .filter(function (r) {{ return r.height > 0; }}).sort(function (a, b) {{ return a.top - b.top; }});
  var end = 0, gap = 0;
  rows.forEach(function (r) {{ gap = Math.max(gap, r.top - end); end = Math.max(end, r.bottom); }});
  return gap;
}}
window.onload = function () {{
  var frames = Array.from(document.querySelectorAll("iframe"));
  document.getElementById("out").textContent = JSON.stringify(frames.map(measured));
}};
function measured(f) {{
  var d = f.contentDocument, root = d.documentElement, width = f.clientWidth;
  // on paper nothing is folded, and what scrolls on a screen is cut off
  if (f.className == "paper") d.querySelectorAll("details").forEach(function (e) {{ e.open = true; }});
  var spared = f.className == "paper" ? "svg" : ".scroll, svg";
  var wide = Array.from(d.querySelectorAll("body *")).filter(function (e) {{
    return !e.closest(spared) && e.getBoundingClientRect().right > width + 1;
  }});
  return {{
    scroll: root.scrollWidth,
    wide: wide.slice(0, 5).map(function (e) {{ return e.tagName + " " + e.className + " " + e.textContent.slice(0, 40); }}),
    paper: getComputedStyle(d.body).backgroundColor,
    ink: getComputedStyle(d.body).color,
    faint: faintest(d),
    verdict: bottom(d.querySelector(".verdict")),
    gap: widestGap(d),
    text: d.body.innerText.length
  }};
}}
</script>"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the browser made of a page.

    Attributes:
        scroll_px: width of what would have to be scrolled.
        wide: elements that stick out on the right, outside boxes that scroll.
        paper: background, red, green, blue from 0 to 255.
        ink: colour of the text, likewise.
        letters: length of the visible text.
        least_contrast: of any text to what lies under it.
        verdict_px: where the verdict's box ends; 0 without one.
        widest_gap_px: tallest stretch with nothing in it.
    """

    scroll_px: int
    wide: tuple[str, ...]
    paper: tuple[int, int, int]
    ink: tuple[int, int, int]
    letters: int
    least_contrast: float
    verdict_px: float
    widest_gap_px: float

    @property
    def contrast(self) -> float:
        """Contrast ratio of text to paper, 1 to 21.

        Source: Web Content Accessibility Guidelines 2.2, definitions of relative
        luminance and contrast ratio.
        """
        light, dark = sorted(map(_luminance, (self.paper, self.ink)), reverse=True)
        return (light + 0.05) / (dark + 0.05)


def _luminance(colour: tuple[int, int, int]) -> float:
    parts = [c / 255 for c in colour]
    linear = [
        p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts
    ]
    return sum(w * p for w, p in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def find_browser() -> str | None:
    """Path of a browser, or None."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


class Browser:
    """One browser; each look is a process of its own.

    Args:
        path: its program.
        folder: for pages and its profile.
    """

    def __init__(self, path: str, folder: Path) -> None:
        self._path = path
        self._folder = folder

    def look(self, page: str, *, width_px: int, dark: bool = False) -> Seen:
        """Lay the page out at a width, by day or by night."""
        (seen,) = self.look_at_all([(page, width_px)], dark=dark)
        return seen

    def look_at_all(
        self, pages: Sequence[tuple[str, int]], *, dark: bool = False
    ) -> list[Seen]:
        """The same of several pages, each at its width, in one start.

        At the width of paper the rules of print hold.
        """
        frames = (
            _FRAME.format(
                kind="paper" if width_px == PAPER_PX else "screen",
                width=width_px,
                page=html.escape(_printed(page, width_px), quote=True),
            )
            for page, width_px in pages
        )
        file = self._folder / "frame.html"
        file.write_text(_MEASURE.format(frames="".join(frames)), encoding="utf-8")
        night = ["--force-dark-mode"] if dark else []
        dom = self._run(
            *night, "--virtual-time-budget=5000", "--dump-dom", file.as_uri()
        )
        told = re.search(r'<pre id="out">(.*?)</pre>', dom, re.DOTALL)
        assert told, dom[-500:]
        return [_seen(facts) for facts in json.loads(html.unescape(told.group(1)))]

    def pages_in_print(self, page: str) -> int:
        """Number of sheets that the page fills."""
        file, pdf = self._folder / "page.html", self._folder / "page.pdf"
        file.write_text(page, encoding="utf-8")
        self._run("--no-pdf-header-footer", f"--print-to-pdf={pdf}", file.as_uri())
        return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))

    def _run(self, *arguments: str) -> str:
        profile = f"--user-data-dir={self._folder / 'profile'}"
        done = subprocess.run(
            [self._path, "--headless", "--no-sandbox", "--disable-gpu", profile, *arguments],
            capture_output=True, text=True, timeout=120, check=True,
        )  # fmt: skip
        return done.stdout


def _printed(page: str, width_px: int) -> str:
    return page.replace("@media print", "@media all") if width_px == PAPER_PX else page


def _seen(facts: dict[str, Any]) -> Seen:
    return Seen(
        scroll_px=facts["scroll"],
        wide=tuple(facts["wide"]),
        paper=_colour(facts["paper"]),
        ink=_colour(facts["ink"]),
        letters=facts["text"],
        least_contrast=facts["faint"],
        verdict_px=facts["verdict"],
        widest_gap_px=facts["gap"],
    )


def assert_readable(browser: Browser, *pages: str) -> None:
    """On a desk, a phone and paper, by day and by night: nothing sticks out, all can be read."""
    for dark in (False, True):
        widths = (DESK_PX, PHONE_PX) if dark else (DESK_PX, PHONE_PX, PAPER_PX)
        asked = [(page, width_px) for page in pages for width_px in widths]
        found = browser.look_at_all(asked, dark=dark)
        for (page, width_px), seen in zip(asked, found, strict=True):
            title = page[page.find("<title>") + 7 :][:60]
            where = f"{title} at {width_px} px, {'night' if dark else 'day'}"
            _assert_seen(seen, where, width_px=width_px, dark=dark)


def _assert_seen(seen: Seen, where: str, *, width_px: int, dark: bool) -> None:
    assert not seen.wide, f"{where}: {seen.wide}"
    assert seen.scroll_px <= width_px, where
    assert seen.contrast >= 7, where  # WCAG 2.2, 1.4.6, level AAA
    assert (sum(seen.paper) < 3 * 128) is dark, where
    assert seen.letters > 200, where
    # WCAG 2.2, 1.4.3, level AA
    assert seen.least_contrast >= 4.5, f"{where}: {seen.least_contrast}"
    assert seen.verdict_px <= VERDICT_PX, f"{where}: {seen.verdict_px}"
    assert seen.widest_gap_px <= GAP_PX, f"{where}: {seen.widest_gap_px}"


def _colour(text: str) -> tuple[int, int, int]:
    red, green, blue = (int(n) for n in re.findall(r"\d+", text)[:3])
    return red, green, blue
