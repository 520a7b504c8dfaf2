"""`python -m tests`: terrain, the suite on SQLite, its Django part on PostgreSQL, and what was missing.

Further arguments go to both runs of pytest.
"""

from __future__ import annotations

import os
import subprocess
import sys

from tests import services

ON_POSTGRES = ["tests/inventory", "tests/surveys", "tests/api", "tests/config/test_production.py"]
PARALLEL = ["-n", "auto", "--dist", "loadfile"]
NO_TESTS_RAN = 5


def pytest(*arguments: str, **environment: str) -> int:
    command = [sys.executable, "-m", "pytest", "-q", *PARALLEL, *arguments, *sys.argv[1:]]
    return subprocess.run(command, env={**os.environ, **environment}, check=False).returncode


def main() -> int:
    subprocess.run([sys.executable, "-m", "tests.terrain"], check=True)
    print("The whole suite, Django on SQLite", flush=True)
    failed = pytest() != 0
    if services.postgres_missing():
        print("PostgreSQL is missing: the second run, of the Django part on it, is left out", flush=True)
    else:
        print("The Django part again, on PostgreSQL", flush=True)
        status = pytest(*ON_POSTGRES, HEAPLEDGER_TEST_DATABASE_URL=services.database_url())
        failed |= status not in (0, NO_TESTS_RAN) or (status == NO_TESTS_RAN and len(sys.argv) == 1)
    failed |= services.main() != 0
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
