"""Certificates: what people state for them, and what was issued. Both are write-once, by triggers.

Particulars are added as versions until the measurement is approved, and never after: what was certified
then is what stands. Later migrations that rebuild these tables on SQLite have to run the triggers again.
"""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

PARTICULARS, ISSUED, MEASUREMENT = (
    "surveys_certificateparticulars",
    "surveys_issuedcertificate",
    "surveys_measurement",
)
APPROVED = f"EXISTS (SELECT 1 FROM {MEASUREMENT} m WHERE m.id = NEW.measurement_id AND m.approved_at IS NOT NULL)"
RULES = [
    ("particulars_insert", PARTICULARS, "INSERT", APPROVED, "the measurement is approved"),
    ("particulars_update", PARTICULARS, "UPDATE", "1 = 1", "it keeps what was stated"),
    ("particulars_delete", PARTICULARS, "DELETE", "1 = 1", "it keeps what was stated"),
    ("issued_insert", ISSUED, "INSERT", f"NOT {APPROVED}", "only what is approved is certified"),
    ("issued_update", ISSUED, "UPDATE", "1 = 1", "it keeps what was certified"),
    ("issued_delete", ISSUED, "DELETE", "1 = 1", "it keeps what was certified"),
]
"""(name, table, event, condition under which it is refused, why)"""


def create(apps, schema_editor):
    for name, table, event, condition, why in RULES:
        message = f"write-once: {table}: {why}"
        if schema_editor.connection.vendor == "postgresql":
            # A subquery is not allowed in WHEN, so the condition stands inside the function.
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
    for name, table, *_ in RULES:
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.execute(f"DROP TRIGGER IF EXISTS write_once_{name} ON {table}")
            schema_editor.execute(f"DROP FUNCTION IF EXISTS write_once_{name}()")
        else:
            schema_editor.execute(f"DROP TRIGGER IF EXISTS write_once_{name}")


class Migration(migrations.Migration):

    dependencies = [
        ('surveys', '0002_write_once'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='CertificateParticulars',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('version', models.PositiveIntegerField()),
                ('purpose', models.TextField(blank=True, default='')),
                ('intended_user', models.TextField(blank=True, default='')),
                ('cut_off_at', models.DateTimeField(blank=True, null=True)),
                ('distribution', models.TextField(blank=True, default='')),
                ('retention_class', models.CharField(blank=True, default='', max_length=200)),
                ('crew', models.TextField(blank=True, default='')),
                ('responsible_professional', models.CharField(blank=True, default='', max_length=200)),
                ('licence_number', models.CharField(blank=True, default='', max_length=80)),
                ('licence_expires_on', models.DateField(blank=True, null=True)),
                ('jurisdiction', models.CharField(blank=True, default='', max_length=200)),
                ('engagement', models.CharField(blank=True, choices=[('', 'not stated'), ('employed', 'employed by the owner of the stock'), ('independent', 'independent of the owner of the stock')], default='', max_length=20)),
                ('sealed_document_required', models.CharField(blank=True, choices=[('', 'not stated'), ('yes', 'yes, a sealed document is required'), ('no', 'no sealed document is required'), ('not-determined', 'not determined')], default='', max_length=20)),
                ('sealed_determined_by', models.CharField(blank=True, default='', max_length=200)),
                ('sealed_document', models.CharField(blank=True, default='', max_length=200)),
                ('instruments', models.JSONField(blank=True, default=list)),
                ('coordinate_system', models.CharField(blank=True, default='', max_length=200)),
                ('height_datum', models.CharField(blank=True, default='', max_length=200)),
                ('distances', models.CharField(blank=True, choices=[('', 'not stated'), ('grid', 'grid distances'), ('ground', 'ground distances')], default='', max_length=20)),
                ('control_closure', models.TextField(blank=True, default='')),
                ('limitations', models.JSONField(blank=True, default=dict)),
                ('walls', models.TextField(blank=True, default='')),
                ('unseen', models.TextField(blank=True, default='')),
                ('photos', models.TextField(blank=True, default='')),
                ('stated_at', models.DateTimeField()),
                ('measurement', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='particulars', to='surveys.measurement')),
                ('stated_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['measurement', '-version'],
            },
        ),
        migrations.CreateModel(
            name='IssuedCertificate',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.CharField(max_length=60)),
                ('version', models.PositiveIntegerField()),
                ('content', models.JSONField()),
                ('digest', models.CharField(max_length=64)),
                ('issued_at', models.DateTimeField()),
                ('measurement', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='certificate', to='surveys.measurement')),
                ('particulars', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='surveys.certificateparticulars')),
            ],
            options={
                'ordering': ['number', '-version'],
            },
        ),
        migrations.AddConstraint(
            model_name='certificateparticulars',
            constraint=models.UniqueConstraint(fields=('measurement', 'version'), name='particulars_version_once'),
        ),
        migrations.AddConstraint(
            model_name='certificateparticulars',
            constraint=models.CheckConstraint(condition=models.Q(('sealed_document_required__in', ['', 'yes', 'no', 'not-determined'])), name='sealed_document_known'),
        ),
        migrations.AddConstraint(
            model_name='certificateparticulars',
            constraint=models.CheckConstraint(condition=models.Q(('engagement__in', ['', 'employed', 'independent'])), name='engagement_known'),
        ),
        migrations.AddConstraint(
            model_name='certificateparticulars',
            constraint=models.CheckConstraint(condition=models.Q(('distances__in', ['', 'grid', 'ground'])), name='distances_known'),
        ),
        migrations.AddIndex(
            model_name='issuedcertificate',
            index=models.Index(fields=['number', '-version'], name='surveys_iss_number_095268_idx'),
        ),
        migrations.AddConstraint(
            model_name='issuedcertificate',
            constraint=models.CheckConstraint(condition=models.Q(('number__gt', ''), ('version__gte', 1)), name='certificate_is_numbered'),
        ),
        migrations.RunPython(create, drop),
    ]
