// The photo on the sales page: zoom and pan, measured circles over it, tools to draw a circle or set two points.
// The SVG's own units are pixels of the upright photo; pixel centers lie at whole numbers.
const NS = "http://www.w3.org/2000/svg";
const words = JSON.parse(element.querySelector("[data-words]").dataset.words);
const svg = element.querySelector("svg");
const say = element.querySelector(".say");
const state = { box: null, key: "", tool: "look", circle: null, points: [], show: true };
let data = null;

const make = (tag, attributes, parent) => {
  const node = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (parent) parent.appendChild(node);
  return node;
};
const unit = () => Math.max(state.box.w / Math.max(svg.clientWidth, 1), state.box.h / Math.max(svg.clientHeight, 1));  // photo pixels per screen pixel
const toPhoto = (event) => {
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return [point.x, point.y];
};
// While the whole photo is seen there is nothing to pan: a finger then scrolls the page.
const touch = () => { svg.style.touchAction = state.tool === "look" && state.box.w >= data.width ? "pan-y pinch-zoom" : "none"; };
const setBox = (box) => { state.box = box; svg.setAttribute("viewBox", `${box.x} ${box.y} ${box.w} ${box.h}`); touch(); draw(); };
const fit = () => setBox({ x: -0.5, y: -0.5, w: data.width, h: data.height });
const zoom = (factor, at) => {
  const b = state.box, w = Math.min(data.width * 1.2, Math.max(40, b.w / factor)), scale = w / b.w;
  const [x, y] = at || [b.x + b.w / 2, b.y + b.h / 2];
  setBox({ x: x - (x - b.x) * scale, y: y - (y - b.y) * scale, w, h: b.h * scale });
};
const path = (points, closed) => points.map(([x, y], i) => `${i ? "L" : "M"}${x} ${y}`).join("") + (closed ? "Z" : "");

function line(points, color, width, dash, closed, parent) {
  make("path", { d: path(points, closed), fill: "none", stroke: "#0e1218", "stroke-width": width * 2.2, "stroke-opacity": .75 }, parent);
  const own = { d: path(points, closed), fill: "none", stroke: color, "stroke-width": width };
  if (dash && dash.length) own["stroke-dasharray"] = dash.map((d) => d * width).join(" ");
  make("path", own, parent);
}
function label(x, y, texts, color, parent) {
  for (const [kind, words] of texts) {
    const size = Math.min(15, svg.clientWidth / (0.6 * words.length)) * unit();   // no longer than the photo is wide
    const text = make("text", { x, y, "font-size": size, fill: color, stroke: "#0e1218", "stroke-width": size / 4,
      "paint-order": "stroke", "text-anchor": "middle", class: kind, "font-family": "system-ui, sans-serif", "font-weight": 600 }, parent);
    text.textContent = words;
  }
}
function draw() {
  svg.replaceChildren();
  if (!data || !data.href) return;
  const title = make("title", {}, svg); title.textContent = data.alt;
  make("image", { href: data.href, x: -0.5, y: -0.5, width: data.width, height: data.height, preserveAspectRatio: "none" }, svg);
  const width = 2.2 * unit(), layer = make("g", { "pointer-events": "none" }, svg);
  if (state.show) {
    for (const shape of data.shapes) {
      if (shape.dot) { make("circle", { cx: shape.dot[0], cy: shape.dot[1], r: 5 * unit(), fill: "none", stroke: shape.color, "stroke-width": width }, layer); continue; }
      line(shape.points, shape.color, width, shape.dash, shape.closed, layer);
    }
    let row = 0;
    for (const shape of data.shapes.filter((s) => s.points)) {
      // A circle's words stand above it, the scale's below, both inside what is seen of the photo.
      const below = shape.name === "scale";
      const top = shape.points.reduce((a, b) => ((below ? b[1] > a[1] : b[1] < a[1]) ? b : a));
      const low = state.box.y + (22 + 20 * row++) * unit(), high = state.box.y + state.box.h - 8 * unit();
      const y = Math.min(Math.max(top[1] + (below ? 18 : -8) * unit(), low), high);
      const half = Math.min(4.9 * Math.max(shape.mm.length, shape.in.length) * unit(), state.box.w / 2);
      label(Math.min(Math.max(top[0], state.box.x + half), state.box.x + state.box.w - half), y, [["u-mm", shape.mm], ["u-in", shape.in]], shape.color, layer);
    }
  }
  for (const outline of data.candidate.outlines) {
    if (outline.points) line(outline.points, "#ff5bb0", width, [7, 5], true, layer);
    for (const [x, y] of outline.dots || []) make("circle", { cx: x, cy: y, r: 4 * unit(), fill: "#ff5bb0", stroke: "#0e1218" , "stroke-width": unit() }, layer);
  }
  if (state.circle) {
    const { x, y, r } = state.circle, ring = [...Array(72).keys()].map((i) => [x + r * Math.cos(i / 36 * Math.PI), y + r * Math.sin(i / 36 * Math.PI)]);
    line(ring, "#7dffb0", width * 1.2, null, true, layer);
    handle(x, y, "move"); handle(x + r, y, "size");
  }
  if (state.points.length === 2) line(state.points, "#7dffb0", width * 1.2, null, false, layer);
  state.points.forEach(([x, y], i) => handle(x, y, `point${i}`));
}
const handle = (x, y, kind) => make("circle", { cx: x, cy: y, r: 11 * unit(), fill: "#7dffb0", "fill-opacity": .45, stroke: "#0e1218", "stroke-width": 2 * unit(), "data-handle": kind, style: "cursor: grab" }, svg);

