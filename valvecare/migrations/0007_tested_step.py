"""How each step of a guided test stands, for the procedure of its order."""

import django.db.models.deletion
from django.db import migrations, models

STEPS = [(f"T{number}", f"T{number}") for number in range(8)]


class Migration(migrations.Migration):
    dependencies = [("valvecare", "0006_cover_closure_and_lining")]

    operations = [
        migrations.CreateModel(
            name="TestedStep",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("revision", models.PositiveSmallIntegerField()),
                ("step", models.CharField(choices=STEPS, max_length=2)),
                ("outcome", models.CharField(max_length=20)),
                ("because", models.CharField(blank=True, max_length=300)),
                ("is_settled", models.BooleanField()),
                (
                    "people",
                    models.JSONField(help_text="Ids of who read, answered or led: no witnesses."),
                ),
                (
                    "recorded_at",
                    models.DateTimeField(help_text="When the last of it was recorded."),
                ),
                (
                    "order",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="tested_steps",
                        to="valvecare.workorder",
                    ),
                ),
            ],
            options={
                "db_table": "valvecare_tested_step",
                "ordering": ("order", "revision", "step"),
                "constraints": [
                    models.UniqueConstraint(
                        fields=["order", "revision", "step"], name="tested_step_once_per_revision"
                    )
                ],
            },
        ),
    ]
