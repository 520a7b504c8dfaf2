from django.db import migrations, models


class Migration(migrations.Migration):
    """A further word for alerts. The column does not change, so that no trigger is lost."""

    dependencies = [("surveys", "0004_field_books")]

    operations = [
        migrations.AlterField(
            model_name="alert",
            name="kind",
            field=models.CharField(
                choices=[
                    ("survey-due", "survey due"),
                    ("survey-overdue", "survey overdue"),
                    ("not-reproducible", "measurement not reproducible"),
                ],
                max_length=30,
            ),
        ),
    ]