// --- pointer: drag the photo, the ends of a line, or a circle ------------------------------------------
let drag = null;
const fingers = new Map();
const spread = () => { const [a, b] = [...fingers.values()]; return { gap: Math.hypot(a[0] - b[0], a[1] - b[1]), at: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] }; };
svg.addEventListener("pointerdown", (event) => {
  if (!data || !data.href) return;
  fingers.set(event.pointerId, [event.clientX, event.clientY]);
  if (fingers.size === 2) { drag = { kind: "pinch", gap: spread().gap }; return; }
  svg.setPointerCapture(event.pointerId);
  const at = toPhoto(event), kind = event.target.dataset && event.target.dataset.handle;
  if (kind) drag = { kind };
  else if (state.tool === "circle") { state.circle = { x: at[0], y: at[1], r: 10 * unit() }; drag = { kind: "size" }; }
  else if (state.tool === "points") {
    if (state.points.length === 2) state.points = [];
    state.points.push(at); drag = { kind: `point${state.points.length - 1}` };
  } else drag = { kind: "pan", from: [event.clientX, event.clientY], box: { ...state.box } };
  draw(); tell();
});
svg.addEventListener("pointermove", (event) => {
  if (fingers.has(event.pointerId)) fingers.set(event.pointerId, [event.clientX, event.clientY]);
  if (!drag) return;
  if (drag.kind === "pinch") {
    if (fingers.size !== 2) return;
    const { gap, at } = spread();
    zoom(gap / Math.max(drag.gap, 1), toPhoto({ clientX: at[0], clientY: at[1] }));
    drag.gap = gap;
    return;
  }
  const [x, y] = toPhoto(event);
  if (drag.kind === "pan") {
    const u = unit();
    setBox({ ...drag.box, x: drag.box.x - (event.clientX - drag.from[0]) * u, y: drag.box.y - (event.clientY - drag.from[1]) * u });
    return;
  }
  if (drag.kind === "move") Object.assign(state.circle, { x, y });
  else if (drag.kind === "size") state.circle.r = Math.max(2, Math.hypot(x - state.circle.x, y - state.circle.y));
  else state.points[Number(drag.kind.slice(5))] = [x, y];
  draw(); tell();
});
for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, (event) => { fingers.delete(event.pointerId); drag = null; });
svg.addEventListener("wheel", (event) => {
  if (!event.ctrlKey && !event.metaKey && document.activeElement !== svg) return;   // the page can still be scrolled
  event.preventDefault(); zoom(event.deltaY < 0 ? 1.2 : 1 / 1.2, toPhoto(event));
}, { passive: false });

