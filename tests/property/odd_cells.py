"""Cells of files as nobody means them."""

from collections.abc import Iterable, Sequence

from hypothesis import strategies as st

ODD_CELLS = st.sampled_from(
    [
        "",
        "=1+1",
        '=HYPERLINK("http://a.example")',
        "'",
        "nan",
        "inf",
        "-inf",
        "1e400",
        "-1",
        "1" * 400,
        "x" * 40_000,
        "0000-00-00",
        "9999-12-31",
        "9999-12-31 23:59",
        "2026-02-30",
        "0001-01-01",
        "0001-01-01 00:00",
        "25:00-26:00",
        "٣",
        "½",
        "1_000",
        "\u202e26-001",
        "\x1b[31m",
        "\u2028",
        "a\r\nb",
        "yes",
        "26-301",
        "00000000-0000-0000-0000-000000000000",
        "9223372036854775808",
        "-9223372036854775809",
        "true;false",
    ]
)
CELLS = ODD_CELLS | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"))


def csv_of(rows: Iterable[Sequence[str]]) -> str:
    """Return rows as a CSV file with quotes around every cell (RFC 4180, section 2.5)."""
    quoted = (",".join('"' + cell.replace('"', '""') + '"' for cell in row) for row in rows)
    return "\n".join(quoted)
