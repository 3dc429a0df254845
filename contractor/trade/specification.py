"""What is sold: the sizes and choices of a building, and what follows from them at once."""

from dataclasses import dataclass

from contractor.trade.kinds import (
    Foundation,
    Insulation,
    LeanTo,
    Lining,
    Opening,
    PostKind,
    Soil,
    Use,
)
from contractor.trade.units import INCHES_PER_FOOT, slope_factor, spaces

# Longest solid-sawn post that suppliers keep; common practice, no source.
LONGEST_SOLID_POST_FT = 18.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Specification:
    """
    A post-frame building as written down: gable roof, posts along all walls, sizes in feet.

    The gable span is ``width_ft``; ``pitch_in_12`` is the rise per 12 of run;
    thicknesses and the hole are in inches. Standard spacings (8 ft bays and trusses,
    2 ft purlins and girts, 4/12 pitch) are common practice, no source. Nothing is checked
    here: see Building.
    """

    use: Use
    width_ft: float
    length_ft: float
    eave_ft: float
    pitch_in_12: float = 4
    bay_ft: float = 8
    truss_spacing_ft: float = 8
    end_spacing_ft: float = 10
    overhang_ft: float = 1
    gable_overhang_ft: float = 1
    foundation: Foundation
    pier_diameter_in: float = 18
    hole_depth_in: float = 48
    collar_in: float = 18
    pad_in: float = 6
    slab_in: float = 0
    post_kind: PostKind = PostKind.AUTO
    purlin_spacing_ft: float = 2
    girt_spacing_ft: float = 2
    roof_gauge: int = 29
    wall_gauge: int = 29
    wainscot_ft: float = 0
    insulation: Insulation = Insulation.NONE
    wall_lining: Lining = Lining.NONE
    ceiling_lining: Lining = Lining.NONE
    liner_gauge: int = 29
    openings: tuple[Opening, ...] = ()
    lean_tos: tuple[LeanTo, ...] = ()
    extends_existing: bool = False
    soil: Soil = Soil.GOOD

    @property
    def bays(self) -> int:
        """Return the number of bays along the length."""
        return spaces(self.length_ft, self.bay_ft)

    @property
    def actual_bay_ft(self) -> float:
        """Return the length of one bay when all are equal."""
        return self.length_ft / self.bays

    @property
    def end_spaces(self) -> int:
        """Return the number of spaces between posts across one gable end."""
        return spaces(self.width_ft, self.end_spacing_ft)

    @property
    def gable_ends(self) -> int:
        """Return how many gable ends are built: one when carrying on an old building."""
        return 1 if self.extends_existing else 2

    @property
    def rise_ft(self) -> float:
        """Return the height of the peak above the eave line."""
        return self.width_ft / 2 * self.pitch_in_12 / 12

    @property
    def slope_factor(self) -> float:
        """Return the roof length per foot of level run."""
        return slope_factor(self.pitch_in_12)

    @property
    def slope_length_ft(self) -> float:
        """Return the length of one roof slope, eave overhang included."""
        return (self.width_ft / 2 + self.overhang_ft) * self.slope_factor

    @property
    def roof_run_ft(self) -> float:
        """Return the length of the roof along the ridge, gable overhangs included."""
        return self.length_ft + self.gable_ends * self.gable_overhang_ft

    @property
    def post_length_ft(self) -> float:
        """
        Return the length of a sidewall post.

        From the top of the pad to the eave; on brackets, from the slab.
        """
        if self.foundation == Foundation.SLAB_BRACKET:
            return self.eave_ft
        return self.eave_ft + (self.hole_depth_in - self.pad_in) / INCHES_PER_FOOT

    @property
    def resolved_post_kind(self) -> PostKind:
        """Return SOLID or LAMINATED; AUTO is solid to 18 ft and laminated above."""
        if self.post_kind != PostKind.AUTO:
            return self.post_kind
        if self.post_length_ft <= LONGEST_SOLID_POST_FT:
            return PostKind.SOLID
        return PostKind.LAMINATED

    @property
    def wall_run_ft(self) -> float:
        """Return the length of wall to build: the perimeter less an end that stands already."""
        return 2 * self.length_ft + self.gable_ends * self.width_ft

    @property
    def footprint_sf(self) -> float:
        """Return the floor area without lean-tos."""
        return self.width_ft * self.length_ft
