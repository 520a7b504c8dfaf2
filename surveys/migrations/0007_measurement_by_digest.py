"""Whoever verifies a printed digest does not wait for a scan of all measurements.

An index is added without rebuilding the table, so that its write-once triggers stay.
"""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("surveys", "0006_alerts_with_owners")]

    operations = [
        migrations.AddIndex(
            model_name="measurement",
            index=models.Index(fields=["digest"], name="measurement_by_digest"),
        ),
    ]
