"""A year's evidence to take away."""

from __future__ import annotations

from typing import Any

from django.http import StreamingHttpResponse
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request

from inventory.models import Site
from surveys.api.exports import PROBLEMS, FileDoor
from surveys.evidence_pack import Scope, scope_of, take_pack

ZIP = "application/zip"


class EvidencePack(FileDoor):
    """Certificates, records, files as received, movements, sheets, journals and audit events of a year as one
    ZIP with an index and hashes, sent while it is made. For auditors and controllers."""

    @extend_schema(
        parameters=[
            OpenApiParameter("organization", OpenApiTypes.STR, description="Slug; else where you stand."),
            OpenApiParameter("site", OpenApiTypes.STR, description="Code of one site; else all of them."),
        ],
        responses={(200, ZIP): OpenApiTypes.BINARY, **PROBLEMS},
    )
    def get(self, request: Request, year: int) -> StreamingHttpResponse:
        organization = self.organization(request.query_params.get("organization"))
        code = request.query_params.get("site")
        sites = Site.objects.for_user(request.user).filter(organization=organization)
        site = get_object_or_404(sites, code=code) if code else None
        return sent(scope_of(organization, year, site), request.user)


def sent(scope: Scope, by: Any) -> StreamingHttpResponse:
    """The pack as an answer that flows while it is made; `NotAllowed` before the first byte."""
    response = StreamingHttpResponse(take_pack(scope, by), content_type=ZIP)
    response["Content-Disposition"] = f'attachment; filename="{scope.name}"'
    return response
