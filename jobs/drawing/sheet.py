"""A sheet to draw on: the few SVG shapes the drawings need, and dimension lines."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

INK = "#1c262b"
DIMENSION = "#0b4a6f"
TIMBER = "#7a4310"
GROUND = "#5b4a2f"
WALL = "#e4ebe6"
ROOF = "#c3cfd6"
WAINSCOT = "#b9c7b3"
CONCRETE = "#d5d2cb"
PAPER = "#ffffff"
DASHED = "6 4"
DOTTED = "2 3"

TEXT_SIZE = 14
SMALL_TEXT_SIZE = 12.5
# Mean advance of a character of the sans-serif fonts, in parts of the text size (our measure).
CHARACTER_WIDTH = 0.56

Point = tuple[float, float]


def feet(value_ft: float) -> str:
    """Return a length as builders write it: whole feet and inches, to the nearest half inch."""
    half_inches = round(value_ft * 24)
    whole_ft, rest = divmod(half_inches, 24)
    inches = f"{rest / 2:g} in"
    if rest == 0:
        return f"{whole_ft} ft"
    return f"{whole_ft} ft {inches}" if whole_ft else inches


def text_width(content: str, size: float = TEXT_SIZE) -> float:
    """Return about how wide a text is drawn, in sheet units."""
    return len(content) * size * CHARACTER_WIDTH


@dataclass(slots=True)
class Sheet:
    """Shapes in drawing order; y grows downward, as in SVG."""

    width: float
    height: float
    parts: list[str] = field(default_factory=list)

    def line(
        self, start: Point, end: Point, *, stroke: str = INK, thick: float = 1.2, dash: str = ""
    ) -> None:
        """Draw a straight line."""
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" '
            f'stroke="{stroke}" stroke-width="{thick:g}"{dashes}/>'
        )

    def polyline(
        self, points: Sequence[Point], *, stroke: str = INK, thick: float = 1.2, dash: str = ""
    ) -> None:
        """Draw straight lines from point to point."""
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.parts.append(
            f'<polyline points="{path}" fill="none" stroke="{stroke}" '
            f'stroke-width="{thick:g}"{dashes}/>'
        )

    def shape(
        self,
        points: Sequence[Point],
        *,
        fill: str = "none",
        stroke: str = INK,
        thick: float = 1.2,
        dash: str = "",
    ) -> None:
        """Draw a closed shape through the points."""
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.parts.append(
            f'<polygon points="{path}" fill="{fill}" stroke="{stroke}" '
            f'stroke-width="{thick:g}"{dashes}/>'
        )

    def box(
        self,
        corner: Point,
        opposite: Point,
        *,
        fill: str = "none",
        stroke: str = INK,
        thick: float = 1.2,
        dash: str = "",
    ) -> None:
        """Draw a rectangle from two opposite corners."""
        (x1, y1), (x2, y2) = corner, opposite
        self.shape(
            [(x1, y1), (x2, y1), (x2, y2), (x1, y2)],
            fill=fill,
            stroke=stroke,
            thick=thick,
            dash=dash,
        )

    def text(
        self,
        at: Point,
        content: str,
        *,
        anchor: str = "middle",
        size: float = TEXT_SIZE,
        fill: str = INK,
        upright: bool = True,
    ) -> None:
        """Write a line of text; not upright turns it to read from the right-hand side."""
        x, y = at
        turn = "" if upright else f' transform="rotate(-90 {x:.1f} {y:.1f})"'
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}" '
            f'fill="{fill}" stroke="{PAPER}" stroke-width="3" paint-order="stroke" '
            f'stroke-linejoin="round"{turn}>{escape(content)}</text>'
        )

    def across(self, x1: float, x2: float, y: float, label: str) -> None:
        """Draw a level dimension line with end ticks and its label above the middle."""
        self.line((x1, y), (x2, y), stroke=DIMENSION, thick=1)
        for x in (x1, x2):
            self.line((x, y - 4), (x, y + 4), stroke=DIMENSION, thick=1)
        half = text_width(label) / 2
        middle = min(max((x1 + x2) / 2, half + 2), self.width - half - 2)
        self.text((middle, y - 5), label, fill=DIMENSION)

    def upward(self, x: float, y1: float, y2: float, *, name: str, length: str) -> None:
        """Draw an upright dimension line; the label lies level, without name, if it is short."""
        self.line((x, y1), (x, y2), stroke=DIMENSION, thick=1)
        for y in (y1, y2):
            self.line((x - 4, y), (x + 4, y), stroke=DIMENSION, thick=1)
        middle = (y1 + y2) / 2
        label = f"{name} {length}"
        if text_width(label) <= abs(y2 - y1):
            self.text((x - 6, middle), label, fill=DIMENSION, upright=False)
        else:
            self.text((x - 6, middle + 5), length, anchor="end", fill=DIMENSION)

    def scale_bar(self, corner: Point, units_per_ft: float) -> None:
        """Draw a bar of a round number of feet, so that any size can be read off."""
        bar_ft = next((ft for ft in (5, 10, 20, 50) if ft * units_per_ft >= 34), 100)
        x, y = corner
        self.box((x, y - 4), (x + bar_ft * units_per_ft, y), fill=INK)
        self.text(
            (x + bar_ft * units_per_ft + 7, y + 1),
            f"{bar_ft} ft",
            anchor="start",
            size=SMALL_TEXT_SIZE,
        )

    def render(self, *, name: str, title: str, description: str) -> str:
        """Return the sheet as one SVG element that scales to the width it is given."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="drawing" role="img" '
            f"aria-labelledby={quoteattr(f'{name}-title {name}-desc')} "
            f'viewBox="0 0 {self.width:.0f} {self.height:.0f}" width="100%" '
            f'font-family="system-ui, sans-serif">'
            f'<title id="{name}-title">{escape(title)}</title>'
            f'<desc id="{name}-desc">{escape(description)}</desc>'
            f'<rect width="100%" height="100%" fill="{PAPER}"/>'
            f"{''.join(self.parts)}</svg>"
        )
