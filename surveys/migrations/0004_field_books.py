"""Field books: what each came to, corrections of set-ups, checks of the control, the life of a mark.

Reductions and corrections are write-once but for the steps of a reduction's life; control that was approved
keeps its place. Later migrations that rebuild these tables on SQLite have to run the triggers again.
"""

import django.db.models.deletion
import uuid
from decimal import Decimal
from django.conf import settings
from django.db import migrations, models


REDUCTION, CORRECTION = "surveys_bookreduction", "surveys_setupcorrection"
CHECK, EVENT, CONTROL = "surveys_checkmeasurement", "surveys_controlevent", "surveys_controlpoint"
COMPUTED = ("uuid", "file_id", "version", "request", "record", "digest", "gives_shots", "shots_n", "reason",
            "prepared_by_id", "prepared_at")
SIGNED = ("accepted_by_id", "accepted_at", "accept_comment")
SENT_BACK = ("sent_back_by_id", "sent_back_at", "sent_back_reason")
PLACE = ("site_id", "name", "northing_m", "easting_m", "elevation_m", "valid_from", "source", "plan_u_m",
         "height_u_m", "proposed_by_id", "approved_by_id")


def changed(columns, differs):
    return "(" + " OR ".join(f'NEW."{name}" {differs} OLD."{name}"' for name in columns) + ")"


def rules(differs):
    """(name, table, event, condition under which it is refused, why)"""
    other_step = (
        "NOT (NEW.state = OLD.state "
        "OR (OLD.state = 'computed' AND NEW.state IN ('accepted', 'rejected', 'superseded')) "
        "OR (OLD.state = 'accepted' AND NEW.state = 'superseded'))"
    )
    signed_twice = f"OLD.accepted_at IS NOT NULL AND {changed(SIGNED, differs)}"
    returned_twice = f"OLD.sent_back_at IS NOT NULL AND {changed(SENT_BACK, differs)}"
    moved = f"OLD.approval <> 'proposed' AND ({changed((*PLACE, 'approval'), differs)})"
    reopened = "OLD.valid_to IS NOT NULL AND (NEW.valid_to IS NULL OR NEW.valid_to > OLD.valid_to)"
    return [
        ("reduction_computed", REDUCTION, "UPDATE", changed(COMPUTED, differs), "it keeps what was computed"),
        ("reduction_step", REDUCTION, "UPDATE", other_step, "there is no such step"),
        ("reduction_signed", REDUCTION, "UPDATE", f"({signed_twice}) OR ({returned_twice})",
         "it keeps who signed"),
        ("reduction_delete", REDUCTION, "DELETE", "1 = 1", "it keeps what was computed"),
        ("correction_update", CORRECTION, "UPDATE", "1 = 1", "it keeps what was corrected"),
        ("correction_delete", CORRECTION, "DELETE", "1 = 1", "it keeps what was corrected"),
        ("check_update", CHECK, "UPDATE", "1 = 1", "it keeps what was seen"),
        ("check_delete", CHECK, "DELETE", "OLD.reduction_id IS NOT NULL", "it keeps what was seen"),
        ("controlevent_update", EVENT, "UPDATE", "1 = 1", "it keeps what was done"),
        ("controlevent_delete", EVENT, "DELETE", "1 = 1", "it keeps what was done"),
        ("control_place", CONTROL, "UPDATE", moved, "a moved mark is a new version"),
        ("control_reopened", CONTROL, "UPDATE", reopened, "what has ended is not opened again"),
        ("control_delete", CONTROL, "DELETE", "OLD.approval = 'approved'", "it keeps what was in force"),
    ]


def create(apps, schema_editor):
    is_postgres = schema_editor.connection.vendor == "postgresql"
    for name, table, event, condition, why in rules("IS DISTINCT FROM" if is_postgres else "IS NOT"):
        message = f"write-once: {table}: {why}"
        if is_postgres:
            schema_editor.execute(
                f"CREATE FUNCTION write_once_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                f"IF {condition} THEN RAISE EXCEPTION '{message}' USING ERRCODE = 'restrict_violation'; END IF; "
                f"RETURN {'OLD' if event == 'DELETE' else 'NEW'}; END $$"
            )
            schema_editor.execute(
                f"CREATE TRIGGER write_once_{name} BEFORE {event} ON {table} "
                f"FOR EACH ROW EXECUTE FUNCTION write_once_{name}()"
            )
        else:
            schema_editor.execute(
                f"CREATE TRIGGER write_once_{name} BEFORE {event} ON {table} FOR EACH ROW WHEN {condition} "
                f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
            )


