"""The suite's settings: those of the service in test mode, on a data folder of its own.

Whatever `HEAPLEDGER_…` the shell carries is put aside, so that a run never touches real data.
`HEAPLEDGER_TEST_DATABASE_URL` runs the Django part on another database.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile

KEPT = ("HEAPLEDGER_TEST_DATABASE_URL", "HEAPLEDGER_TEST_BROKER_URL")

for name in [name for name in os.environ if name.startswith("HEAPLEDGER_") and name not in KEPT]:
    del os.environ[name]

folder = tempfile.mkdtemp(prefix="heapledger-test-")
atexit.register(shutil.rmtree, folder, ignore_errors=True)

os.environ["HEAPLEDGER_MODE"] = "test"
os.environ["HEAPLEDGER_DATA_DIR"] = folder
if os.environ.get("HEAPLEDGER_TEST_DATABASE_URL"):
    os.environ["HEAPLEDGER_DATABASE_URL"] = os.environ["HEAPLEDGER_TEST_DATABASE_URL"]

from config.settings import *  # noqa: E402, F403

# The slow hash is the point of a password store and of no test of ours.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]

# The browser tests' driver keeps an event loop in the test's thread, which Django would take for
# an asynchronous view; nothing here runs at the same time on one connection.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"

if DATABASES["default"]["ENGINE"].endswith("postgresql"):  # noqa: F405
    # Nothing of a test has to outlive a power cut; waiting for the disk would take half of the run.
    DATABASES["default"]["OPTIONS"]["options"] = "-c synchronous_commit=off"  # noqa: F405
