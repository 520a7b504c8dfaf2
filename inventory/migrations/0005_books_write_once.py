"""Database triggers of the book: movements, periods, adjustments, journals and the audit chain.

What was recorded is not rewritten, a period moves only along its states, and an approved or locked one
takes nothing in. The words of both databases come from `0002_write_once`, whose rules on stock counts
are laid again here because counts have more columns now.
"""

import importlib

from django.db import migrations

first = importlib.import_module("inventory.migrations.0002_write_once")

COUNT = [*first.COUNT, "certificate_no", "certificate_version", "started_at", "ended_at"]
AUDIT = [
    "organization_id", "seq", "at", "by_id", "roles", "verb", "subject", "detail", "before_sha256",
    "after_sha256", "previous_sha256", "sha256",
]
MOVEMENT = [
    "site_id", "pile_id", "kind", "tonnes", "moved_at", "book_on", "belongs_to_id", "source", "document",
    "scale_id", "gross_t", "tare_t", "given", "counterparty", "haulier", "unit_price", "note", "reverses_id",
    "from_import_id", "line", "recorded_by_id", "recorded_at",
]
PERIOD = ["site_id", "name", "starts_on", "ends_on", "cutoff_at"]
ADJUSTMENT = [
    "period_id", "pile_id", "tonnes", "nature", "reason_code", "reason", "count_id", "unit_cost", "amount",
    "proposed_by_id", "proposed_at", "reverses_id",
]
UNIT_VALUE = ["organization_id", "material_id", "site_id", "kind", "per_t", "source"]
ENTRY = [
    "period_id", "number", "posting_on", "case_code", "text", "subject", "prepared_by_id", "approved_by_id",
    "posted_at", "reverses_id",
]
NEXT_STATES = {
    "open": ["counting"],
    "counting": ["open", "reconciled"],
    "reconciled": ["counting", "approved"],
    "approved": ["reconciled", "locked"],
    "locked": ["restating"],
    "restating": ["locked"],
}


