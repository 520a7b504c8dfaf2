"""Emptying a SQLite database between tests that commit.

Django empties PostgreSQL by TRUNCATE, which fires no row trigger. On SQLite it deletes row by row, and the
triggers that keep the book from being deleted refuse that, as they should. So the triggers are taken
off for the length of the flush and put back as they were.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.db.backends.sqlite3.base import DatabaseOperations


@pytest.fixture(autouse=True, scope="session")
def flush_past_triggers() -> Iterator[None]:
    original = DatabaseOperations.execute_sql_flush

    def flush(self: DatabaseOperations, sql_list: list[str]) -> None:
        with self.connection.cursor() as cursor:
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            triggers = cursor.fetchall()
            for name, _ in triggers:
                cursor.execute(f'DROP TRIGGER "{name}"')
            try:
                original(self, sql_list)
            finally:
                for _, statement in triggers:
                    cursor.execute(statement)

    DatabaseOperations.execute_sql_flush = flush
    yield
    DatabaseOperations.execute_sql_flush = original
