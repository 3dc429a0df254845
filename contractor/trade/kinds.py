"""The choices a buyer makes, and the parts of a building that come in lists."""

from dataclasses import dataclass

from contractor.trade.labeled import Labeled, settle_choice


class Use(Labeled):
    """What the building is for."""

    HAY_BARN = "HAY_BARN"
    SHOP = "SHOP"
    GARAGE = "GARAGE"
    RIDING_ARENA = "RIDING_ARENA"
    HOUSE_SHELL = "HOUSE_SHELL"
    STORAGE = "STORAGE"


class Foundation(Labeled):
    """What the posts stand on."""

    POURED_PIER = "POURED_PIER"
    PRECAST_PIER = "PRECAST_PIER"
    SLAB_BRACKET = "SLAB_BRACKET"


class PostKind(Labeled):
    """How the posts are made; AUTO is settled by their length."""

    AUTO = "AUTO"
    SOLID = "SOLID"
    LAMINATED = "LAMINATED"


class Insulation(Labeled):
    """What keeps heat in or drips off."""

    NONE = "NONE"
    CONDENSATION_BLANKET = "CONDENSATION_BLANKET"
    BATTS = "BATTS"
    BLOWN_AND_BATTS = "BLOWN_AND_BATTS"


class Lining(Labeled):
    """What covers the inside of walls or ceiling."""

    NONE = "NONE"
    STEEL = "STEEL"
    DRYWALL_READY = "DRYWALL_READY"


class OpeningKind(Labeled):
    """What fills an opening in a wall."""

    WALK_DOOR = "WALK_DOOR"
    SLIDING_DOOR = "SLIDING_DOOR"
    OVERHEAD_DOOR = "OVERHEAD_DOOR"
    WINDOW = "WINDOW"


class Soil(Labeled):
    """How the ground takes an auger."""

    GOOD = "GOOD"
    HARD = "HARD"
    ROCK = "ROCK"


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A door or window, and how many alike. The building checks the sizes."""

    kind: OpeningKind
    width_ft: float
    height_ft: float
    count: int = 1

    def __post_init__(self) -> None:
        settle_choice(self, "kind", OpeningKind)

    @property
    def area_sf(self) -> float:
        """Return the area of one opening."""
        return self.width_ft * self.height_ft


@dataclass(frozen=True, slots=True, kw_only=True)
class LeanTo:
    """A lower roof carried on the long side; its high side meets the eave."""

    width_ft: float
    length_ft: float
    low_eave_ft: float
    enclosed: bool = False