def rules(w):
    """(name, table, event, condition, message): the event is refused where the condition holds."""
    period, movement, adjustment = "inventory_period", "inventory_movement", "inventory_adjustment"
    line, entry, entry_line = "inventory_periodline", "inventory_journalentry", "inventory_journalline"
    value, count = "inventory_unitvalue", "inventory_stockcount"

    def shut(row):
        return (
            f"EXISTS (SELECT 1 FROM {period} AS p WHERE p.site_id = {row}.site_id AND p.starts_on <= {row}.book_on "
            f"AND p.ends_on > {row}.book_on AND p.state IN ('approved', 'locked'))"
        )

    def shut_period(row, states="'approved', 'locked'"):
        return f"EXISTS (SELECT 1 FROM {period} AS p WHERE p.id = {row}.period_id AND p.state IN ({states}))"

    def write_once(name, table, columns, word):
        return [
            (f"{name}_written_once", table, "UPDATE", w.changed(["id", *columns]), f"{word} is written once"),
            (f"{name}_is_kept", table, "DELETE", "1 = 1", f"{word} is never deleted"),
        ]

    moved_on = " OR ".join(
        f"(OLD.state = '{state}' AND NEW.state IN ({', '.join(repr(s) for s in nxt)}))"
        for state, nxt in NEXT_STATES.items()
    )
    overlap = (
        f"EXISTS (SELECT 1 FROM {period} AS other WHERE other.site_id = NEW.site_id AND other.id <> NEW.id "
        "AND other.starts_on < NEW.ends_on AND other.ends_on > NEW.starts_on)"
    )
    two_people = (
        "OLD.state = 'locked' AND NEW.state = 'restating' AND NOT EXISTS (SELECT 1 FROM inventory_restatement AS r "
        "WHERE r.period_id = NEW.id AND r.ended_at IS NULL AND r.agreed_by_id IS NOT NULL "
        "AND r.agreed_by_id <> r.asked_by_id)"
    )
    adjustment_moved = (
        "NEW.state <> OLD.state AND NOT (OLD.state = 'proposed' AND NEW.state IN ('approved', 'rejected'))"
        " AND NOT (OLD.state = 'approved' AND NEW.state IN ('posted', 'rejected'))"
        " AND NOT (OLD.state = 'posted' AND NEW.state = 'reversed')"
    )
    # SQLite sums decimals as doubles: half a cent leaves room for their last bits.
    unbalanced = (
        "OLD.posted_at IS NULL AND NEW.posted_at IS NOT NULL AND COALESCE((SELECT ABS(SUM(l.debit) - SUM(l.credit)) "
        f"FROM {entry_line} AS l WHERE l.entry_id = NEW.id), 1) > 0.005"
    )

    def posted_entry(row):
        return f"EXISTS (SELECT 1 FROM {entry} AS e WHERE e.id = {row}.entry_id AND e.posted_at IS NOT NULL)"

    value_moved = (
        "NEW.status <> OLD.status AND NOT (OLD.status = 'proposed' AND NEW.status IN ('approved', 'withdrawn'))"
        " AND NOT (OLD.status = 'approved' AND NEW.status = 'superseded')"
    )
    value_overlap = (
        f"NEW.status = 'approved' AND EXISTS (SELECT 1 FROM {value} AS other WHERE other.id <> NEW.id "
        "AND other.status = 'approved' AND "
        + " AND ".join(w.same(f"other.{c}", f"NEW.{c}") for c in ["organization_id", "material_id", "site_id", "kind"])
        + " AND (other.valid_to IS NULL OR other.valid_to > NEW.valid_from) "
        "AND (NEW.valid_to IS NULL OR NEW.valid_to > other.valid_from))"
    )
    return [
        ("count_written_once", count, "UPDATE", w.changed(["id", *COUNT]), "a stock count is written once"),
        *write_once("audit", "inventory_auditevent", AUDIT, "an audit event"),
        ("movement_written_once", movement, "UPDATE", w.changed(["id", *MOVEMENT]), "a movement is written once"),
        ("movement_reversed_once", movement, "UPDATE",
         f"OLD.reversed_at IS NOT NULL AND {w.changed(['reversed_at'])}", "a movement is reversed once"),
        ("movement_paired_once", movement, "UPDATE",
         f"OLD.other_leg_id IS NOT NULL AND {w.changed(['other_leg_id'])}", "the legs of a movement are paired once"),
        ("movement_is_kept", movement, "DELETE", "1 = 1", "a movement is reversed, never deleted"),
        ("movement_in_open_period", movement, "INSERT", shut("NEW"), "the period of this movement is closed"),
        *write_once("import", "inventory_movementimport",
                    ["site_id", "name", "sha256", "bytes", "data_gz", "mapping", "state", "lines_n", "posted_n",
                     "problems", "remarks", "by_id", "at"], "an import"),
        *write_once("belt", "inventory_beltreading", ["scale_id", "pile_id", "read_at", "totaliser_t",
                    "recorded_by_id", "recorded_at"], "a belt reading"),
        *write_once("policy", "inventory_policy", ["organization_id", "site_id", "valid_from", "thresholds", "reason",
                    "set_by_id", "set_at"], "a policy"),
        ("period_begins_open", period, "INSERT", "NEW.state <> 'open'", "a period begins open"),
        ("period_no_overlap", period, "INSERT", overlap, "two periods of one site overlap"),
        ("period_keeps_its_days", period, "UPDATE", w.changed(["id", *PERIOD]), "a period keeps its days"),
        ("period_moves_along", period, "UPDATE", f"NEW.state <> OLD.state AND NOT ({moved_on})",
         "a period cannot take that step"),
        ("period_opened_by_two", period, "UPDATE", two_people,
         "a locked period is opened again by two people of two roles"),
        ("period_keeps_its_sheet", period, "UPDATE",
         f"OLD.state IN ('approved', 'locked') AND NEW.state IN ('approved', 'locked') AND {w.changed(['sheet_sha256'])}",
         "the sheet of a closed period is kept"),
        ("period_is_kept", period, "DELETE", "1 = 1", "a period is never deleted"),
        *write_once("step", "inventory_periodstep", ["period_id", "from_state", "to_state", "by_id", "roles", "at",
                    "comment", "sheet_sha256"], "a step of a period"),
        ("line_in_open_period", line, "INSERT", shut_period("NEW"), "the period of this line is closed"),
        ("line_kept_when_closed", line, "UPDATE", shut_period("OLD"), "the lines of a closed period are kept"),
        ("line_not_deleted_when_closed", line, "DELETE", shut_period("OLD"), "the lines of a closed period are kept"),
        *write_once("explanation", "inventory_explanation", ["period_id", "pile_id", "cause_code", "text", "by_id",
                    "at"], "an explanation"),
        ("adjustment_in_open_period", adjustment, "INSERT", f"NEW.state <> 'proposed' OR {shut_period('NEW')}",
         "an adjustment begins as a proposal in an open period"),
        ("adjustment_keeps_values", adjustment, "UPDATE", w.changed(["id", *ADJUSTMENT]),
         "an adjustment keeps its values"),
        ("adjustment_moves_forward", adjustment, "UPDATE", adjustment_moved, "an adjustment cannot take that step"),
        ("adjustment_signed_once", adjustment, "UPDATE",
         f"OLD.approved_by_id IS NOT NULL AND {w.changed(['approved_by_id', 'approved_at'])}",
         "an adjustment is approved once"),
        ("adjustment_posted_once", adjustment, "UPDATE",
         f"OLD.movement_id IS NOT NULL AND {w.changed(['movement_id'])}", "an adjustment is posted once"),
        ("adjustment_is_kept", adjustment, "DELETE", "1 = 1", "an adjustment is never deleted"),
        ("restatement_agreed_once", "inventory_restatement", "UPDATE",
         w.changed(["id", "period_id", "reason", "asked_by_id", "asked_role", "asked_at"])
         + f" OR (OLD.agreed_by_id IS NOT NULL AND {w.changed(['agreed_by_id', 'agreed_role', 'agreed_at'])})"
         + f" OR (OLD.ended_at IS NOT NULL AND {w.changed(['ended_at', 'before', 'bridge'])})",
         "a restatement keeps who asked for it and what it found"),
        ("restatement_is_kept", "inventory_restatement", "DELETE", "1 = 1", "a restatement is never deleted"),
        ("unitvalue_is_proposed_first", value, "INSERT", "NEW.status <> 'proposed'", "a value begins as a proposal"),
        ("unitvalue_keeps_its_values", value, "UPDATE",
         f"OLD.status <> 'proposed' AND {w.changed(UNIT_VALUE + first.DATED)}",
         "an approved value keeps what it says; propose a new one"),
        ("unitvalue_moves_forward", value, "UPDATE", value_moved, "a value cannot go back to an earlier state"),
        ("unitvalue_no_overlap", value, "UPDATE", value_overlap, "two values of one scope are in force on the same day"),
        ("unitvalue_is_kept", value, "DELETE", "OLD.status <> 'proposed'", "an approved value is never deleted"),
        *write_once("account", "inventory_accountcode", ["organization_id", "site_id", "part", "account",
                    "cost_centre", "valid_from", "set_by_id", "set_at"], "an account code"),
        ("entry_in_open_period", entry, "INSERT", f"NEW.posted_at IS NOT NULL OR {shut_period('NEW', repr('locked'))}",
         "a journal entry begins unposted in a period that is not locked"),
        ("entry_posted_once", entry, "UPDATE", f"OLD.posted_at IS NOT NULL AND {w.changed(['id', *ENTRY])}",
         "a posted journal entry is kept"),
        ("entry_posted_balanced", entry, "UPDATE", unbalanced, "debits and credits of a journal entry differ"),
        ("entry_not_posted_when_locked", entry, "UPDATE", shut_period("OLD", repr("locked")),
         "the journal of a locked period is kept"),
        ("entry_is_kept", entry, "DELETE", f"OLD.posted_at IS NOT NULL OR {shut_period('OLD', repr('locked'))}",
         "a posted journal entry is never deleted"),
        ("entry_line_before_posting", entry_line, "INSERT", posted_entry("NEW"), "a posted journal entry is kept"),
        ("entry_line_kept", entry_line, "UPDATE", posted_entry("OLD"), "a posted journal entry is kept"),
        ("entry_line_not_deleted", entry_line, "DELETE", posted_entry("OLD"), "a posted journal entry is kept"),
        *write_once("export", "inventory_exportbatch", ["period_id", "form", "sha256", "bytes", "rows_n", "by_id",
                    "at"], "an export"),
    ]


