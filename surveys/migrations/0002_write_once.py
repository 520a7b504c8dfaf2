"""Evidence is write-once, and the database itself holds to it.

A person with a database shell, or a slip in the code, must not be able to change what was received,
measured or approved. Later migrations that rebuild one of these tables on SQLite lose its triggers
there; `tests/surveys/test_write_once.py` fails then, and the migration has to run these again.
"""

from django.db import migrations

MESSAGE = "write-once: {table} keeps what was {what}"

FIXED_ONCE_COMPUTED = (
    "uuid",
    "survey_id",
    "pile_id",
    "surveyed_on",
    "version",
    "request",
    "record",
    "digest",
    "net_m3",
    "above_m3",
    "below_m3",
    "u95_m3",
    "tonnes",
    "u95_t",
    "density_id",
    "base_version_id",
    "geometry_path",
    "geometry_sha256",
    "prepared_by_id",
    "requested_at",
    "computed_at",
    "correction_reason",
    "attempt",
    "worker",
)
FIXED_ONCE_APPROVED = (
    "supersedes_id",
    "job_state",
    "stage",
    "progress",
    "lease_until",
    "bell_rung_at",
    "error",
    "submitted_at",
    "reviewed_by_id",
    "approved_by_id",
    "approved_at",
    "sent_back_reason",
)


def changed(columns, differs):
    return "(" + " OR ".join(f'NEW."{name}" {differs} OLD."{name}"' for name in columns) + ")"


def rules(differs):
    """(name, table, event, condition, what); `differs` is the database's comparison that knows NULL."""
    approved = "OLD.approved_at IS NOT NULL"
    other_step = (
        "NOT (NEW.state = OLD.state OR (OLD.state = 'approved' AND NEW.state IN ('superseded', 'withdrawn')))"
    )
    measured = "EXISTS (SELECT 1 FROM surveys_measurement m WHERE m.survey_id = OLD.id)"
    return [
        ("storedfile_update", "surveys_storedfile", "UPDATE", "1 = 1", "received"),
        ("storedfile_delete", "surveys_storedfile", "DELETE", "1 = 1", "received"),
        ("transition_update", "surveys_transition", "UPDATE", "1 = 1", "done"),
        ("transition_delete", "surveys_transition", "DELETE", "1 = 1", "done"),
        ("acceptance_update", "surveys_findingacceptance", "UPDATE", "1 = 1", "accepted"),
        ("acceptance_delete", "surveys_findingacceptance", "DELETE", "1 = 1", "accepted"),
        (
            "survey_measured",
            "surveys_survey",
            "UPDATE",
            f"{changed(('site_id', 'surveyed_on'), differs)} AND {measured}",
            "measured",
        ),
        (
            "measurement_computed",
            "surveys_measurement",
            "UPDATE",
            f"OLD.state <> 'draft' AND {changed(FIXED_ONCE_COMPUTED, differs)}",
            "computed",
        ),
        (
            "measurement_approved",
            "surveys_measurement",
            "UPDATE",
            f"{approved} AND ({changed(FIXED_ONCE_APPROVED, differs)} OR {other_step})",
            "approved",
        ),
        ("measurement_delete", "surveys_measurement", "DELETE", approved, "approved"),
    ]


def create_on_sqlite(schema_editor):
    for name, table, event, condition, what in rules("IS NOT"):
        message = MESSAGE.format(table=table, what=what)
        schema_editor.execute(
            f"CREATE TRIGGER write_once_{name} BEFORE {event} ON {table} FOR EACH ROW WHEN {condition} "
            f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
        )


def create_on_postgresql(schema_editor):
    # A subquery is not allowed in WHEN, so the condition stands inside the function.
    for name, table, event, condition, what in rules("IS DISTINCT FROM"):
        message = MESSAGE.format(table=table, what=what)
        schema_editor.execute(
            f"CREATE FUNCTION write_once_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            f"IF {condition} THEN RAISE EXCEPTION '{message}' USING ERRCODE = 'restrict_violation'; END IF; "
            f"RETURN {'OLD' if event == 'DELETE' else 'NEW'}; END $$"
        )
        schema_editor.execute(
            f"CREATE TRIGGER write_once_{name} BEFORE {event} ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION write_once_{name}()"
        )


def create(apps, schema_editor):
    {"sqlite": create_on_sqlite, "postgresql": create_on_postgresql}[schema_editor.connection.vendor](
        schema_editor
    )


def drop(apps, schema_editor):
    for name, table, *_ in rules("="):
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.execute(f"DROP TRIGGER IF EXISTS write_once_{name} ON {table}")
            schema_editor.execute(f"DROP FUNCTION IF EXISTS write_once_{name}()")
        else:
            schema_editor.execute(f"DROP TRIGGER IF EXISTS write_once_{name}")


class Migration(migrations.Migration):
    dependencies = [("surveys", "0001_initial")]
    operations = [migrations.RunPython(create, drop)]
