"""No two heaters in one position at one time, held by the database.

A heater certainly stood in its position from the latest day it can have been installed to the earliest day it
can have been removed. Those certain stays must not overlap. PostgreSQL and SQLite each say it with a trigger;
a row lock on the position makes two writers at once take turns in PostgreSQL (SQLite has one writer anyway).
"""

from django.db import migrations

OVERLAP = """
    SELECT 1 FROM heaters_heater AS other
    WHERE other.position_id = NEW.position_id AND other.id <> NEW.id
      AND other.installed_latest < COALESCE(NEW.removed_earliest, {never})
      AND NEW.installed_latest < COALESCE(other.removed_earliest, {never})
      AND (other.removed_earliest IS NOT NULL OR other.ending = '')
      AND (NEW.removed_earliest IS NOT NULL OR NEW.ending = '')
"""
REFUSAL = "two heaters in one position at one time"
COLUMNS = "position_id, installed_latest, removed_earliest, ending"


def forwards(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(
            f"""
            CREATE FUNCTION heaters_no_overlap() RETURNS trigger LANGUAGE plpgsql AS $$
            BEGIN
                PERFORM 1 FROM estate_position WHERE id = NEW.position_id FOR UPDATE;
                IF EXISTS ({OVERLAP.format(never="DATE '9999-12-31'")}) THEN
                    RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'exclusion_violation';
                END IF;
                RETURN NEW;
            END $$;
            CREATE TRIGGER heaters_no_overlap BEFORE INSERT OR UPDATE OF {COLUMNS} ON heaters_heater
            FOR EACH ROW EXECUTE FUNCTION heaters_no_overlap();
            """,
            params=None,
        )
    else:
        for event in ("INSERT", f"UPDATE OF {COLUMNS}"):
            name = "heaters_no_overlap_" + event.split()[0].lower()
            schema_editor.execute(
                f"""
                CREATE TRIGGER {name} AFTER {event} ON heaters_heater
                WHEN EXISTS ({OVERLAP.format(never="'9999-12-31'")})
                BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END
                """,
                params=None,
            )


def backwards(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(
            "DROP TRIGGER heaters_no_overlap ON heaters_heater; DROP FUNCTION heaters_no_overlap();"
        )
    else:
        for event in ("insert", "update"):
            schema_editor.execute(f"DROP TRIGGER heaters_no_overlap_{event}")


class Migration(migrations.Migration):
    dependencies = [("heaters", "0001_initial"), ("estate", "0002_calendar_stands_at")]
    operations = [migrations.RunPython(forwards, backwards)]
