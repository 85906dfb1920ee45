"""An order that is opened again may be tested although a test of its earlier revision is open."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("valvecare", "0002_partition_readings")]

    operations = [
        migrations.RemoveConstraint("testrun", "one_open_test_run_per_order"),
        migrations.AddConstraint(
            "testrun",
            models.UniqueConstraint(
                fields=["order", "revision"],
                condition=models.Q(finished_at__isnull=True),
                name="one_open_test_run_per_revision",
                violation_error_message="A test of this order is open already.",
            ),
        ),
    ]
