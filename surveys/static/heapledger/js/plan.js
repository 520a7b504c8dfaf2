// Two presses on the plan place the ends of a section. The fields beside it do the same from the keyboard.
"use strict";

const frame = document.querySelector(".plan-pick");
const form = document.getElementById("cut");

if (frame && form) {
  const plan = frame.querySelector("svg.plan");
  const place = Object.fromEntries(["xMin", "yMax", "scale", "left", "top"].map((name) => [name, Number(plan.dataset[name])]));
  const unit = Number(frame.dataset.unitM);
  const line = plan.querySelector("[data-cut]");
  const field = (name) => form.elements.namedItem(name);
  let first = null;

  const sheetOf = (event) => new DOMPoint(event.clientX, event.clientY).matrixTransform(plan.getScreenCTM().inverse());
  const eastOf = (x) => (place.xMin + (x - place.left) / place.scale) / unit;
  const northOf = (y) => (place.yMax - (y - place.top) / place.scale) / unit;
  const xOf = (east) => place.left + (east * unit - place.xMin) * place.scale;
  const yOf = (north) => place.top + (place.yMax - north * unit) * place.scale;
  const draw = (a, b) => line.setAttribute("d", `M${a.x} ${a.y}L${b.x} ${b.y}`);

  const drawFields = () => {
    const [e1, n1, e2, n2] = ["e1", "n1", "e2", "n2"].map((name) => Number(field(name).value.replaceAll(",", "")));
    if ([e1, n1, e2, n2].every(Number.isFinite)) draw({ x: xOf(e1), y: yOf(n1) }, { x: xOf(e2), y: yOf(n2) });
  };

  plan.addEventListener("click", (event) => {
    const here = sheetOf(event);
    const end = first === null ? ["e1", "n1"] : ["e2", "n2"];
    field(end[0]).value = eastOf(here.x).toFixed(2);
    field(end[1]).value = northOf(here.y).toFixed(2);
    if (first === null) {
      first = here;
      draw(here, here);
      return;
    }
    draw(first, here);
    first = null;
    form.requestSubmit();
  });
  plan.addEventListener("pointermove", (event) => { if (first !== null) draw(first, sheetOf(event)); });
  form.addEventListener("input", drawFields);
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || first === null) return;
    first = null;
    drawFields();
  });
  drawFields();
}
