"""CSV files for tests of loading: a small firm in text, to be changed where a test needs it."""

from pathlib import Path

from django.conf import settings

GOOD = settings.BASE_DIR / "fixtures" / "import" / "good"
BAD = settings.BASE_DIR / "fixtures" / "import" / "bad"

JOB_COLUMNS = (
    "number,sold_on,contract_value_usd,buyer_name,site_address,site_town,site_county,site_state,"
    "width_ft,length_ft,eave_ft"
)
JOB = "26-301,2026-03-02,48500,Ilsa Bramwell,210 Sawpit Road,Fennel Mills,Fennel County,OH,30,40,10"


def files(directory: Path, **texts: str) -> list[Path]:
    """Write each text to the file of its name, like jobs="number,…", and return the paths."""
    paths = []
    for kind, text in texts.items():
        path = directory / f"{kind}.csv"
        path.write_text(text, encoding="utf-8", newline="")
        paths.append(path)
    return paths


def job_file(*, columns: str = "", cells: str = "", **replaced: str) -> str:
    """Return jobs.csv with one good job, more columns, and cells replaced by column name."""
    names = JOB_COLUMNS.split(",")
    row = dict(zip(names, JOB.split(","), strict=True)) | replaced
    header = ",".join(filter(None, [JOB_COLUMNS, columns]))
    line = ",".join([*(row[name] for name in names), *filter(None, [cells])])
    return f"{header}\n{line}\n"
