// Charts of the pile page. The chart library is large, so it is fetched when a chart comes into view.
"use strict";

const holder = document.getElementById("history");
let library;

function plotly() {
  library ??= new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.src = holder.dataset.plotly;
    script.onload = () => resolve(window.Plotly);
    script.onerror = () => reject(new Error("the chart library did not load"));
    document.head.append(script);
  });
  return library;
}

// The page's own ink, so that light, dark and print look alike in chart and table.
function ink() {
  const style = getComputedStyle(document.documentElement);
  const named = (name) => style.getPropertyValue(`--${name}`).trim();
  return { ink: named("ink"), quiet: named("quiet"), rule: named("rule"), sheet: named("sheet"),
           accent: named("accent"), heap: named("heap"), sans: getComputedStyle(document.body).fontFamily };
}

function axis(colours, title) {
  return { title: { text: title, font: { size: 13, color: colours.quiet } }, color: colours.quiet, gridcolor: colours.rule,
           zerolinecolor: colours.rule, linecolor: colours.ink, tickfont: { size: 12, color: colours.quiet }, separatethousands: true };
}

function whenSeen(element, act) {
  const watcher = new IntersectionObserver((entries) => {
    if (!entries.some((entry) => entry.isIntersecting)) return;
    watcher.disconnect();
    act();
  }, { rootMargin: "300px" });
  watcher.observe(element);
}

function said(element, words) {
  const note = document.createElement("p");
  note.className = "chart-wait";
  note.textContent = words;
  element.replaceChildren(note);
}

// --- history: measured points with ± bars; what was superseded is hollow, what is not approved open ---

const SHAPES = { approved: "circle", superseded: "circle-open", computed: "diamond-open", reviewed: "diamond-open" };
const WORDS = { approved: "approved", superseded: "superseded", computed: "not approved yet", reviewed: "not approved yet" };

function historyTraces(points, kind, unit, colours) {
  const groups = [["approved"], ["superseded"], ["computed", "reviewed"]];
  return groups.map((states) => {
    const chosen = points.filter((point) => states.includes(point.state) && point[kind] !== null);
    const old = states[0] !== "approved";
    return {
      type: "scatter", mode: old ? "markers" : "lines+markers", name: WORDS[states[0]],
      x: chosen.map((point) => point.on), y: chosen.map((point) => point[kind]),
      customdata: chosen.map((point) => [point.link, point.version, point[`${kind}_u95`]]),
      error_y: { type: "data", array: chosen.map((point) => point[`${kind}_u95`]), color: old ? colours.quiet : colours.ink, thickness: 1.2, width: 4 },
      line: { color: colours.accent, width: 1 },
      marker: { symbol: SHAPES[states[0]], size: 8, color: old ? colours.quiet : colours.accent, line: { width: 1.4 } },
      hovertemplate: `%{x|%-d %b %Y}, version %{customdata[1]}<br>%{y:,.0f} ± %{customdata[2]:,.0f} ${unit}<extra></extra>`,
    };
  }).filter((trace) => trace.x.length);
}

// Merges, splits, other bases: an upright line with the letter that the list below explains. Of one day, one line.
function eventMarks(data, colours) {
  const first = data.points.length ? data.points[0].on : "";
  const days = new Map();
  for (const event of data.events ?? []) if (event.on >= first) days.set(event.on, [...(days.get(event.on) ?? []), event.letter]);
  const marks = [...days];
  return {
    shapes: marks.map(([on]) => ({ type: "line", x0: on, x1: on, yref: "paper", y0: 0, y1: 1, line: { color: colours.quiet, width: 1, dash: "dot" } })),
    annotations: marks.map(([on, letters]) => ({ x: on, yref: "paper", y: 1, yanchor: "bottom", text: letters.join(" "), showarrow: false, font: { size: 12, color: colours.ink } })),
  };
}

