"""A real browser without a window, where there is one: what it makes of a page."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

NAMES = ("chromium", "chromium-browser")

PHONE_PX, DESK_PX = 390, 1100

_MEASURE = """<!doctype html><title>measure</title>
<iframe id="f" style="border:0;width:{width}px;height:900px" srcdoc="{page}"></iframe><pre id="out"></pre>
<script>
document.getElementById("f").onload = function () {{
  var d = this.contentDocument, root = d.documentElement;
  var wide = Array.from(d.querySelectorAll("body *")).filter(function (e) {{
    return !e.closest(".scroll, svg") && e.getBoundingClientRect().right > {width} + 1;
  }});
  document.getElementById("out").textContent = JSON.stringify({{
    scroll: root.scrollWidth,
    wide: wide.slice(0, 5).map(function (e) {{ return e.tagName + " " + e.className; }}),
    paper: getComputedStyle(d.body).backgroundColor,
    ink: getComputedStyle(d.body).color,
    text: d.body.innerText.length
  }});
}};
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
    """

    scroll_px: int
    wide: tuple[str, ...]
    paper: tuple[int, int, int]
    ink: tuple[int, int, int]
    letters: int

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
        frame = _MEASURE.format(width=width_px, page=html.escape(page, quote=True))
        file = self._folder / "frame.html"
        file.write_text(frame, encoding="utf-8")
        night = ["--force-dark-mode"] if dark else []
        dom = self._run(
            *night, "--virtual-time-budget=5000", "--dump-dom", file.as_uri()
        )
        told = re.search(r'<pre id="out">(.*?)</pre>', dom, re.DOTALL)
        assert told, dom[-500:]
        facts = json.loads(html.unescape(told.group(1)))
        return Seen(
            scroll_px=facts["scroll"],
            wide=tuple(facts["wide"]),
            paper=_colour(facts["paper"]),
            ink=_colour(facts["ink"]),
            letters=facts["text"],
        )

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


def assert_readable(browser: Browser, page: str) -> None:
    """On a desk and a phone, by day and by night: nothing sticks out, all can be read."""
    for width_px in (DESK_PX, PHONE_PX):
        for dark in (False, True):
            seen = browser.look(page, width_px=width_px, dark=dark)
            where = f"at {width_px} px, {'night' if dark else 'day'}"
            assert not seen.wide, f"{where}: {seen.wide}"
            assert seen.scroll_px <= width_px, where
            assert seen.contrast >= 7, where  # WCAG 2.2, 1.4.6, level AAA
            assert (sum(seen.paper) < 3 * 128) is dark, where
            assert seen.letters > 200, where


def _colour(text: str) -> tuple[int, int, int]:
    red, green, blue = (int(n) for n in re.findall(r"\d+", text)[:3])
    return red, green, blue
