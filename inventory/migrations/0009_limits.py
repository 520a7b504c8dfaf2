"""Limits of piles and what is dangerous about each, with the triggers that keep what was approved."""

import importlib

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

first = importlib.import_module("inventory.migrations.0002_write_once")

LIMIT = [
    "site_id", "pile_id", "quantity", "operator", "value", "given", "unit", "reference_surface",
    "reference_level_m", "boundary", "source", "page", "consequence",
]
HAZARD = ["id", "pile_id", "kind", "words", "recorded_by_id", "recorded_at"]
END = ["ended_by_id", "ended_at", "ended_reason"]


def rules(w):
    limit, hazard = "inventory_limit", "inventory_pilehazard"
    scope = " AND ".join(
        w.same(f"other.{c}", f"NEW.{c}") for c in ["site_id", "pile_id", "quantity", "operator", "source"]
    )
    overlap = (
        f"NEW.status = 'approved' AND EXISTS (SELECT 1 FROM {limit} AS other WHERE other.id <> NEW.id "
        f"AND other.status = 'approved' AND {scope} "
        "AND (other.valid_to IS NULL OR other.valid_to > NEW.valid_from) "
        "AND (NEW.valid_to IS NULL OR NEW.valid_to > other.valid_from))"
    )
    moved = (
        "NEW.status <> OLD.status AND NOT (OLD.status = 'proposed' AND NEW.status IN ('approved', 'withdrawn'))"
        " AND NOT (OLD.status = 'approved' AND NEW.status = 'superseded')"
    )
    reopened = (
        "OLD.status <> 'proposed' AND OLD.valid_to IS NOT NULL "
        "AND (NEW.valid_to IS NULL OR NEW.valid_to > OLD.valid_to)"
    )
    ended_twice = f"OLD.status IN ('superseded', 'withdrawn') AND {w.changed(['valid_to'])}"
    return [
        ("limit_is_proposed_first", limit, "INSERT", "NEW.status <> 'proposed'", "a limit begins as a proposal"),
        ("limit_keeps_its_values", limit, "UPDATE",
         f"OLD.status <> 'proposed' AND {w.changed(LIMIT + first.DATED)}",
         "an approved limit keeps its values; propose a new one"),
        ("limit_moves_forward", limit, "UPDATE", moved, "a limit cannot go back to an earlier state"),
        ("limit_validity_only_closes", limit, "UPDATE", f"({reopened}) OR ({ended_twice})",
         "the validity of an approved limit can only be closed"),
        ("limit_is_kept", limit, "DELETE", "OLD.status <> 'proposed'", "an approved limit is never deleted"),
        ("limit_no_overlap", limit, "UPDATE", overlap,
         "two limits of one document for one thing are in force on the same day"),
        ("hazard_written_once", hazard, "UPDATE", w.changed(HAZARD), "a hazard is written once and ended"),
        ("hazard_ends_once", hazard, "UPDATE", f"OLD.ended_at IS NOT NULL AND {w.changed(END)}",
         "a hazard is ended once"),
        ("hazard_is_kept", hazard, "DELETE", "1 = 1", "a hazard is ended, never deleted"),
    ]


# Two transactions on PostgreSQL do not see each other's approvals: those that could collide wait in line.
LINE = "PERFORM pg_advisory_xact_lock(hashtextextended('limit ' || NEW.site_id, 0)); "