async function drawHistory() {
  const data = JSON.parse(document.getElementById("history-data").textContent);
  const kind = data.points.some((point) => point.mass !== null) ? "mass" : "volume";
  const unit = data[`${kind}_unit`];
  const Plotly = await plotly();
  const paper = matchMedia("print");
  const draw = () => {
    const colours = ink();
    const layout = {
      height: 340, width: paper.matches ? 660 : undefined, margin: { l: 76, r: 16, t: 24, b: 44 }, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: colours.sans, color: colours.ink }, hovermode: "closest",
      legend: { orientation: "h", x: 0, y: -0.16, font: { size: 12, color: colours.quiet } }, showlegend: true,
      hoverlabel: { bgcolor: colours.sheet, bordercolor: colours.rule, font: { color: colours.ink } },
      xaxis: { ...axis(colours, ""), type: "date", tickformat: "%-d %b %Y", showgrid: false, nticks: 7 },
      yaxis: { ...axis(colours, `measured, ${unit}; bars: ± (k = 2)`), tickformat: ",d" },
      ...eventMarks(data, colours),
    };
    return Plotly.react(holder, historyTraces(data.points, kind, unit, colours), layout, { displayModeBar: false, responsive: true });
  };
  holder.replaceChildren();
  await draw();
  holder.on("plotly_click", (event) => { window.location.href = event.points[0].customdata[0]; });
  for (const look of [matchMedia("(prefers-color-scheme: dark)"), paper]) look.addEventListener("change", draw);
}

if (holder) whenSeen(holder, () => drawHistory().catch((fault) => said(holder, `No chart: ${fault.message}. The table below has the same figures.`)));

// --- the solid: top and base, to be turned -------------------------------------------------------

const HEIGHTS = ["#00224e", "#123570", "#3b496c", "#575d6d", "#707173", "#8a8678", "#a59c74", "#c3b369", "#e1cc55", "#fee838"];
const solid = document.getElementById("solid");

async function drawSolid() {
  said(solid, "Fetching the surfaces…");
  const [answer, Plotly] = await Promise.all([fetch(solid.dataset.surfaces, { headers: { Accept: "application/json" } }), plotly()]);
  if (!answer.ok) throw new Error("the surfaces are not in the store");
  const data = await answer.json();
  const box = document.createElement("div");
  box.className = "chart-3d";
  solid.replaceChildren(box);
  if (data.words) {
    const words = document.createElement("p");
    words.className = "quiet thinned";
    words.textContent = data.words;
    solid.append(words);
  }
  const colours = ink();
  const flat = (title) => ({ ...axis(colours, title), backgroundcolor: "rgba(0,0,0,0)", showspikes: false, nticks: 5 });
  const scale = HEIGHTS.map((colour, index) => [index / (HEIGHTS.length - 1), colour]);
  await Plotly.newPlot(box, [
    { type: "mesh3d", ...data.top, intensity: data.top.z, colorscale: scale, flatshading: true, name: "top",
      lighting: { ambient: 0.65, diffuse: 0.7, specular: 0.05, facenormalsepsilon: 0, vertexnormalsepsilon: 0 }, hovertemplate: `%{z:,.2f} ${data.unit}<extra>top</extra>`,
      colorbar: { title: { text: data.unit, font: { color: colours.quiet } }, tickfont: { color: colours.quiet }, thickness: 10, len: 0.6 } },
    { type: "mesh3d", ...data.base, color: colours.heap, opacity: 0.45, flatshading: true, name: "base", hoverinfo: "skip" },
  ], {
    margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: "rgba(0,0,0,0)", font: { family: colours.sans, color: colours.ink }, showlegend: false,
    scene: { aspectmode: "data", xaxis: flat("E"), yaxis: flat("N"), zaxis: flat(data.unit), camera: { eye: { x: 0.6, y: -1.15, z: 0.7 }, center: { x: 0, y: 0, z: -0.1 } } },
  }, { displayModeBar: false, responsive: true });
}

document.getElementById("show-solid")?.addEventListener("click", () => {
  drawSolid().catch((fault) => said(solid, `It cannot be shown: ${fault.message}. Plan and section show the same surfaces.`));
});
