"""Database triggers: what was approved or counted can be read for ever and changed by nobody.

The same rules on both databases, in the words of each. SQLite drops a table's triggers whenever a
later migration rebuilds the table (most changes of a column do): such a migration must install them
again, and the tests that write by plain SQL fail when it does not.
"""

from django.db import migrations

DATED = [
    "valid_from", "reason", "proposed_by_id", "proposed_at", "approved_by_id", "approved_at",
    "withdrawn_by_id", "withdrawn_reason", "supersedes_id",
]
DENSITY = [
    "organization_id", "material_id", "site_id", "pile_id", "t_per_m3", "state", "moisture_basis",
    "moisture_percent", "moisture_percent_of", "grade", "standard_uncertainty_percent", "tests_n", "method",
]
BASE = [
    "pile_id", "version", "kind", "level_m", "evidence_sha256", "evidence_name", "evidence_read",
    "height_uncertainty_m",
]
COUNT = [
    "pile_id", "counted_on", "counted_at", "volume_m3", "below_base_m3", "volume_u95_m3", "tonnes",
    "tonnes_u95_t", "density_id", "base_id", "evidence_ref", "evidence_digest", "recorded_by_id",
    "recorded_at", "supersedes_id",
]
APPROVAL = ["density_id", "role", "by_id", "at"]


class Words:
    """The few places where the two databases say the same thing differently."""

    def __init__(self, vendor):
        self.is_postgres = vendor == "postgresql"

    def same(self, left, right):
        return f"{left} IS NOT DISTINCT FROM {right}" if self.is_postgres else f"{left} IS {right}"

    def changed(self, columns):
        """True where any of the columns differs between OLD and NEW, empty counting as a value."""
        return "(" + " OR ".join(f"NOT ({self.same(f'NEW.{c}', f'OLD.{c}')})" for c in columns) + ")"


def rules(w):
    """(name, table, event, condition, message): the event is refused where the condition holds."""

    def overlap(table, scope):
        scoped = " AND ".join(w.same(f"other.{c}", f"NEW.{c}") for c in scope)
        return (
            f"NEW.status = 'approved' AND EXISTS (SELECT 1 FROM {table} AS other "
            f"WHERE other.id <> NEW.id AND other.status = 'approved' AND {scoped} "
            "AND (other.valid_to IS NULL OR other.valid_to > NEW.valid_from) "
            "AND (NEW.valid_to IS NULL OR NEW.valid_to > other.valid_from))"
        )

    def dated(kind, table, columns):
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
            (f"{kind}_is_proposed_first", table, "INSERT", "NEW.status <> 'proposed'",
             f"a {kind} begins as a proposal"),
            (f"{kind}_keeps_its_values", table, "UPDATE",
             f"OLD.status <> 'proposed' AND {w.changed(columns + DATED)}",
             f"an approved {kind} keeps its values; propose a new one"),
            (f"{kind}_moves_forward", table, "UPDATE", moved, f"a {kind} cannot go back to an earlier state"),
            (f"{kind}_validity_only_closes", table, "UPDATE", f"({reopened}) OR ({ended_twice})",
             f"the validity of an approved {kind} can only be closed"),
            (f"{kind}_is_kept", table, "DELETE", "OLD.status <> 'proposed'", f"an approved {kind} is never deleted"),
        ]

    density, base = "inventory_densityrecord", "inventory_baseversion"
    count, approval = "inventory_stockcount", "inventory_densityapproval"
    two_signatures = (
        "NEW.status = 'approved' AND OLD.status = 'proposed' AND "
        f"(SELECT COUNT(*) FROM {approval} AS signed WHERE signed.density_id = NEW.id "
        "AND signed.by_id <> NEW.proposed_by_id) < 2"
    )
    left_once = "OLD.superseded_at IS NOT NULL AND " + w.changed(
        ["superseded_at", "withdrawn_by_id", "withdrawn_reason"]
    )
    return [
        *dated("density", density, DENSITY),
        ("density_no_overlap", density, "UPDATE",
         overlap(density, ["organization_id", "material_id", "site_id", "pile_id"]),
         "two densities of one scope are in force on the same day"),
        ("density_two_signatures", density, "UPDATE", two_signatures,
         "a density needs the approval of two people who did not propose it"),
        ("density_approval_unchanged", approval, "UPDATE", w.changed(["id", *APPROVAL]), "an approval is written once"),
        ("density_approval_kept", approval, "DELETE", "1 = 1", "an approval is never deleted"),
        *dated("base", base, BASE),
        ("base_no_overlap", base, "UPDATE", overlap(base, ["pile_id"]),
         "two bases of one pile are in force on the same day"),
        ("count_written_once", count, "UPDATE", w.changed(["id", *COUNT]), "a stock count is written once"),
        ("count_leaves_once", count, "UPDATE", left_once, "a stock count leaves force once"),
        ("count_is_kept", count, "DELETE", "1 = 1", "a stock count is never deleted"),
    ]


# Two transactions on PostgreSQL do not see each other's approvals: those that could collide wait in line.
WAIT_IN_LINE = {
    "density_no_overlap": "PERFORM pg_advisory_xact_lock(hashtextextended('density ' || NEW.material_id, 0));",
    "base_no_overlap": "PERFORM pg_advisory_xact_lock(hashtextextended('base ' || NEW.pile_id, 0));",
}


def statements(vendor):
    w = Words(vendor)
    for name, table, event, condition, message in rules(w):
        if w.is_postgres:
            row = "OLD" if event == "DELETE" else "NEW"
            yield (
                f"CREATE FUNCTION heapledger_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                f"{WAIT_IN_LINE.get(name, '')} IF {condition} THEN "
                f"RAISE EXCEPTION '{message}' USING ERRCODE = 'check_violation', CONSTRAINT = '{name}'; "
                f"END IF; RETURN {row}; END $$"
            )
            yield (
                f"CREATE TRIGGER heapledger_{name} BEFORE {event} ON {table} "
                f"FOR EACH ROW EXECUTE FUNCTION heapledger_{name}()"
            )
        else:
            yield (
                f"CREATE TRIGGER heapledger_{name} BEFORE {event} ON {table} FOR EACH ROW "
                f"WHEN {condition} BEGIN SELECT RAISE(ABORT, '{message}'); END"
            )


def install(apps, schema_editor):
    for statement in statements(schema_editor.connection.vendor):
        schema_editor.execute(statement, params=None)


def remove(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    for name, table, *_ in rules(Words(vendor)):
        if vendor == "postgresql":
            schema_editor.execute(f"DROP FUNCTION heapledger_{name}() CASCADE", params=None)
        else:
            schema_editor.execute(f"DROP TRIGGER heapledger_{name}", params=None)


class Migration(migrations.Migration):
    dependencies = [("inventory", "0001_initial")]
    operations = [migrations.RunPython(install, remove)]
