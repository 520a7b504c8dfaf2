"""The strict policy, in a real browser: Plotly draws under it, and what is planted does not run."""

from __future__ import annotations

from typing import Any

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.urls("tests.config.drawing_page")]

COLOURS_OF_THE_SOLID = """async () => {
  const image = new Image();
  image.src = await Plotly.toImage("solid", {format: "png", width: 600, height: 400});
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = 600; canvas.height = 400;
  const pen = canvas.getContext("2d");
  pen.drawImage(image, 0, 0);
  const seen = new Set();
  const data = pen.getImageData(150, 100, 250, 200).data;
  for (let i = 0; i < data.length; i += 4) seen.add(data[i] << 16 | data[i + 1] << 8 | data[i + 2]);
  return seen.size;
}"""


def drag(page: Any, selector: str) -> None:
    box = page.locator(selector).bounding_box()
    x, y = box["x"] + box["width"] / 4, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 40, y + 30, steps=4)
    page.mouse.up()


def test_plotly_draws_and_answers_the_pointer(live_server: Any, page: Any, complaints: list[str]) -> None:
    page.goto(f"{live_server.url}/drawings/")
    page.wait_for_function("document.title === 'drawn'")
    assert page.locator("#line path.js-line").count() == 1
    # A solid whose scene stayed black or white would have a handful of colours.
    assert page.evaluate(COLOURS_OF_THE_SOLID) > 50
    page.locator("#line .point").nth(1).hover(force=True)
    page.wait_for_selector("#line .hovertext")
    drag(page, "#line .draglayer .nsewdrag >> nth=0")
    drag(page, "#solid")
    # Rules that Plotly adds to its empty sheet arrive: without them its buttons lie over the drawing.
    assert page.evaluate("document.getElementById('plotly.js-style-global').sheet.cssRules.length") > 10
    assert complaints == []


def test_a_script_written_into_the_page_does_not_run(
    live_server: Any, page: Any, complaints: list[str]
) -> None:
    page.goto(f"{live_server.url}/inline/")
    page.wait_for_function("document.title === 'drawn'")
    assert page.evaluate("window.inlineRan === undefined")
    assert any("inline script" in complaint for complaint in complaints)


def test_a_style_written_into_the_page_does_not_count(live_server: Any, page: Any) -> None:
    page.goto(f"{live_server.url}/inline/")
    assert page.evaluate("getComputedStyle(document.getElementById('planted')).color") == "rgb(0, 0, 0)"


def test_text_is_never_run_as_a_program(live_server: Any, page: Any) -> None:
    page.goto(f"{live_server.url}/inline/")
    page.wait_for_function("document.title === 'drawn'")
    assert page.evaluate("window.evalRan") == "refused"
