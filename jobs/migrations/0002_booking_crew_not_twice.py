"""On PostgreSQL no crew has two live bookings that overlap; SQLite cannot hold such a rule."""

from django.db import migrations

ADD = """
CREATE EXTENSION IF NOT EXISTS btree_gist;
ALTER TABLE jobs_booking ADD CONSTRAINT booking_crew_not_twice
    EXCLUDE USING gist (crew_id WITH =, tstzrange(starts_at, ends_at) WITH &&)
    WHERE (is_live AND crew_id IS NOT NULL);
"""
REMOVE = "ALTER TABLE jobs_booking DROP CONSTRAINT booking_crew_not_twice;"


def add(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(ADD)


def remove(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(REMOVE)


class Migration(migrations.Migration):
    dependencies = [("jobs", "0001_initial")]

    operations = [migrations.RunPython(add, remove)]
