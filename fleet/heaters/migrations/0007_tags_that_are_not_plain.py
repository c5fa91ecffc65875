"""Heaters whose tag is no plain word are few, and every list that names heaters asks for all of them: an index of those
alone, so that nobody looks through a million tags for them. PostgreSQL only; SQLite would need our regular expressions to
open the file at all."""

from django.db import migrations

NOT_PLAIN = r"[^ -~]|  |^ | $"  # as `fleet.heaters.register` asks


def forwards(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(
            f"CREATE INDEX heater_by_tag_not_plain ON heaters_heater (organisation_id) WHERE tag::text ~ '{NOT_PLAIN}'",
            params=None,
        )


def backwards(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("DROP INDEX heater_by_tag_not_plain")


class Migration(migrations.Migration):
    dependencies = [("heaters", "0006_no_overlap_of_new")]
    operations = [migrations.RunPython(forwards, backwards)]
