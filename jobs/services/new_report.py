"""A field report on its way in, as every door hands it over."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID


@dataclass(frozen=True, slots=True)
class NewReport:
    """A report on its way in; every moment is aware. `crew_hours` are of all people together."""

    id: UUID
    phase_id: int
    kind: str
    made_at: datetime
    crew_id: int | None = None
    happened_at: datetime | None = None
    share_done: float | None = None
    crew_hours: float | None = None
    people: int | None = None
    stopped_by: str = ""
    stopped_until: datetime | None = None
    note: str = ""
    corrects_id: UUID | None = None
    corrected_kind: str = ""