def install(apps, schema_editor):
    w = first.Words(schema_editor.connection.vendor)
    for name, table, event, condition, message in rules(w):
        if w.is_postgres:
            row = "OLD" if event == "DELETE" else "NEW"
            line = LINE if name == "limit_no_overlap" else ""
            schema_editor.execute(
                f"CREATE FUNCTION heapledger_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {line}"
                f"IF {condition} THEN RAISE EXCEPTION '{message}' USING ERRCODE = 'check_violation', "
                f"CONSTRAINT = '{name}'; END IF; RETURN {row}; END $$",
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
        ('inventory', '0008_values_of_periods'),
    ]

    operations = [
        migrations.CreateModel(
            name='Limit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('valid_from', models.DateField()),
                ('valid_to', models.DateField(blank=True, null=True)),
                ('status', models.CharField(choices=[('proposed', 'proposed'), ('approved', 'approved'), ('superseded', 'superseded'), ('withdrawn', 'withdrawn')], default='proposed', max_length=12)),
                ('reason', models.TextField()),
                ('proposed_at', models.DateTimeField(auto_now_add=True)),
                ('approved_at', models.DateTimeField(blank=True, null=True)),
                ('withdrawn_reason', models.TextField(blank=True)),
                ('quantity', models.CharField(choices=[('height', 'height over the base'), ('height-above-natural', 'height above natural ground'), ('slope', 'slope of a face'), ('area', 'area covered'), ('volume', 'volume'), ('tonnes', 'tonnes'), ('age', 'time since the pile was opened'), ('setback', 'distance from a boundary')], max_length=24)),
                ('operator', models.CharField(choices=[('max', 'at most'), ('min', 'at least')], max_length=3)),
                ('value', models.DecimalField(decimal_places=6, max_digits=18)),
                ('given', models.CharField(max_length=30)),
                ('unit', models.CharField(choices=[('metre', 'metre'), ('foot', 'foot'), ('us-survey-foot', 'us survey foot'), ('degree', 'degree'), ('percent', 'percent'), ('horizontal-to-one', 'horizontal to one vertical'), ('square-metre', 'square metre'), ('hectare', 'hectare'), ('square-foot', 'square foot'), ('acre', 'acre'), ('cubic-metre', 'cubic metre'), ('cubic-yard', 'cubic yard'), ('cubic-foot', 'cubic foot'), ('tonne', 'tonne'), ('short-ton', 'short ton'), ('long-ton', 'long ton'), ('day', 'day'), ('month', 'month'), ('year', 'year')], max_length=20)),
                ('reference_surface', models.CharField(blank=True, max_length=200)),
                ('reference_level_m', models.DecimalField(blank=True, decimal_places=4, max_digits=9, null=True)),
                ('boundary', models.JSONField(blank=True, default=list)),
                ('source', models.CharField(max_length=200)),
                ('page', models.CharField(blank=True, max_length=40)),
                ('consequence', models.TextField()),
                ('approved_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('pile', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='limits', to='inventory.pile')),
                ('proposed_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('site', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='pile_limits', to='inventory.site')),
                ('supersedes', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='successors', to='inventory.limit')),
                ('withdrawn_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['site', 'pile', 'quantity', '-valid_from', 'pk'],
                'constraints': [models.CheckConstraint(condition=models.Q(('valid_to__isnull', True), ('valid_to__gt', models.F('valid_from')), _connector='OR'), name='limit_validity_has_days'), models.CheckConstraint(condition=models.Q(('status__in', ['proposed', 'approved', 'superseded', 'withdrawn'])), name='limit_status_known'), models.CheckConstraint(condition=models.Q(models.Q(('status__in', ['approved', 'superseded']), ('approved_at__isnull', False), ('approved_by__isnull', False)), models.Q(models.Q(('status__in', ['approved', 'superseded']), _negated=True), ('approved_at__isnull', True), ('approved_by__isnull', True)), _connector='OR'), name='limit_approval_is_named'), models.CheckConstraint(condition=models.Q(('approved_by__isnull', True), models.Q(('approved_by', models.F('proposed_by')), _negated=True), _connector='OR'), name='limit_preparer_is_not_approver'), models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='limit_has_reason'), models.CheckConstraint(condition=models.Q(('quantity__in', ['height', 'height-above-natural', 'slope', 'area', 'volume', 'tonnes', 'age', 'setback']), ('operator__in', ['max', 'min'])), name='limit_words_known'), models.CheckConstraint(condition=models.Q(('value__gt', 0)), name='limit_value_positive'), models.CheckConstraint(condition=models.Q(models.Q(('source', ''), _negated=True), models.Q(('consequence', ''), _negated=True), models.Q(('given', ''), _negated=True), models.Q(('unit', ''), _negated=True)), name='limit_says_where_it_is_from')],
            },
        ),
        migrations.CreateModel(
            name='PileHazard',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('feeder', 'feeder'), ('draw-point', 'draw point'), ('void', 'possible void'), ('undercut', 'undercut or steep face'), ('traffic', 'traffic'), ('power-line', 'power line'), ('other', 'other')], max_length=12)),
                ('words', models.TextField()),
                ('recorded_at', models.DateTimeField(auto_now_add=True)),
                ('ended_at', models.DateTimeField(blank=True, null=True)),
                ('ended_reason', models.TextField(blank=True)),
                ('ended_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('pile', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='hazard_points', to='inventory.pile')),
                ('recorded_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['pile', 'kind', 'pk'],
                'constraints': [models.CheckConstraint(condition=models.Q(('kind__in', ['feeder', 'draw-point', 'void', 'undercut', 'traffic', 'power-line', 'other']), models.Q(('words', ''), _negated=True)), name='hazard_is_told'), models.CheckConstraint(condition=models.Q(models.Q(('ended_at__isnull', True), ('ended_by__isnull', True), ('ended_reason', '')), models.Q(('ended_at__gte', models.F('recorded_at')), ('ended_by__isnull', False), models.Q(('ended_reason', ''), _negated=True)), _connector='OR'), name='hazard_end_is_named')],
            },
        ),
        migrations.RunPython(install, remove),
    ]
