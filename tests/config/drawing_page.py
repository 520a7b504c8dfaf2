"""A page of nothing but drawings, for the browser test of the content security policy."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.urls import path

from config.urls import urlpatterns as wiring

PAGE = """<!doctype html><html lang="en"><title>Drawings</title>
<link rel="icon" href="data:,">
<script src="/static/plotly/plotly.min.js"></script>
<div id="line"></div><div id="solid"></div>
<script src="/draw.js"></script>"""

PLANTED = """<p id="planted" style="color: rgb(255, 0, 0)">red?</p>
<script>window.inlineRan = true</script>"""

SCRIPT = """
const heights = [[0, 1, 0], [1, 3, 1], [0, 1, 0]];
Promise.all([
  Plotly.newPlot("line", [
    {type: "scatter", mode: "lines+markers", x: [1, 2, 3], y: [4, 9, 7], error_y: {array: [1, 1, 1]}},
    {type: "contour", z: heights, xaxis: "x2", yaxis: "y2"},
    {type: "heatmap", z: heights, xaxis: "x2", yaxis: "y2"},
  ], {grid: {rows: 1, columns: 2, pattern: "independent"}, width: 600, height: 300}),
  Plotly.newPlot("solid", [
    {type: "mesh3d", x: [0, 4, 4, 0, 2], y: [0, 0, 4, 4, 2], z: [0, 0, 0, 0, 3],
     i: [0, 1, 2, 3], j: [1, 2, 3, 0], k: [4, 4, 4, 4], intensity: [0, 0, 0, 0, 3]},
    {type: "scatter3d", mode: "lines+markers", x: [0, 4, 2], y: [0, 0, 2], z: [0, 0, 3]},
  ], {width: 600, height: 400}),
]).then(() => { document.title = "drawn"; });
try { window.evalRan = new Function("return 'ran'")(); } catch (refusal) { window.evalRan = "refused"; }
"""


def page(request: HttpRequest) -> HttpResponse:
    return HttpResponse(PAGE)


def inline(request: HttpRequest) -> HttpResponse:
    return HttpResponse(PAGE + PLANTED)


def script(request: HttpRequest) -> HttpResponse:
    return HttpResponse(SCRIPT, content_type="text/javascript")


urlpatterns = [*wiring, path("drawings/", page), path("inline/", inline), path("draw.js", script)]
