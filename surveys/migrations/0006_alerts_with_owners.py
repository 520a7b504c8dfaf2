"""Alerts with one owner, told by e-mail once; what limits ask of a measured surface."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0009_limits'),
        ('surveys', '0005_not_reproducible'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='AlertMail',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('raised_at', models.DateTimeField()),
                ('sent_at', models.DateTimeField()),
            ],
            options={
                'ordering': ['-sent_at', 'pk'],
            },
        ),
        migrations.CreateModel(
            name='SurfaceFacts',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('steepest_deg', models.FloatField(blank=True, null=True)),
                ('face_m2', models.FloatField()),
                ('edge', models.JSONField(default=list)),
            ],
            options={
                'verbose_name_plural': 'surface facts',
                'ordering': ['measurement'],
            },
        ),
        migrations.RemoveConstraint(
            model_name='alert',
            name='site_alert_once',
        ),
        migrations.RemoveConstraint(
            model_name='alert',
            name='pile_alert_once',
        ),
        migrations.AddField(
            model_name='alert',
            name='accepted_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='alert',
            name='accepted_reason',
            field=models.TextField(blank=True, default=''),
        ),
        migrations.AddField(
            model_name='alert',
            name='accepted_until',
            field=models.DateField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='alert',
            name='owned_at',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='alert',
            name='owner',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='alerts', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='alert',
            name='subject',
            field=models.CharField(blank=True, default='', max_length=60),
        ),
        migrations.AlterField(
            model_name='alert',
            name='kind',
            field=models.CharField(choices=[('survey-due', 'survey due'), ('survey-overdue', 'survey overdue'), ('not-reproducible', 'measurement not reproducible'), ('limit-near', 'limit near'), ('limit-over', 'limit passed'), ('base-stale', 'base older than a year'), ('density-ending', 'density ends'), ('density-missing', 'no density in force'), ('drift', 'variance drifts'), ('tickets-missing', 'ticket numbers missing'), ('month-unsigned', 'month not signed'), ('steep-face', 'steep face or overhang')], max_length=30),
        ),
        migrations.AddConstraint(
            model_name='alert',
            constraint=models.UniqueConstraint(condition=models.Q(('pile__isnull', True)), fields=('site', 'kind', 'due_on', 'subject'), name='site_alert_once'),
        ),
        migrations.AddConstraint(
            model_name='alert',
            constraint=models.UniqueConstraint(condition=models.Q(('pile__isnull', False)), fields=('pile', 'kind', 'due_on', 'subject'), name='pile_alert_once'),
        ),
        migrations.AddConstraint(
            model_name='alert',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('accepted_by__isnull', True), ('accepted_reason', ''), ('accepted_until__isnull', True)), models.Q(('accepted_by__isnull', False), ('accepted_until__isnull', False), models.Q(('accepted_reason', ''), _negated=True)), _connector='OR'), name='alert_acceptance_is_named'),
        ),
        migrations.AddField(
            model_name='alertmail',
            name='alert',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='mails', to='surveys.alert'),
        ),
        migrations.AddField(
            model_name='alertmail',
            name='to',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='surfacefacts',
            name='measurement',
            field=models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='surface_facts', to='surveys.measurement'),
        ),
        migrations.AddConstraint(
            model_name='alertmail',
            constraint=models.UniqueConstraint(fields=('alert', 'to', 'raised_at'), name='alert_mailed_once_a_person'),
        ),
    ]