def drop(apps, schema_editor):
    for name, table, *_ in rules("="):
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.execute(f"DROP TRIGGER IF EXISTS write_once_{name} ON {table}")
            schema_editor.execute(f"DROP FUNCTION IF EXISTS write_once_{name}()")
        else:
            schema_editor.execute(f"DROP TRIGGER IF EXISTS write_once_{name}")


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0003_kept_answer'),
        ('surveys', '0003_certificates'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='BookReduction',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('uuid', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('version', models.PositiveIntegerField()),
                ('state', models.CharField(choices=[('computed', 'computed'), ('accepted', 'accepted'), ('rejected', 'sent back'), ('superseded', 'superseded')], default='computed', max_length=12)),
                ('request', models.JSONField()),
                ('record', models.JSONField()),
                ('digest', models.CharField(max_length=80)),
                ('gives_shots', models.BooleanField()),
                ('shots_n', models.PositiveIntegerField()),
                ('reason', models.TextField(blank=True, default='')),
                ('prepared_at', models.DateTimeField(auto_now_add=True)),
                ('accepted_at', models.DateTimeField(blank=True, null=True)),
                ('accept_comment', models.TextField(blank=True, default='')),
                ('sent_back_at', models.DateTimeField(blank=True, null=True)),
                ('sent_back_reason', models.TextField(blank=True, default='')),
            ],
            options={
                'ordering': ['file', '-version'],
            },
        ),
        migrations.CreateModel(
            name='CheckMeasurement',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('from_mark', models.CharField(blank=True, default='', max_length=40)),
                ('backsight', models.CharField(blank=True, default='', max_length=40)),
                ('kind', models.CharField(choices=[('backsight-distance', 'back-sight distance against coordinates'), ('re-shot', 'mark shot again'), ('closing', 'closing shot')], max_length=20)),
                ('measured_on', models.DateField()),
                ('north_m', models.DecimalField(blank=True, decimal_places=4, max_digits=9, null=True)),
                ('east_m', models.DecimalField(blank=True, decimal_places=4, max_digits=9, null=True)),
                ('up_m', models.DecimalField(blank=True, decimal_places=4, max_digits=9, null=True)),
                ('distance_m', models.DecimalField(blank=True, decimal_places=4, max_digits=9, null=True)),
                ('plan_u_m', models.DecimalField(decimal_places=4, max_digits=6)),
                ('height_u_m', models.DecimalField(decimal_places=4, max_digits=6)),
            ],
            options={
                'ordering': ['measured_on', 'id'],
            },
        ),
        migrations.CreateModel(
            name='ControlEvent',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('what', models.CharField(choices=[('proposed', 'proposed'), ('approved', 'approved'), ('withdrawn', 'withdrawn'), ('suspect', 'marked as suspect'), ('destroyed', 'marked as destroyed'), ('restored', 'restored')], max_length=10)),
                ('on', models.DateField()),
                ('reason', models.TextField(blank=True, default='')),
                ('at', models.DateTimeField(auto_now_add=True)),
            ],
            options={
                'ordering': ['id'],
            },
        ),
        migrations.CreateModel(
            name='SetupCorrection',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('setup', models.CharField(max_length=40)),
                ('field', models.CharField(max_length=20)),
                ('value', models.CharField(max_length=60)),
                ('reason', models.TextField()),
                ('first_shot', models.CharField(blank=True, default='', max_length=40)),
                ('last_shot', models.CharField(blank=True, default='', max_length=40)),
                ('at', models.DateTimeField()),
            ],
            options={
                'ordering': ['id'],
            },
        ),
        migrations.RemoveConstraint(
            model_name='controlpoint',
            name='control_version_once',
        ),
        migrations.AddField(
            model_name='controlpoint',
            name='approval',
            field=models.CharField(choices=[('proposed', 'proposed'), ('approved', 'approved'), ('withdrawn', 'withdrawn')], default='approved', max_length=10),
        ),
        migrations.AddField(
            model_name='controlpoint',
            name='approved_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='controlpoint',
            name='height_u_m',
            field=models.DecimalField(decimal_places=4, default=Decimal('0.0050'), max_digits=6),
        ),
        migrations.AddField(
            model_name='controlpoint',
            name='plan_u_m',
            field=models.DecimalField(decimal_places=4, default=Decimal('0.0050'), max_digits=6),
        ),
        migrations.AddField(
            model_name='controlpoint',
            name='proposed_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='controlpoint',
            name='source',
            field=models.TextField(blank=True, default=''),
        ),
        migrations.AddField(
            model_name='controlpoint',
            name='standing',
            field=models.CharField(choices=[('in-force', 'in force'), ('suspect', 'suspect'), ('destroyed', 'destroyed')], default='in-force', max_length=10),
        ),
        migrations.AddField(
            model_name='controlpoint',
            name='standing_since',
            field=models.DateField(blank=True, null=True),
        ),
        migrations.AlterField(
            model_name='surveyfile',
            name='purpose',
            field=models.CharField(choices=[('measure', 'shots to measure'), ('edge', 'drawn outer edge'), ('field-book', 'field book'), ('stored', 'coordinates as the instrument stored them')], default='measure', max_length=10),
        ),
        migrations.AddConstraint(
            model_name='controlpoint',
            constraint=models.UniqueConstraint(condition=models.Q(('approval', 'withdrawn'), _negated=True), fields=('site', 'name', 'valid_from'), name='control_version_once'),
        ),
        migrations.AddConstraint(
            model_name='controlpoint',
            constraint=models.CheckConstraint(condition=models.Q(('approved_by__isnull', True), models.Q(('approved_by', models.F('proposed_by')), _negated=True), _connector='OR'), name='control_proposer_does_not_approve'),
        ),
        migrations.AddConstraint(
            model_name='controlpoint',
            constraint=models.CheckConstraint(condition=models.Q(('height_u_m__gt', 0), ('plan_u_m__gt', 0)), name='control_uncertainty_positive'),
        ),
        migrations.AddField(
            model_name='bookreduction',
            name='accepted_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='bookreduction',
            name='file',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='reductions', to='surveys.surveyfile'),
        ),
        migrations.AddField(
            model_name='bookreduction',
            name='prepared_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='bookreduction',
            name='sent_back_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='checkmeasurement',
            name='control_point',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='checks', to='surveys.controlpoint'),
        ),
        migrations.AddField(
            model_name='checkmeasurement',
            name='file',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='checks', to='surveys.surveyfile'),
        ),
        migrations.AddField(
            model_name='checkmeasurement',
            name='reduction',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='checks', to='surveys.bookreduction'),
        ),
        migrations.AddField(
            model_name='checkmeasurement',
            name='survey',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='control_checks', to='surveys.survey'),
        ),
        migrations.AddField(
            model_name='controlevent',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='controlevent',
            name='control_point',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='events', to='surveys.controlpoint'),
        ),
        migrations.AddField(
            model_name='setupcorrection',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='setupcorrection',
            name='reduction',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='corrections', to='surveys.bookreduction'),
        ),
        migrations.AddConstraint(
            model_name='bookreduction',
            constraint=models.UniqueConstraint(fields=('file', 'version'), name='reduction_version_once'),
        ),
        migrations.AddConstraint(
            model_name='bookreduction',
            constraint=models.UniqueConstraint(condition=models.Q(('state', 'accepted')), fields=('file',), name='one_accepted_reduction_per_book'),
        ),
        migrations.AddConstraint(
            model_name='bookreduction',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('state', 'accepted'), _negated=True), models.Q(('accepted_at__isnull', False), ('accepted_by__isnull', False)), _connector='OR'), name='accepted_reduction_has_a_name'),
        ),
        migrations.AddConstraint(
            model_name='bookreduction',
            constraint=models.CheckConstraint(condition=models.Q(('accepted_by__isnull', True), models.Q(('accepted_by', models.F('prepared_by')), _negated=True), _connector='OR'), name='preparer_accepts_no_reduction'),
        ),
        migrations.AddConstraint(
            model_name='bookreduction',
            constraint=models.CheckConstraint(condition=models.Q(('version', 1), models.Q(('reason', ''), _negated=True), _connector='OR'), name='reduction_two_has_a_reason'),
        ),
        migrations.AddIndex(
            model_name='checkmeasurement',
            index=models.Index(fields=['control_point', 'measured_on'], name='surveys_che_control_d62f73_idx'),
        ),
        migrations.AddConstraint(
            model_name='setupcorrection',
            constraint=models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='correction_has_a_reason'),
        ),
        migrations.RunPython(create, drop),
    ]
