"""Files to take away: the stock as tables, a measured surface in open forms."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_GET

from surveys import exports
from surveys.errors import EvidenceDamaged, EvidenceMissing
from surveys.pages.access import measurement_or_404, member_page
from surveys.pages.stock import stock_of


def attached(data: bytes, media_type: str, name: str) -> HttpResponse:
    response = HttpResponse(data, content_type=media_type)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@require_GET
@member_page
def export_stock(request: HttpRequest, form: str) -> HttpResponse:
    """Measured tonnes of the organization that is looked at; CSV takes `?by=` one of the tables."""
    request.standing.require("export_stock")
    by = request.GET.get("by", "pile")
    if form not in ("csv", "xlsx") or by not in exports.TABLES:
        raise Http404
    stock = stock_of(request)
    name = f"stock-{request.standing.organization.slug}-{timezone.now().date()}.{form}"
    if form == "xlsx":
        return attached(exports.stock_xlsx(stock), exports.XLSX, name)
    return attached(exports.stock_csv(stock, by), exports.CSV, name)


@require_GET
@member_page
def export_surface(request: HttpRequest, measurement_id: int, part: str) -> HttpResponse:
    measurement = measurement_or_404(request, measurement_id)
    request.standing.require("export_stock")
    if part not in exports.SURFACES:
        raise Http404
    media_type, make = exports.SURFACES[part]
    try:
        data = make(measurement)
    except (EvidenceMissing, EvidenceDamaged) as refusal:
        raise Http404(refusal.message) from refusal
    return attached(data, media_type, exports.surface_name(measurement, part))