# Two transactions on PostgreSQL do not see each other: what could collide waits in line.
WAIT_IN_LINE = {
    "unitvalue_no_overlap": "PERFORM pg_advisory_xact_lock(hashtextextended('value ' || NEW.material_id, 0));",
    "period_no_overlap": "PERFORM pg_advisory_xact_lock(hashtextextended('period ' || NEW.site_id, 0));",
    "movement_in_open_period": "PERFORM pg_advisory_xact_lock_shared(hashtextextended('books ' || NEW.site_id, 0));",
    "period_moves_along": "PERFORM pg_advisory_xact_lock(hashtextextended('books ' || NEW.site_id, 0));",
}


def statements(vendor):
    w = first.Words(vendor)
    for name, table, event, condition, message in rules(w):
        if w.is_postgres:
            row = "OLD" if event == "DELETE" else "NEW"
            yield (
                f"CREATE OR REPLACE FUNCTION heapledger_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                f"{WAIT_IN_LINE.get(name, '')} IF {condition} THEN "
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
        if name == "count_written_once":
            continue
        if vendor == "postgresql":
            schema_editor.execute(f"DROP FUNCTION heapledger_{name}() CASCADE", params=None)
        else:
            schema_editor.execute(f"DROP TRIGGER heapledger_{name}", params=None)
    # The counts' rule goes back to what it was before they had more columns.
    for statement in first.statements(vendor):
        if "heapledger_count_written_once" in statement:
            if vendor == "postgresql":
                statement = statement.replace("CREATE FUNCTION", "CREATE OR REPLACE FUNCTION")
                schema_editor.execute(
                    "DROP TRIGGER IF EXISTS heapledger_count_written_once ON inventory_stockcount", params=None
                )
            else:
                schema_editor.execute("DROP TRIGGER IF EXISTS heapledger_count_written_once", params=None)
            schema_editor.execute(statement, params=None)


class Migration(migrations.Migration):
    dependencies = [("inventory", "0004_books")]
    operations = [migrations.RunPython(install, remove)]
