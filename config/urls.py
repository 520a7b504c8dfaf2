"""The URL table: the health page here, each room's own table beside its views."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

from config.health import healthz

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", healthz, name="healthz"),
    path("api/v1/", include("surveys.api.urls")),
    path("", include("surveys.pages.urls")),
]
