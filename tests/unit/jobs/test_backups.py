"""What a backup connects by, and what one from elsewhere may not do."""

import hashlib
import io
import json
import tarfile
from pathlib import Path

import pytest
from psycopg.conninfo import conninfo_to_dict

from jobs.services.backups import MANIFEST, BackupRefused, restore, where_to_connect


def test_host_and_tls_of_the_addresss_query_are_told_and_passwords_are_not() -> None:
    """Source: PostgreSQL's manual, 34.1.2, parameter key words (from memory)."""
    given = {
        "dbname": "girtline",
        "user": "girtline",
        "host": "/run/here",
        "sslmode": "verify-full",
        "sslrootcert": "/etc/ssl/own root.pem",
        "password": "secret",
        "prepare_threshold": None,
        "context": object(),
    }

    told = where_to_connect(given)

    assert "secret" not in told
    assert conninfo_to_dict(told) == {
        "dbname": "girtline",
        "user": "girtline",
        "host": "/run/here",
        "sslmode": "verify-full",
        "sslrootcert": "/etc/ssl/own root.pem",
    }


def packed(path: Path, parts: dict[str, bytes]) -> Path:
    """Write a file as backups are, with the sums of its parts."""
    told = {
        "database": "none",
        "parts": {name: hashlib.sha256(data).hexdigest() for name, data in parts.items()},
    }
    with tarfile.open(path, "w") as tar:
        for name, data in {MANIFEST: json.dumps(told).encode(), **parts}.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            tar.addfile(member, io.BytesIO(data))
    return path


@pytest.mark.parametrize("outside", ["../put", "media/../../put", "/put/here"])
def test_no_part_of_a_backup_is_put_outside_of_its_folder(tmp_path: Path, outside: str) -> None:
    """Source: OWASP ASVS 4.0.3, 12.3.1 (path traversal), from memory."""
    path = packed(tmp_path / "forged.tar", {outside: b"put"})

    with pytest.raises(BackupRefused, match="would lie outside"):
        restore(path=path)
