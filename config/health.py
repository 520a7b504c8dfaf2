"""`/healthz`: does the whole of it answer, web server, database and worker?"""

from __future__ import annotations

import logging

from django.conf import settings
from django.db import DatabaseError, InterfaceError, connection
from django.http import HttpRequest, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

log = logging.getLogger(__name__)


def database_answers() -> str:
    """`ok`, or what is wrong in words fit for the public: no host, no user name."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
            cursor.fetchone()
    except (DatabaseError, InterfaceError):
        log.exception("The database does not answer")
        return "does not answer"
    return "ok"


def worker_answers() -> str:
    """`ok` when any worker has written its beat lately; a beat travels the whole way of a job."""
    from surveys.models import WorkerBeat

    try:
        seen_at = WorkerBeat.objects.order_by("-seen_at").values_list("seen_at", flat=True).first()
    except (DatabaseError, InterfaceError):
        return "unknown while the database does not answer"
    if seen_at is None:
        return "not seen yet"
    age = timezone.now() - seen_at
    if age > settings.WORKER_SILENT_AFTER:
        return f"silent for {int(age.total_seconds())} s"
    return "ok"


@never_cache
@require_safe
def healthz(request: HttpRequest) -> JsonResponse:
    parts = {"web": "ok", "database": database_answers(), "worker": worker_answers()}
    healthy = all(answer == "ok" for answer in parts.values())
    return JsonResponse({"healthy": healthy, **parts}, status=200 if healthy else 503)
