"""Walls and partition lines, with the triggers that keep what was approved."""

import importlib

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


first = importlib.import_module("inventory.migrations.0002_write_once")

WALL = ["pile_id", "code", "foot", "height_m", "lean_deg", "repose_deg"]
PARTITION = ["left_id", "right_id", "line", "repose_deg"]
TABLES = [
    ("wall", "inventory_wall", WALL, ["pile_id", "code"]),
    ("partition", "inventory_partitionline", PARTITION, ["left_id", "right_id"]),
]


def rules(w):
    moved = (
        "NEW.status <> OLD.status AND NOT (OLD.status = 'proposed' AND NEW.status IN ('approved', 'withdrawn'))"
        " AND NOT (OLD.status = 'approved' AND NEW.status = 'superseded')"
    )
    reopened = (
        "OLD.status <> 'proposed' AND OLD.valid_to IS NOT NULL "
        "AND (NEW.valid_to IS NULL OR NEW.valid_to > OLD.valid_to)"
    )
    ended_twice = f"OLD.status IN ('superseded', 'withdrawn') AND {w.changed(['valid_to'])}"
    found = []
    for kind, table, columns, scope in TABLES:
        kept = first.DATED + columns
        same = " AND ".join(w.same(f"other.{c}", f"NEW.{c}") for c in scope)
        found += [
            (f"{kind}_is_proposed_first", table, "INSERT", "NEW.status <> 'proposed'",
             f"a {kind} begins as a proposal"),
            (f"{kind}_keeps_its_values", table, "UPDATE", f"OLD.status <> 'proposed' AND {w.changed(kept)}",
             f"an approved {kind} keeps its values; propose a new one"),
            (f"{kind}_moves_forward", table, "UPDATE", moved, f"a {kind} cannot go back to an earlier state"),
            (f"{kind}_validity_only_closes", table, "UPDATE", f"({reopened}) OR ({ended_twice})",
             f"the validity of an approved {kind} can only be closed"),
            (f"{kind}_is_kept", table, "DELETE", "OLD.status <> 'proposed'",
             f"an approved {kind} is never deleted"),
            (f"{kind}_no_overlap", table, "UPDATE",
             f"NEW.status = 'approved' AND EXISTS (SELECT 1 FROM {table} AS other WHERE other.id <> NEW.id "
             f"AND other.status = 'approved' AND {same} "
             "AND (other.valid_to IS NULL OR other.valid_to > NEW.valid_from) "
             "AND (NEW.valid_to IS NULL OR NEW.valid_to > other.valid_from))",
             f"two of one {kind} are in force on the same day"),
        ]
    return found


# Two transactions on PostgreSQL do not see each other's approvals: those that could collide wait in line.
LINES = {
    "wall_no_overlap": "PERFORM pg_advisory_xact_lock(hashtextextended('wall ' || NEW.pile_id, 0)); ",
    "partition_no_overlap": "PERFORM pg_advisory_xact_lock(hashtextextended('partition ' || NEW.left_id, 0)); ",
}


def install(apps, schema_editor):
    w = first.Words(schema_editor.connection.vendor)
    for name, table, event, condition, message in rules(w):
        if w.is_postgres:
            row = "OLD" if event == "DELETE" else "NEW"
            schema_editor.execute(
                f"CREATE FUNCTION heapledger_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                f"{LINES.get(name, '')}IF {condition} THEN RAISE EXCEPTION '{message}' "
                f"USING ERRCODE = 'check_violation', CONSTRAINT = '{name}'; END IF; RETURN {row}; END $$",
                params=None,
            )
            schema_editor.execute(
                f"CREATE TRIGGER heapledger_{name} BEFORE {event} ON {table} "
                f"FOR EACH ROW EXECUTE FUNCTION heapledger_{name}()",
                params=None,
            )
        else:
            schema_editor.execute(
                f"CREATE TRIGGER heapledger_{name} BEFORE {event} ON {table} FOR EACH ROW "
                f"WHEN {condition} BEGIN SELECT RAISE(ABORT, '{message}'); END",
                params=None,
            )


