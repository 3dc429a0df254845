"""The building that a buyer has signed for: a specification that can be built."""

from dataclasses import dataclass

from contractor.trade.cautions import cautions_of
from contractor.trade.checks import CHOICES, faults_of
from contractor.trade.errors import Caution, SpecError
from contractor.trade.kinds import (
    Foundation,
    Insulation,
    LeanTo,
    Lining,
    Opening,
    OpeningKind,
    PostKind,
    Soil,
    Use,
)
from contractor.trade.labeled import settle_choice
from contractor.trade.specification import Specification

__all__ = [
    "Building",
    "Foundation",
    "Insulation",
    "LeanTo",
    "Lining",
    "Opening",
    "OpeningKind",
    "PostKind",
    "Soil",
    "Use",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Building(Specification):
    """
    A specification that has been checked, with its choices settled and its lists as tuples.

    One that could not be built raises SpecError with every fault; one that is only unusual
    has cautions.
    """

    def __post_init__(self) -> None:
        for field, choice in CHOICES:
            settle_choice(self, field, choice)
        for field in ("openings", "lean_tos"):
            if isinstance(getattr(self, field), list):
                object.__setattr__(self, field, tuple(getattr(self, field)))
        faults = faults_of(self)
        if faults:
            raise SpecError(faults)

    def cautions(self) -> tuple[Caution, ...]:
        """Return what is unusual or dangerous about this building, worst habits first."""
        return cautions_of(self)
