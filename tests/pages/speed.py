"""`python -m tests.pages.speed`: how long each page takes with ten years of forty piles; p95 by page.

Aimed at: 150 ms on two cores. Times are those of the whole request in one process, without network;
where other work shares the machine, the processor's own time (`cpu`, median) tells more than the clock.
"""

from __future__ import annotations

import os
import statistics
import sys
import time

import django

AIM_MS = 150.0
ROUNDS = 25


def main() -> int:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()
    from django.conf import settings
    from django.core.cache import cache
    from django.core.management import call_command
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext

    from inventory.models import Membership, Role
    from surveys import tasks
    from tests.cast import found_cast
    from tests.pages.ten_years import years_behind
    from tests.pages.test_ten_years import pages, weight_of

    settings.ALLOWED_HOSTS = ["testserver"]
    call_command("migrate", verbosity=0)
    tasks.measure.delay = lambda *given: None
    company = found_cast().a
    for role in set(Role) - {Role.AUDITOR}:
        Membership.objects.get_or_create(user=company.manager, organization=company.organization, role=role)
    piles_n, months_n = (int(each) for each in sys.argv[1:3]) if len(sys.argv) > 2 else (40, 120)
    began = time.perf_counter()
    years = years_behind(company, piles_n, months_n)
    print(f"{piles_n} piles, {months_n} months, built in {time.perf_counter() - began:.0f} s", flush=True)
    browser = Client()
    browser.force_login(company.manager)
    slow = 0
    print(f"{'p95 ms':>7} {'median':>7} {'cpu':>5} {'queries':>7} {'kB':>6}  page")
    for _, address in list(pages(browser, years)):
        took, worked = [], []
        for _ in range(ROUNDS):
            began, busy = time.perf_counter(), time.process_time()
            answer = browser.get(address)
            took.append(1000 * (time.perf_counter() - began))
            worked.append(1000 * (time.process_time() - busy))
        cache.clear()
        with CaptureQueriesContext(connection) as asked:
            browser.get(address)
        p95 = statistics.quantiles(took, n=20)[-1]
        slow += p95 > AIM_MS
        print(
            f"{p95:7.0f} {statistics.median(took):7.0f} {statistics.median(worked):5.0f} {len(asked):7d} "
            f"{weight_of(answer) / 1000:6.0f}  {address}{'  SLOW' if p95 > AIM_MS else ''}",
            flush=True,
        )
    print(f"{slow} pages above {AIM_MS:.0f} ms")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
