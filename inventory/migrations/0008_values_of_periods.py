"""What stock was worth at the end of a period, and exports kept by lock, with their triggers.

Pools and values are made again while their period can still take a journal, and kept from the lock on.
The rule on validity closes a gap: an approved value could be opened again after it had been closed.
"""

import importlib

import django.db.models.deletion
from django.db import migrations, models

first = importlib.import_module("inventory.migrations.0002_write_once")

MONEY = {"decimal_places": 2, "max_digits": 16}


def rules(w):
    """(name, table, event, condition, message): the event is refused where the condition holds."""

    def locked(row):
        return (
            f"EXISTS (SELECT 1 FROM inventory_period AS p WHERE p.id = {row}.period_id AND p.state = 'locked')"
        )

    for name, table in (("pool", "inventory_periodpool"), ("worth", "inventory_periodvalue")):
        words = "the values of a locked period are kept"
        yield (f"{name}_before_lock", table, "INSERT", locked("NEW"), words)
        yield (f"{name}_kept_when_locked", table, "UPDATE", f"{locked('OLD')} OR {locked('NEW')}", words)
        yield (f"{name}_not_deleted_when_locked", table, "DELETE", locked("OLD"), words)
    kept = "inventory_keptexport"
    columns = ["id", "period_id", "step_id", "content_gz", "sha256", "kept_at"]
    yield ("kept_export_written_once", kept, "UPDATE", w.changed(columns), "a kept export is written once")
    yield ("kept_export_is_kept", kept, "DELETE", "1 = 1", "a kept export is never deleted")
    reopened = (
        "OLD.status <> 'proposed' AND OLD.valid_to IS NOT NULL "
        "AND (NEW.valid_to IS NULL OR NEW.valid_to > OLD.valid_to)"
    )
    ended_twice = f"OLD.status IN ('superseded', 'withdrawn') AND {w.changed(['valid_to'])}"
    yield (
        "unitvalue_validity_only_closes",
        "inventory_unitvalue",
        "UPDATE",
        f"({reopened}) OR ({ended_twice})",
        "the validity of an approved value can only be closed",
    )


def statements(vendor):
    w = first.Words(vendor)
    for name, table, event, condition, message in rules(w):
        if w.is_postgres:
            row = "OLD" if event == "DELETE" else "NEW"
            yield (
                f"CREATE OR REPLACE FUNCTION heapledger_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                f"IF {condition} THEN "
                f"RAISE EXCEPTION '{message}' USING ERRCODE = 'check_violation', CONSTRAINT = '{name}'; "
                f"END IF; RETURN {row}; END $$"
            )
            yield f"DROP TRIGGER IF EXISTS heapledger_{name} ON {table}"
            yield (
                f"CREATE TRIGGER heapledger_{name} BEFORE {event} ON {table} "
                f"FOR EACH ROW EXECUTE FUNCTION heapledger_{name}()"
            )
        else:
            yield f"DROP TRIGGER IF EXISTS heapledger_{name}"
            yield (
                f"CREATE TRIGGER heapledger_{name} BEFORE {event} ON {table} FOR EACH ROW "
                f"WHEN {condition} BEGIN SELECT RAISE(ABORT, '{message}'); END"
            )


def install(apps, schema_editor):
    for statement in statements(schema_editor.connection.vendor):
        schema_editor.execute(statement, params=None)


def remove(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    for name, *_ in rules(first.Words(vendor)):
        if vendor == "postgresql":
            schema_editor.execute(f"DROP FUNCTION heapledger_{name}() CASCADE", params=None)
        else:
            schema_editor.execute(f"DROP TRIGGER heapledger_{name}", params=None)


def id_field():
    return models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")


def kept_by(model, related_name):
    return models.ForeignKey(
        on_delete=django.db.models.deletion.PROTECT, related_name=related_name, to=f"inventory.{model}"
    )


class Migration(migrations.Migration):
    dependencies = [("inventory", "0006_reclassified_and_received")]

    operations = [
        migrations.CreateModel(
            name="KeptExport",
            fields=[
                ("id", id_field()),
                ("content_gz", models.BinaryField()),
                ("sha256", models.CharField(max_length=64)),
                ("kept_at", models.DateTimeField()),
                ("period", kept_by("period", "kept_exports")),
                (
                    "step",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="kept_export",
                        to="inventory.periodstep",
                    ),
                ),
            ],
            options={"ordering": ["period", "-pk"]},
        ),
        migrations.CreateModel(
            name="PeriodPool",
            fields=[
                ("id", id_field()),
                (
                    "cost_method",
                    models.CharField(
                        choices=[("weighted-average", "weighted average"), ("fifo", "first in, first out")],
                        max_length=20,
                    ),
                ),
                ("tonnes", models.DecimalField(decimal_places=3, max_digits=16)),
                ("amount", models.DecimalField(**MONEY)),
                ("rounding", models.DecimalField(default=0, **MONEY)),
                ("layers", models.JSONField(default=list)),
                ("material", kept_by("material", "+")),
                ("period", kept_by("period", "pools")),
            ],
            options={
                "ordering": ["period", "material__code"],
                "constraints": [
                    models.UniqueConstraint(fields=("period", "material"), name="pool_once_a_material")
                ],
            },
        ),
        migrations.CreateModel(
            name="PeriodValue",
            fields=[
                ("id", id_field()),
                ("tonnes", models.DecimalField(decimal_places=3, max_digits=16)),
                ("unit_cost", models.DecimalField(decimal_places=4, max_digits=14)),
                ("cost_amount", models.DecimalField(**MONEY)),
                ("nrv_unit", models.DecimalField(blank=True, decimal_places=4, max_digits=14, null=True)),
                ("allowance", models.DecimalField(default=0, **MONEY)),
                ("allowance_change", models.DecimalField(default=0, **MONEY)),
                ("period", kept_by("period", "values")),
                ("pile", kept_by("pile", "period_values")),
            ],
            options={
                "ordering": ["period", "pile__code"],
                "constraints": [
                    models.UniqueConstraint(fields=("period", "pile"), name="period_value_once_a_pile"),
                    models.CheckConstraint(
                        condition=models.Q(("allowance__gte", 0)), name="carrying_never_above_cost"
                    ),
                ],
            },
        ),
        migrations.RunPython(install, remove),
    ]