def remove(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    for name, *_ in rules(first.Words(vendor)):
        if vendor == "postgresql":
            schema_editor.execute(f"DROP FUNCTION heapledger_{name}() CASCADE", params=None)
        else:
            schema_editor.execute(f"DROP TRIGGER heapledger_{name}", params=None)


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0009_limits'),
    ]

    operations = [
        migrations.CreateModel(
            name='PartitionLine',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('valid_from', models.DateField()),
                ('valid_to', models.DateField(blank=True, null=True)),
                ('status', models.CharField(choices=[('proposed', 'proposed'), ('approved', 'approved'), ('superseded', 'superseded'), ('withdrawn', 'withdrawn')], default='proposed', max_length=12)),
                ('reason', models.TextField()),
                ('proposed_at', models.DateTimeField(auto_now_add=True)),
                ('approved_at', models.DateTimeField(blank=True, null=True)),
                ('withdrawn_reason', models.TextField(blank=True)),
                ('line', models.JSONField()),
                ('repose_deg', models.DecimalField(decimal_places=2, max_digits=5)),
                ('approved_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('left', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='partitions_on_its_right', to='inventory.pile')),
                ('proposed_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('right', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='partitions_on_its_left', to='inventory.pile')),
                ('supersedes', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='successors', to='inventory.partitionline')),
                ('withdrawn_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['left', 'right', '-valid_from', 'pk'],
                'constraints': [models.CheckConstraint(condition=models.Q(('valid_to__isnull', True), ('valid_to__gt', models.F('valid_from')), _connector='OR'), name='partition_validity_has_days'), models.CheckConstraint(condition=models.Q(('status__in', ['proposed', 'approved', 'superseded', 'withdrawn'])), name='partition_status_known'), models.CheckConstraint(condition=models.Q(models.Q(('status__in', ['approved', 'superseded']), ('approved_at__isnull', False), ('approved_by__isnull', False)), models.Q(models.Q(('status__in', ['approved', 'superseded']), _negated=True), ('approved_at__isnull', True), ('approved_by__isnull', True)), _connector='OR'), name='partition_approval_is_named'), models.CheckConstraint(condition=models.Q(('approved_by__isnull', True), models.Q(('approved_by', models.F('proposed_by')), _negated=True), _connector='OR'), name='partition_preparer_is_not_approver'), models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='partition_has_reason'), models.CheckConstraint(condition=models.Q(('left', models.F('right')), _negated=True), name='partition_between_two_piles'), models.CheckConstraint(condition=models.Q(('repose_deg__gt', 0), ('repose_deg__lt', 90)), name='partition_slope_is_one')],
            },
        ),
        migrations.CreateModel(
            name='Wall',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('valid_from', models.DateField()),
                ('valid_to', models.DateField(blank=True, null=True)),
                ('status', models.CharField(choices=[('proposed', 'proposed'), ('approved', 'approved'), ('superseded', 'superseded'), ('withdrawn', 'withdrawn')], default='proposed', max_length=12)),
                ('reason', models.TextField()),
                ('proposed_at', models.DateTimeField(auto_now_add=True)),
                ('approved_at', models.DateTimeField(blank=True, null=True)),
                ('withdrawn_reason', models.TextField(blank=True)),
                ('code', models.CharField(max_length=30)),
                ('foot', models.JSONField()),
                ('height_m', models.DecimalField(decimal_places=3, max_digits=6)),
                ('lean_deg', models.DecimalField(decimal_places=2, default=0, max_digits=5)),
                ('repose_deg', models.DecimalField(blank=True, decimal_places=2, max_digits=5, null=True)),
                ('approved_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('pile', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='walls', to='inventory.pile')),
                ('proposed_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('supersedes', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='successors', to='inventory.wall')),
                ('withdrawn_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['pile', 'code', '-valid_from', 'pk'],
                'constraints': [models.CheckConstraint(condition=models.Q(('valid_to__isnull', True), ('valid_to__gt', models.F('valid_from')), _connector='OR'), name='wall_validity_has_days'), models.CheckConstraint(condition=models.Q(('status__in', ['proposed', 'approved', 'superseded', 'withdrawn'])), name='wall_status_known'), models.CheckConstraint(condition=models.Q(models.Q(('status__in', ['approved', 'superseded']), ('approved_at__isnull', False), ('approved_by__isnull', False)), models.Q(models.Q(('status__in', ['approved', 'superseded']), _negated=True), ('approved_at__isnull', True), ('approved_by__isnull', True)), _connector='OR'), name='wall_approval_is_named'), models.CheckConstraint(condition=models.Q(('approved_by__isnull', True), models.Q(('approved_by', models.F('proposed_by')), _negated=True), _connector='OR'), name='wall_preparer_is_not_approver'), models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='wall_has_reason'), models.CheckConstraint(condition=models.Q(models.Q(('code', ''), _negated=True), ('height_m__gt', 0)), name='wall_is_named_and_stands')],
            },
        ),
        migrations.RunPython(install, remove),
    ]
