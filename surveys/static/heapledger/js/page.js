// Small helps on every page. Everything here works without it, only with one more press.
"use strict";

document.documentElement.classList.add("scripted");

// A choice that is a whole form sends itself.
document.addEventListener("change", (event) => {
  const field = event.target;
  if (field.matches("[data-submits]")) field.form.requestSubmit();
});

// Files are sent by dropping them on the form that would take them from the file field.
document.addEventListener("dragover", (event) => {
  const area = event.target.closest?.(".drop");
  if (!area) return;
  event.preventDefault();
  area.classList.add("over");
});
document.addEventListener("dragleave", (event) => {
  const area = event.target.closest?.(".drop");
  if (area && !area.contains(event.relatedTarget)) area.classList.remove("over");
});
document.addEventListener("drop", (event) => {
  const area = event.target.closest?.(".drop");
  if (!area) return;
  event.preventDefault();
  area.classList.remove("over");
  const field = area.querySelector('input[type="file"]');
  field.files = event.dataTransfer.files;
  field.dispatchEvent(new Event("change", { bubbles: true }));
});
document.addEventListener("change", (event) => {
  const field = event.target;
  if (!field.matches('.drop input[type="file"]')) return;
  const list = field.closest(".drop").querySelector(".drop-files");
  list.replaceChildren(...Array.from(field.files, (file) => {
    const row = document.createElement("li");
    row.textContent = `${file.name}, ${Math.max(1, Math.round(file.size / 1024)).toLocaleString("en")} kB`;
    return row;
  }));
});

// What is wider than its place can be scrolled by keyboard; it is named by the section it stands in.
function reach() {
  for (const area of document.querySelectorAll(".scroll-x:not([role]), .drawing-frame, [data-reached]")) {
    const scrolls = area.scrollWidth > area.clientWidth;
    if (scrolls === "reached" in area.dataset) continue;
    const head = area.closest("section[aria-labelledby]")?.getAttribute("aria-labelledby");
    const given = { tabindex: "0", "data-reached": "", "aria-labelledby": head ?? "", role: area.matches("figure") ? "" : "group" };
    for (const [name, value] of Object.entries(given)) {
      if (scrolls && (value || name === "data-reached")) area.setAttribute(name, value);
      else area.removeAttribute(name);
    }
  }
}
document.addEventListener("DOMContentLoaded", reach);
document.addEventListener("htmx:afterSettle", reach);
document.addEventListener("toggle", reach, true);
window.addEventListener("resize", reach);

// A form that works for a while says so, and cannot be sent twice.
document.addEventListener("submit", (event) => {
  const button = event.submitter;
  if (!button || !button.dataset.busy) return;
  button.textContent = button.dataset.busy;
  setTimeout(() => { button.disabled = true; }, 0);
});
window.addEventListener("pageshow", (event) => {
  if (event.persisted) window.location.reload();
});
