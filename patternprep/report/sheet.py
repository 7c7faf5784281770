"""A drawing sheet: SVG elements in order, y down, with plain looks in one place."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import numpy.typing as npt

from patternprep.errors import FileFault

__all__ = ["INK", "PAPER", "QUIET", "Sheet", "figures_of_kit", "number"]

Point = Sequence[float] | npt.NDArray[np.float64]

PAPER, INK, QUIET = "#fdfcf9", "#22262b", "#5d646d"
FONT = "'DejaVu Sans', Verdana, Arial, sans-serif"


def number(value: float) -> str:
    """A coordinate with at most two decimals and no empty ones."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


class Sheet:
    """Collects elements and writes them as one SVG text."""

    def __init__(self, width: float, title: str, description: str) -> None:
        self.width = width
        self.height = 0.0
        self._head = f"<title>{escape(title)}</title>\n<desc>{escape(description)}</desc>"
        self._defs: list[str] = []
        self._body: list[str] = []
        self._remarks: list[str] = []

    def define(self, text: str) -> None:
        """A definition (a tint, a clip), as SVG."""
        self._defs.append(text)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 17.0,
        bold: bool = False,
        anchor: str = "start",
        fill: str = INK,
        extra: str = "",
    ) -> None:
        """Words on a baseline."""
        weight = ' font-weight="bold"' if bold else ""
        self._body.append(
            f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}"{weight} '
            f'text-anchor="{anchor}" fill="{fill}"{_more(extra)}>{escape(words)}</text>'
        )

    def line(
        self,
        points: Iterable[Point],
        *,
        width: float = 1.2,
        stroke: str = INK,
        dash: str = "",
        fill: str = "none",
        closed: bool = False,
        extra: str = "",
    ) -> None:
        """A line through points, or a closed outline."""
        path = "M" + "L".join(f"{number(p[0])} {number(p[1])}" for p in points)
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self._body.append(
            f'<path d="{path}{"Z" if closed else ""}" fill="{fill}" stroke="{stroke}" '
            f'stroke-width="{number(width)}" stroke-linejoin="round"{dashes}{_more(extra)}/>'
        )

    def rings(
        self,
        rings: Iterable[npt.NDArray[np.float64]],
        *,
        fill: str,
        stroke: str = "none",
        width: float = 0.0,
        extra: str = "",
    ) -> None:
        """A region from closed rings (k, 2) in sheet units, holes by the even-odd rule."""
        path = "".join(
            "M" + "L".join(f"{number(x)} {number(y)}" for x, y in ring.tolist()) + "Z"
            for ring in rings
        )
        if path:
            self._body.append(
                f'<path d="{path}" fill="{fill}" fill-rule="evenodd" stroke="{stroke}" '
                f'stroke-width="{number(width)}" stroke-linejoin="round"{_more(extra)}/>'
            )

    def image(self, png: bytes, x: float, y: float, width: float, height: float) -> None:
        """A PNG in a frame of sheet units."""
        data = base64.b64encode(png).decode("ascii")
        self._body.append(
            f'<image x="{number(x)}" y="{number(y)}" width="{number(width)}" '
            f'height="{number(height)}" href="data:image/png;base64,{data}"/>'
        )

    def arrow(self, tail: Point, head: Point, *, width: float = 1.2, size: float = 8.0) -> None:
        """A straight arrow with a filled head."""
        a, b = np.asarray(tail, dtype=np.float64), np.asarray(head, dtype=np.float64)
        along = (b - a) / np.linalg.norm(b - a)
        side = np.array([-along[1], along[0]])
        back = b - size * along
        self.line([a, back], width=width)
        self.line(
            [b, back + 0.38 * size * side, back - 0.38 * size * side],
            width=0.0,
            fill=INK,
            closed=True,
        )

    def circle(self, middle: Point, radius: float, *, width: float = 1.2) -> None:
        """A circle without filling."""
        self._body.append(
            f'<circle cx="{number(middle[0])}" cy="{number(middle[1])}" r="{number(radius)}" '
            f'fill="none" stroke="{INK}" stroke-width="{number(width)}"/>'
        )

    def remark(self, attribute: str) -> None:
        """An attribute of the root element."""
        self._remarks.append(attribute)

    def open_group(self, extra: str) -> None:
        """Begin a group with attributes."""
        self._body.append(f"<g{_more(extra)}>")

    def close_group(self) -> None:
        """End the group begun last."""
        self._body.append("</g>")

    def svg(self) -> str:
        """The sheet as text."""
        size = f"0 0 {number(self.width)} {number(self.height)}"
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{size}" '
            f'width="{number(self.width)}" height="{number(self.height)}" role="img" '
            f"font-family={quoteattr(FONT)}{_more(' '.join(self._remarks))}>\n"
            + self._head
            + "\n<defs>\n"
            + "\n".join(self._defs)
            + f'\n</defs>\n<rect width="100%" height="100%" fill="{PAPER}"/>\n'
            + "\n".join(self._body)
            + "\n</svg>\n"
        )


def _more(extra: str) -> str:
    return f" {extra}" if extra else ""


def figures_of_kit(kit_folder: Path) -> dict[str, Any]:
    """figures.json of a kit; raises FileFault where there is none."""
    path = kit_folder / "figures.json"
    try:
        return dict(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError) as fault:
        raise FileFault(
            f"{path} cannot be read as a kit's figures ({fault}); give the folder of a kit."
        ) from None
