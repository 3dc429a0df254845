"""PostgreSQL's own programs are told all that the service connects by, and no password."""

from psycopg.conninfo import conninfo_to_dict

from jobs.services.backups import where_to_connect


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
