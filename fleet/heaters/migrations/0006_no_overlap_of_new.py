"""New heaters are held against those that stand in their positions once a statement, on PostgreSQL.

A trigger before each row also keeps COPY from writing many rows at once. The order of locking and looking stays: a row
lock on the position first, then a look at what is committed by then, so two writers at once still take turns.
"""

import importlib

from django.db import migrations

first = importlib.import_module("fleet.heaters.migrations.0002_no_overlap")
# Each new heater is looked up by itself, however many there are: a plan that read all heaters for a long list would be
# kept by the session for the next single one.
OVERLAP = first.OVERLAP.format(never="DATE '9999-12-31'").replace("NEW.", "came.")
LOOK = f"""
    PERFORM 1 FROM (SELECT DISTINCT position_id FROM came ORDER BY position_id) AS taken,
        LATERAL (SELECT 1 FROM estate_position WHERE id = taken.position_id FOR UPDATE OFFSET 0) AS locked;
    IF EXISTS (SELECT 1 FROM came, LATERAL ({OVERLAP} OFFSET 0) AS clash) THEN
        RAISE EXCEPTION '{first.REFUSAL}' USING ERRCODE = 'exclusion_violation';
    END IF;
"""


def forwards(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(
            f"""
            CREATE FUNCTION heaters_no_overlap_of_new() RETURNS trigger LANGUAGE plpgsql AS $$
            BEGIN {LOOK} RETURN NULL; END $$;
            CREATE TRIGGER heaters_no_overlap_of_new AFTER INSERT ON heaters_heater
            REFERENCING NEW TABLE AS came FOR EACH STATEMENT EXECUTE FUNCTION heaters_no_overlap_of_new();
            DROP TRIGGER heaters_no_overlap ON heaters_heater;
            CREATE TRIGGER heaters_no_overlap BEFORE UPDATE OF {first.COLUMNS} ON heaters_heater
            FOR EACH ROW EXECUTE FUNCTION heaters_no_overlap();
            """,
            params=None,
        )


def backwards(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(
            f"""
            DROP TRIGGER heaters_no_overlap_of_new ON heaters_heater;
            DROP FUNCTION heaters_no_overlap_of_new();
            DROP TRIGGER heaters_no_overlap ON heaters_heater;
            CREATE TRIGGER heaters_no_overlap BEFORE INSERT OR UPDATE OF {first.COLUMNS} ON heaters_heater
            FOR EACH ROW EXECUTE FUNCTION heaters_no_overlap();
            """,
            params=None,
        )


class Migration(migrations.Migration):
    dependencies = [("heaters", "0005_fewer_indexes")]
    operations = [migrations.RunPython(forwards, backwards)]
