"""Files to take away, by the same functions as the pages."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request

from inventory import rights
from inventory.api.doors import Door, Nothing
from inventory.api.problems import MEDIA_TYPE, Problem
from inventory.api.stock import stock_of
from surveys import exports
from surveys.models import Measurement

PROBLEMS = {(code, MEDIA_TYPE): Problem for code in (401, 403, 404)}
TABLE_TYPES = ("text/csv", exports.XLSX)
SURFACE_TYPES = (exports.PLY, "text/csv", exports.GEOJSON)


class FileDoor(Door):
    """Answers with a file, whatever `Accept` says: the address names the form."""

    serializer_class = Nothing

    def perform_content_negotiation(self, request: Request, force: bool = False) -> Any:
        renderer = self.get_renderers()[0]
        return renderer, renderer.media_type

    def file(self, data: bytes, media_type: str, name: str) -> HttpResponse:
        response = HttpResponse(data, content_type=media_type)
        response["Content-Disposition"] = f'attachment; filename="{name}"'
        return response


class StockFile(FileDoor):
    """Measured tonnes by pile, material or site as CSV, or all of them as sheets of a workbook."""

    @extend_schema(
        parameters=[
            OpenApiParameter("organization", OpenApiTypes.STR),
            OpenApiParameter("by", OpenApiTypes.STR, enum=list(exports.TABLES), default="pile"),
            OpenApiParameter("form", OpenApiTypes.STR, OpenApiParameter.PATH, enum=["csv", "xlsx"]),
        ],
        responses={**{(200, kind): OpenApiTypes.BINARY for kind in TABLE_TYPES}, **PROBLEMS},
    )
    def get(self, request: Request, form: str) -> HttpResponse:
        if form not in ("csv", "xlsx"):
            raise Http404
        organization, stock = stock_of(self, request.query_params.get("organization"))
        rights.require(request.user, organization, "export_stock")
        name = f"stock-{organization.slug}-{timezone.now().date()}.{form}"
        if form == "xlsx":
            return self.file(exports.stock_xlsx(stock), exports.XLSX, name)
        by = request.query_params.get("by", "pile")
        return self.file(exports.stock_csv(stock, by), exports.CSV, name)


class SurfaceFile(FileDoor):
    """The measured top surface as PLY, its vertices as CSV, contours as GeoJSON; site frame, metres."""

    model, related = Measurement, ("survey__site__organization", "pile")
    lookup_url_kwarg = "measurement_id"

    @extend_schema(
        parameters=[
            OpenApiParameter("part", OpenApiTypes.STR, OpenApiParameter.PATH, enum=list(exports.SURFACES))
        ],
        responses={**{(200, kind): OpenApiTypes.BINARY for kind in SURFACE_TYPES}, **PROBLEMS},
    )
    def get(self, request: Request, measurement_id: int, part: str) -> HttpResponse:
        measurement = self.get_object()
        if part not in exports.SURFACES:
            raise Http404
        rights.require(request.user, measurement.survey.site.organization, "export_stock")
        media_type, make = exports.SURFACES[part]
        return self.file(make(measurement), media_type, exports.surface_name(measurement, part))
