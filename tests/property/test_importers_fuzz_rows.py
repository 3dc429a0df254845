"""Whatever stands in the cells of files: all is stored, or nothing, and each row knows why."""

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jobs.models import Job
from jobs.services.importing import Fate, dry_run, load_checked
from tests.factories import OfficeFactory
from tests.property.odd_cells import CELLS, csv_of
from tests.service.csv_files import GOOD
from tests.service.life_firm import everything
from tests.service.portfolio import MONDAY

FEW = settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
GOOD_ROWS = {
    path.stem: [line.split(",") for line in path.read_text("utf-8").splitlines()]
    for path in sorted(GOOD.glob("*.csv"))
}
KINDS = st.sampled_from(sorted(GOOD_ROWS))


@st.composite
def spoilt(draw: st.DrawFn) -> dict[str, bytes]:
    """The good files with some cells, rows or heads spoilt, as CSV."""
    rows = {kind: [list(row) for row in table] for kind, table in GOOD_ROWS.items()}
    for _ in range(draw(st.integers(1, 4))):
        table = rows[draw(KINDS)]
        row = table[draw(st.integers(0, len(table) - 1))]
        what = draw(st.integers(0, 9))
        if what == 0:
            table.append(list(row))
        elif what == 1:
            row.pop()
        elif what == 2:
            row.append(draw(CELLS))
        elif row:
            row[draw(st.integers(0, len(row) - 1))] = draw(CELLS)
    return {f"{kind}.csv": csv_of(table).encode() for kind, table in rows.items()}


@pytest.mark.django_db
@FEW
@given(files=spoilt())
def test_spoilt_files_are_stored_whole_or_not_at_all(files: dict[str, bytes]) -> None:
    """Each row has a fate, each refusal a reason; a dry run and a refusal leave no trace."""
    with transaction.atomic():
        _try(files)
        transaction.set_rollback(True)


def _try(files: dict[str, bytes]) -> None:
    office = OfficeFactory()
    before = everything()
    found = dry_run(files=files, now=MONDAY, by=office)
    if found.batch is None:
        assert everything() == before
        assert found.wrong or found.refused
        assert all(row.told for row in found.refused if row.fate is Fate.REFUSED)
        return
    assert not found.refused
    load_checked(batch=found.batch, now=MONDAY, by=office)
    assert Job.objects.exists()
