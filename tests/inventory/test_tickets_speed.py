"""A hundred thousand tickets in one transaction: fast enough, and killed half way it never was."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from django.db import connection

from inventory.models import Movement, MovementImport
from inventory.tickets.posting import post_tickets
from tests.inventory.yardbook import YardBook

HEAD = "Ticket,Date,Time,Pile,Gross,Tare,Net,Customer,Truck"
LINES_A_SECOND = 20_000
PATIENCE = 6
"""How many times slower a machine that is busy with other tests may be."""


def many(n: int) -> bytes:
    rows = (
        f"{100000 + i},2025-{1 + i % 9:02d}-{1 + i % 28:02d},{7 + i % 11:02d}:{i % 60:02d},DRV-05,"
        f"{44 + i % 3}.92,16.82,{28 + i % 3}.10,Customer A{i % 40:02d},H{i % 9}"
        for i in range(n)
    )
    return "\n".join([HEAD, *rows]).encode()


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_a_hundred_thousand_tickets(cast):
    book = YardBook(cast.a)
    data = many(100_000)
    started = time.perf_counter()
    made = post_tickets(book.site, "year.csv", data, by=book.company.accountant)
    took = time.perf_counter() - started
    print(f"100,000 tickets on {connection.vendor}: {took:.1f} s")
    assert (made.state, made.posted_n, made.movements.count()) == ("posted", 100_000, 100_000)
    whole = sum((28 + i % 3) * 1000 + 100 for i in range(100_000))
    assert book.balance() * 1000 == -whole
    assert took < PATIENCE * 100_000 / LINES_A_SECOND


CHILD = """
import sys, django
django.setup()
from inventory.models import Site, User
from inventory.tickets import writing
from inventory.tickets.posting import post_tickets

real = writing._plain_rows

def slowly(made, source, rows):
    for n, row in enumerate(real(made, source, rows)):
        if n == 3000:
            print("half", flush=True)
            sys.stdin.readline()
        yield row

if sys.argv[2] == "slowly":
    writing._plain_rows = slowly
data = open(sys.argv[1], "rb").read()
made = post_tickets(Site.objects.get(), "t.csv", data, by=User.objects.get(username="accountant"))
print(made.state, made.posted_n)
"""


class Child:
    """An import in a process of its own, on a database that outlives it: a copy of the test's own on SQLite
    (which lives in memory), the test's own on PostgreSQL."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.copy = folder, folder / "book.sqlite3"
        url = f"sqlite:///{self.copy}"
        if connection.vendor == "sqlite":
            with connection.cursor() as cursor:
                cursor.execute("VACUUM INTO %s", [str(self.copy)])
        else:
            given = connection.settings_dict
            place = f"{given['HOST']}:{given['PORT'] or 5432}/{given['NAME']}"
            url = f"postgresql://{given['USER']}:{given['PASSWORD']}@{place}"
        self.env = {
            **os.environ,
            "HEAPLEDGER_DATABASE_URL": url,
            "HEAPLEDGER_DATA_DIR": str(folder),
            "HEAPLEDGER_MODE": "test",
            "DJANGO_SETTINGS_MODULE": "config.settings",
        }

    def start(self, how: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-c", CHILD, str(self.folder / "t.csv"), how],
            env=self.env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def run(self) -> str:
        said, _ = self.start("straight").communicate(timeout=120)
        return said.strip()

    def counts(self) -> tuple[int, int]:
        """(movements, imports) in its database."""
        if connection.vendor != "sqlite":
            return Movement.objects.count(), MovementImport.objects.count()
        with contextlib.closing(sqlite3.connect(self.copy)) as seen:
            return tuple(
                seen.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]
                for table in ("inventory_movement", "inventory_movementimport")
            )


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_killed_half_way_it_loses_and_doubles_nothing(cast, tmp_path):
    YardBook(cast.a)
    (tmp_path / "t.csv").write_bytes(many(6000))
    child = Child(tmp_path)
    with child.start("slowly") as running:
        assert running.stdout.readline().strip() == "half"
        running.kill()
    assert child.counts() == (0, 0)
    assert child.run() == "posted 6000"
    assert child.run() == "posted 6000"
    assert child.counts() == (6000, 1)
