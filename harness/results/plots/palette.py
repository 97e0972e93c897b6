"""Colours and the empty figure that all pictures begin with.

The colours are those of a palette that colour-blind readers tell apart (Okabe and Ito,
"Color universal design", 2008).
"""

from __future__ import annotations

from io import StringIO

from harness.lazy import PICTURES, matplotlib, matplotlib_figure, require

BLUE, ORANGE, GREEN, VERMILION, GREY = (
    "#0072B2",
    "#E69F00",
    "#009E73",
    "#D55E00",
    "#7F7F7F",
)


def new_figure(
    width: float, height: float, *, arranged: bool = True
) -> matplotlib_figure.Figure:
    """An empty figure that saves the same bytes each time; loads matplotlib.

    Args:
        width: inches.
        height: inches.
        arranged: True for a layout that is worked out when the figure is saved, which
            draws everything twice; False if the axes are added where they shall stay.

    Raises:
        UsageError: the part that draws is not installed.
    """
    require(PICTURES)
    matplotlib.rcParams["svg.hashsalt"] = "slotproof"
    matplotlib.rcParams["svg.fonttype"] = "none"
    matplotlib.rcParams["text.parse_math"] = False  # a $ in a label is a $
    return matplotlib_figure.Figure(
        figsize=(width, height), layout="constrained" if arranged else None
    )


def svg_text(figure: matplotlib_figure.Figure) -> str:
    """A figure as the text of an SVG file; the same figure gives the same text."""
    drawn = StringIO()
    # no date in it: the same journal gives the same picture
    figure.savefig(drawn, format="svg", metadata={"Date": None})
    return drawn.getvalue()