// --- keyboard: the same without a pointer --------------------------------------------------------------
svg.addEventListener("keydown", (event) => {
  if (!data || !data.href) return;
  const step = (event.shiftKey ? 20 : 2) * unit(), move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (event.key === "+" || event.key === "=") zoom(1.25);
  else if (event.key === "-") zoom(0.8);
  else if (event.key === "0") fit();
  else if (state.tool === "circle" && state.circle && (event.key === "[" || event.key === "]")) state.circle.r = Math.max(2, state.circle.r + (event.key === "]" ? step : -step));
  else if (move && state.tool === "circle" && state.circle) { state.circle.x += move[0] * step; state.circle.y += move[1] * step; }
  else if (move && state.tool === "points" && state.points.length) {
    const last = state.points[state.points.length - 1]; last[0] += move[0] * step; last[1] += move[1] * step;
  } else if (move) setBox({ ...state.box, x: state.box.x + move[0] * step * 10, y: state.box.y + move[1] * step * 10 });
  else if (event.key === "Enter" && state.tool === "points" && state.points.length < 2) state.points.push([state.box.x + state.box.w / 2, state.box.y + state.box.h / 2]);
  else if (event.key === "Escape") { state.circle = null; state.points = []; }
  else return;
  event.preventDefault(); draw(); tell();
});

// --- tools ---------------------------------------------------------------------------------------------
function tell() {
  element.querySelectorAll("[data-tool]").forEach((b) => b.setAttribute("aria-pressed", b.dataset.tool === state.tool));
  element.querySelectorAll("[data-for]").forEach((part) => { part.hidden = part.dataset.for !== state.tool; });
  touch();
  say.textContent = state.tool === "circle" ? words.circle : state.tool === "points" ? words.points : "";
  element.querySelector("[data-do=circle]").disabled = !state.circle;
  element.querySelector("[data-do=points]").disabled = state.points.length < 2;
}
// A circle to move: the one that was measured, else one in the middle of what is seen.
function startCircle() {
  const name = element.querySelector("select").value, found = data.shapes.find((s) => s.name === name && s.points);
  if (!found) return { x: state.box.x + state.box.w / 2, y: state.box.y + state.box.h / 2, r: Math.min(state.box.w, state.box.h) / 4 };
  const mean = (i) => found.points.reduce((sum, p) => sum + p[i], 0) / found.points.length, x = mean(0), y = mean(1);
  return { x, y, r: found.points.reduce((sum, p) => sum + Math.hypot(p[0] - x, p[1] - y), 0) / found.points.length };
}
element.querySelector("select").addEventListener("change", () => { if (state.tool === "circle") { state.circle = startCircle(); draw(); } });
element.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button || !data) return;
  if (button.dataset.tool) {
    state.tool = button.dataset.tool; state.points = []; state.circle = null;
    if (state.tool === "circle") state.circle = startCircle();
    draw(); tell();
  } else if (button.dataset.zoom) { if (button.dataset.zoom === "fit") fit(); else zoom(Number(button.dataset.zoom)); }
  else if (button.dataset.do === "show") { state.show = !state.show; button.setAttribute("aria-pressed", state.show); draw(); }
  else if (button.dataset.do === "circle" && state.circle) {
    trigger("circle", { name: element.querySelector("select").value, ...state.circle });
    state.tool = "look"; state.circle = null; draw(); tell();
  } else if (button.dataset.do === "points" && state.points.length === 2) {
    trigger("points", { points: state.points, length: element.querySelector("input").value });
  } else if (button.dataset.do === "reset") trigger("reset", {});
});

function take() {
  try { data = JSON.parse(props.value || "{}"); } catch { data = {}; }
  element.querySelector(".view").hidden = !data.href;
  if (!data.href) return;
  svg.style.aspectRatio = `${data.width} / ${data.height}`;
  if (state.key !== data.key) { Object.assign(state, { key: data.key, tool: "look", circle: null, points: [] }); fit(); }
  element.querySelector("[data-do=reset]").hidden = !(data.hinted.length || data.scalePoints);
  draw(); tell();
}
svg.setAttribute("aria-label", words.keys);
take();
watch("value", take);
new ResizeObserver(() => { if (data && data.href) draw(); }).observe(svg);
