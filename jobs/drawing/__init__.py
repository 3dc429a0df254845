"""Scale drawings of a building from its numbers, as SVG, so that a wrong entry is seen."""

from jobs.drawing.elevation import elevation_svg
from jobs.drawing.plan import plan_svg

__all__ = ["elevation_svg", "plan_svg"]
