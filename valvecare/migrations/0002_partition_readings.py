"""Readings by month on PostgreSQL; nothing on SQLite. See `readings/sql`."""

from django.db import migrations

from valvecare.readings.sql import backward, forward


class Migration(migrations.Migration):
    dependencies = [("valvecare", "0001_initial")]

    operations = [migrations.RunPython(forward, backward)]
