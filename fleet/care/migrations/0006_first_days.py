import django.db.models.deletion
from django.db import migrations, models

FILL = """UPDATE care_task SET building_id = (SELECT place.building_id FROM heaters_heater AS heater
    JOIN estate_position AS place ON place.id = heater.position_id WHERE heater.id = care_task.heater_id)"""


def settle_constraints(apps, schema_editor):
    """PostgreSQL refuses to alter a table while checks of the rows just filled are pending."""
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("SET CONSTRAINTS ALL IMMEDIATE")


class Migration(migrations.Migration):
    dependencies = [
        ("care", "0005_phone"),
        ("estate", "0008_where_properties_lie"),
        ("heaters", "0002_no_overlap"),
    ]

    operations = [
        migrations.CreateModel(
            name="CareStart",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("began_on", models.DateField()),
                ("heater", models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name="care_start", to="heaters.heater")),
                ("organisation", models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name="+", to="estate.organisation")),
            ],
            options={"abstract": False},
        ),
        migrations.AddField(
            model_name="task",
            name="building",
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.CASCADE, related_name="+", to="estate.building"),
        ),
        migrations.RunSQL(FILL, migrations.RunSQL.noop),
        migrations.RunPython(settle_constraints, migrations.RunPython.noop),
        migrations.AlterField(
            model_name="task",
            name="building",
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name="+", to="estate.building"),
        ),
        migrations.AddIndex(
            model_name="task",
            index=models.Index(
                condition=models.Q(("state", "open")),
                fields=["organisation", "due_on", "building", "kind"],
                name="task_due_by_building",
            ),
        ),
    ]
