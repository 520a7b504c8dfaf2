"""Scripts come from the packages that carry them: those we name, and no other file of theirs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders
from django.test import Client

from tests.config.running import PRODUCTION, manage

SCRIPTS = ("plotly/plotly.min.js", "django_htmx/htmx-2.min.js")


@pytest.mark.parametrize("name", SCRIPTS)
def test_scripts_are_found_and_served(client: Client, name: str) -> None:
    assert finders.find(name)
    answer = client.get(f"/static/{name}")
    assert answer.status_code == 200
    assert answer["Content-Type"].startswith("text/javascript")
    assert len(b"".join(answer.streaming_content)) > 10_000


@pytest.mark.django_db
@pytest.mark.parametrize(
    "name",
    ["plotly/widgetbundle.js", "plotly/datasets/gapminder.csv.gz", "plotly/../plotly.min.js", "plotly/"],
)
def test_nothing_else_of_a_package_is_served(client: Client, name: str) -> None:
    assert client.get(f"/static/{name}").status_code == 404
    assert not finders.find(name)


def test_production_gives_each_file_a_hashed_name(tmp_path: Path) -> None:
    static = tmp_path / "static"
    done = manage(tmp_path, "collectstatic", "--noinput", **PRODUCTION, HEAPLEDGER_STATIC_DIR=str(static))
    assert done.returncode == 0, done.stderr
    names = json.loads((static / "staticfiles.json").read_text())["paths"]
    for name in SCRIPTS:
        assert names[name] != name
        assert (static / names[name]).is_file()
        assert (static / f"{names[name]}.gz").is_file()
    assert [path.name for path in (static / "plotly").iterdir() if path.name.startswith("widget")] == []
