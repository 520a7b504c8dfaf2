"""The Celery app. `celery -A config` finds it; tasks are in each room's `tasks.py`."""

from __future__ import annotations

import os
from typing import Any

from celery import Celery, Task
from celery.schedules import crontab

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")


class BellTask(Task):
    """A task whose message waits only a short time for the broker.

    A broker that blocks (its disk is full, say) accepts the connection and never confirms. Without a
    limit, the upload that rang the bell would hang with it.
    """

    abstract = True

    def apply_async(self, args: Any = None, kwargs: Any = None, **options: Any) -> Any:
        limit = self.app.conf.bell_timeout_seconds
        options.setdefault("timeout", limit)
        options.setdefault("confirm_timeout", limit)
        return super().apply_async(args, kwargs, **options)


app = Celery("heapledger", task_cls=BellTask)
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
# By the clock and not by an interval; here, so that whoever only reads the settings need not load Celery.
app.conf.beat_schedule["recompute"] = {
    "task": "surveys.tasks.recompute_sample",
    "schedule": crontab(hour=1, minute=30),
    "options": {"expires": 6 * 3600},
}
