"""A pile may become another grade, and a file of movements may wait to be posted.

SQLite drops the triggers of a table that it rebuilds, so those of the imports are laid again.
"""

import importlib

from django.db import migrations, models

books = importlib.import_module("inventory.migrations.0005_books_write_once")


def lay_triggers_again(apps, schema_editor):
    for statement in books.statements(schema_editor.connection.vendor):
        if "heapledger_import_" in statement:
            schema_editor.execute(statement, params=None)


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0005_books_write_once'),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='movementimport',
            name='refused_import_posts_nothing',
        ),
        migrations.RemoveConstraint(
            model_name='pilelineage',
            name='lineage_kind_known',
        ),
        migrations.AlterField(
            model_name='movementimport',
            name='state',
            field=models.CharField(choices=[('received', 'received'), ('refused', 'refused'), ('posted', 'posted')], max_length=10),
        ),
        migrations.AlterField(
            model_name='pilelineage',
            name='kind',
            field=models.CharField(choices=[('merged', 'merged from'), ('split', 'split from'), ('moved', 'moved from'), ('reclassified', 'reclassified from')], max_length=12),
        ),
        migrations.AddConstraint(
            model_name='movementimport',
            constraint=models.CheckConstraint(condition=models.Q(('state', 'posted'), models.Q(('posted_n', 0), ('state__in', ['received', 'refused'])), _connector='OR'), name='refused_import_posts_nothing'),
        ),
        migrations.AddConstraint(
            model_name='pilelineage',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['merged', 'split', 'moved', 'reclassified'])), name='lineage_kind_known'),
        ),
        migrations.RunPython(lay_triggers_again, lay_triggers_again),
    ]
