// @ts-check
/** The map of a job's board: two canvases, moved by CSS while a hand drags, drawn sharp when it rests. */
import Flatbush from "./vendor/flatbush.js";
import { corners, fit, mapped, meant, moved, toWorld, zoomed } from "./board-sums.js";

const map = /** @type {HTMLElement} */ (document.getElementById("map"));
const job = map.dataset.job;
const base = `/jobs/${job}/board`;
const under = /** @type {HTMLCanvasElement} */ (document.getElementById("map-board"));
const over = /** @type {HTMLCanvasElement} */ (document.getElementById("map-over"));
const line = /** @type {HTMLElement} */ (document.getElementById("map-line"));
const foundPlace = /** @type {HTMLElement} */ (document.getElementById("found"));
const tieForm = /** @type {HTMLFormElement|null} */ (document.getElementById("tie"));
const tiePin = /** @type {HTMLInputElement|null} */ (document.getElementById("tie-pin"));
const tiePoints = /** @type {HTMLTextAreaElement|null} */ (document.getElementById("points"));
const tieTold = document.getElementById("tie-told");
const ground = JSON.parse(map.dataset.ground || "null");
const WORDS = ["unknown", "measured fine", "suspected", "measured wrong"];
const LABELS_FROM = 14; // pixels of a pad, from which its pin is named
const REST = 80; // milliseconds without a move, after which the map is drawn sharp
const ratio = Math.min(devicePixelRatio || 1, 2);

/** @type {any} */ let drawing = null;
/** @type {any} */ let marks = { pads: "", parts: "", nets: "", red: -1, black: -1, look: "" };
/** @type {HTMLImageElement|null} */ let photo = null;
/** @type {number[]|null} */ let matrix = ground?.matrix ?? null;
let below = ground?.side === "bottom";
/** @type {import("./board-sums.js").View} */ let view = { scale: 1, x: 0, y: 0 };
let made = view;
let quads = new Float64Array(0);
/** @type {any} */ let index = null;
/** @type {any[]} */ let layers = [];
let box = /** @type {import("./board-sums.js").Box} */ ([0, 0, 100, 100]);
let chosen = -1;
/** @type {number[]} */ let lit = [];
let size = { wide: 1, high: 1 };
let mm = 1; // world units to a millimetre
let dirty = false;
let asked = 0;
let rest = 0;
/** @type {Record<string, string>} */ let paint = {};
const bare = () => Boolean(ground) && !matrix;

/** A place of the board in the world that is drawn. @param {number} x @param {number} y @returns {[number, number]} */
const placeOf = (x, y) => (ground ? mapped(matrix ?? [], x, y) : [below ? -x : x, -y]);
/** @param {number} n @returns {[number, number]} */
const middle = (n) => [(quads[8 * n] + quads[8 * n + 4]) / 2, (quads[8 * n + 1] + quads[8 * n + 5]) / 2];

function colours() {
  const style = getComputedStyle(document.documentElement);
  for (const name of ["fine", "wrong", "suspected", "unknown", "ink", "sheet", "hair", "line", "accent", "focus-in", "focus-out", "quiet"]) paint[name] = style.getPropertyValue(`--${name}`).trim();
}

/** Lay the board out in the world: millimetres with y down, or pixels of the photo. */
function layOut() {
  const pads = drawing.pads;
  const count = pads.x.length;
  quads = new Float64Array(bare() ? 0 : 8 * count);
  index = null;
  layers = [];
  const ends = [Infinity, Infinity, -Infinity, -Infinity];
  if (!bare() && count) {
    index = new Flatbush(count);
    for (let n = 0; n < count; n++) {
      const corner = corners(pads.x[n], pads.y[n], pads.w[n], pads.h[n], pads.turn[n]);
      let [l, t, r, b] = [Infinity, Infinity, -Infinity, -Infinity];
      for (let k = 0; k < 8; k += 2) {
        const [x, y] = placeOf(corner[k], corner[k + 1]);
        quads[8 * n + k] = x;
        quads[8 * n + k + 1] = y;
        l = Math.min(l, x); r = Math.max(r, x); t = Math.min(t, y); b = Math.max(b, y);
      }
      index.add(l, t, r, b);
      ends[0] = Math.min(ends[0], l); ends[1] = Math.min(ends[1], t); ends[2] = Math.max(ends[2], r); ends[3] = Math.max(ends[3], b);
    }
    index.finish();
    const [x0, y0] = middle(0);
    const [x1, y1] = placeOf(pads.x[0] + 1, pads.y[0]);
    mm = Math.hypot(x1 - x0, y1 - y0) || 1;
  }
  for (const [x, y] of ground ? [] : drawing.outline) {
    const [u, v] = placeOf(x, y);
    ends[0] = Math.min(ends[0], u); ends[1] = Math.min(ends[1], v); ends[2] = Math.max(ends[2], u); ends[3] = Math.max(ends[3], v);
  }
  if (photo) box = [0, 0, photo.naturalWidth, photo.naturalHeight];
  else if (ends[0] < Infinity) box = /** @type {any} */ (ends);
  paths();
}

/** @param {Path2D} path @param {number[]} points flat, board millimetres */
function trace(path, points) {
  for (let k = 0; k < points.length; k += 2) {
    const [x, y] = placeOf(points[k], points[k + 1]);
    if (k) path.lineTo(x, y);
    else path.moveTo(x, y);
  }
}

/** One path for each layer, made once and drawn in any view. */
function paths() {
  layers = [];
  if (bare()) return;
  if (!ground) {
    const edge = new Path2D();
    trace(edge, drawing.outline.flat());
    edge.closePath();
    layers.push({ path: edge, stroke: "line", width: 0.5 });
    const byWidth = new Map();
    drawing.tracks.points.forEach((/** @type {number[]} */ points, /** @type {number} */ n) => {
      const w = Math.max(drawing.tracks.w[n], 0.15);
      if (!byWidth.has(w)) byWidth.set(w, new Path2D());
      trace(byWidth.get(w), points);
    });
    for (const [w, path] of byWidth) layers.push({ path, stroke: "hair", width: w });
  }
  const bodies = new Path2D();
  drawing.parts.box.forEach((/** @type {number[]} */ b) => {
    if (b[2] <= b[0]) return;
    trace(bodies, [b[0] - 0.6, b[1] - 0.6, b[2] + 0.6, b[1] - 0.6, b[2] + 0.6, b[3] + 0.6, b[0] - 0.6, b[3] + 0.6]);
    bodies.closePath();
  });
  layers.push({ path: bodies, stroke: "line", width: 0.2, faint: true });
  const solid = [1, 2, 3].map(() => new Path2D());
  const hollow = new Path2D();
  const signs = { cross: new Path2D(), around: new Path2D() };
  const pads = drawing.pads;
  for (let n = 0; n < pads.x.length; n++) {
    if (!(pads.side[n] & (below ? 2 : 1)) && pads.side[n] !== 3) continue;
    const state = Number(marks.pads[n] ?? 0);
    shape(state ? solid[state - 1] : hollow, n);
    if (state === 3 || state === 2) {
      const [x, y] = middle(n);
      const r = Math.max(Math.hypot(quads[8 * n] - x, quads[8 * n + 1] - y) * 1.25, 1.1 * mm);
      if (state === 3) {
        signs.cross.moveTo(x - r, y - r); signs.cross.lineTo(x + r, y + r);
        signs.cross.moveTo(x + r, y - r); signs.cross.lineTo(x - r, y + r);
      } else {
        signs.around.moveTo(x, y - 1.5 * r); signs.around.lineTo(x + 1.35 * r, y + 0.95 * r); signs.around.lineTo(x - 1.35 * r, y + 0.95 * r);
        signs.around.closePath();
      }
    }
  }
  layers.push({ path: hollow, stroke: "unknown", width: 0.3 });
  layers.push({ path: solid[0], fill: "fine" }, { path: solid[1], fill: "suspected" }, { path: solid[2], fill: "wrong" });
  layers.push({ path: signs.around, stroke: "suspected", width: 0.45, least: 2 }, { path: signs.cross, stroke: "wrong", width: 0.5, least: 2 });
}

/** @param {Path2D} path @param {number} n */
function shape(path, n) {
  const q = 8 * n;
  if (drawing.pads.round[n]) {
    const [x, y] = middle(n);
    const ax = (quads[q + 2] - quads[q]) / 2, ay = (quads[q + 3] - quads[q + 1]) / 2;
    const bx = (quads[q + 6] - quads[q]) / 2, by = (quads[q + 7] - quads[q + 1]) / 2;
    const a = Math.hypot(ax, ay), b = Math.hypot(bx, by);
    path.moveTo(x + ax, y + ay);
    path.ellipse(x, y, a, b, Math.atan2(ay, ax), 0, 2 * Math.PI);
  } else {
    path.moveTo(quads[q], quads[q + 1]);
    for (let k = 2; k < 8; k += 2) path.lineTo(quads[q + k], quads[q + k + 1]);
    path.closePath();
  }
}

// -- drawing -------------------------------------------------------------------------------------------------

function ask() {
  if (!asked) asked = requestAnimationFrame(frame);
}

function redraw() {
  dirty = true;
  ask();
}

/** @param {import("./board-sums.js").View} next */
function look(next) {
  view = next;
  clearTimeout(rest);
  rest = setTimeout(redraw, REST);
  ask();
}

function frame() {
  asked = 0;
  const by = moved(made, view);
  if (dirty || by.scale > 2.2 || by.scale < 0.4 || Math.abs(by.x + (size.wide * (by.scale - 1)) / 2) > size.wide * 0.5 || Math.abs(by.y + (size.high * (by.scale - 1)) / 2) > size.high * 0.5) sharp();
  else {
    under.style.transform = `translate(${by.x}px,${by.y}px) scale(${by.scale})`;
  }
  above();
}

function sharp() {
  dirty = false;
  made = view;
  under.style.transform = "";
  const draw = /** @type {CanvasRenderingContext2D} */ (under.getContext("2d"));
  draw.setTransform(1, 0, 0, 1, 0, 0);
  draw.clearRect(0, 0, under.width, under.height);
  draw.setTransform(ratio * view.scale, 0, 0, ratio * view.scale, ratio * view.x, ratio * view.y);
  if (photo) draw.drawImage(photo, 0, 0);
  draw.lineJoin = "round";
  for (const layer of layers) {
    draw.globalAlpha = layer.faint && photo ? 0.5 : 1;
    if (layer.fill) {
      draw.fillStyle = paint[layer.fill];
      draw.fill(layer.path);
      if (!photo) continue;
      draw.strokeStyle = paint.sheet;
      draw.lineWidth = 1 / view.scale;
      draw.stroke(layer.path);
    } else {
      draw.strokeStyle = paint[layer.stroke];
      draw.lineWidth = Math.max(layer.width * mm, (layer.least ?? 1) / view.scale);
      draw.stroke(layer.path);
    }
  }
  draw.globalAlpha = 1;
  labels(draw);
}

/** Names, only of what is large enough and in the window. @param {CanvasRenderingContext2D} draw */
function labels(draw) {
  if (!index) return;
  draw.setTransform(ratio, 0, 0, ratio, 0, 0);
  draw.textAlign = "center";
  draw.textBaseline = "middle";
  /** @param {string} text @param {number} x @param {number} y @param {number} high */
  const write = (text, x, y, high) => {
    draw.font = `650 ${high}px "Bench Text", sans-serif`;
    draw.strokeStyle = paint.sheet;
    draw.lineWidth = 4;
    draw.strokeText(text, x, y);
    draw.fillStyle = paint.ink;
    draw.fillText(text, x, y);
  };
  drawing.parts.box.forEach((/** @type {number[]} */ b, /** @type {number} */ n) => {
    if (b[2] <= b[0]) return;
    const [x, y] = placeOf((b[0] + b[2]) / 2, (b[1] + b[3]) / 2);
    const [u, v] = [x * view.scale + view.x, y * view.scale + view.y];
    const wide = Math.max(b[2] - b[0], b[3] - b[1]) * mm * view.scale;
    if (wide > 34 && u > 0 && v > 0 && u < size.wide && v < size.high) {
      const high = Math.min(18, Math.max(12, wide / 5));
      const slim = Math.min(b[2] - b[0], b[3] - b[1]) < 6; // its pads fill it: the name stands above
      const [, top] = placeOf((b[0] + b[2]) / 2, b[3] + 0.6);
      write(drawing.parts.ref[n], u, slim ? top * view.scale + view.y - high * 0.7 : v, high);
    }
  });
  if (1.5 * mm * view.scale < LABELS_FROM) return;
  const [l, t] = toWorld(view, 0, 0);
  const [r, b] = toWorld(view, size.wide, size.high);
  for (const n of index.search(l, t, r, b).slice(0, 600)) {
    if (!drawing.pads.pin[n]) continue;
    const [x, y] = middle(n);
    write(drawing.pads.pin[n], x * view.scale + view.x, y * view.scale + view.y, Math.min(16, 0.7 * mm * view.scale));
  }
}

/** What lies above: what was chosen, its net, the probes, places found on a photo. */
function above() {
  const draw = /** @type {CanvasRenderingContext2D} */ (over.getContext("2d"));
  draw.setTransform(1, 0, 0, 1, 0, 0);
  draw.clearRect(0, 0, over.width, over.height);
  draw.setTransform(ratio, 0, 0, ratio, 0, 0);
  /** @param {number} n @returns {[number, number, number]} */
  const spot = (n) => {
    const [x, y] = middle(n);
    return [x * view.scale + view.x, y * view.scale + view.y, Math.max(7, Math.hypot(quads[8 * n] - x, quads[8 * n + 1] - y) * view.scale + 3)];
  };
  /** @param {number} x @param {number} y @param {number} r */
  const ring = (x, y, r) => {
    for (const [colour, width] of [["focus-out", 6], ["focus-in", 2.5]]) {
      draw.beginPath();
      draw.arc(x, y, r, 0, 7);
      draw.strokeStyle = paint[/** @type {string} */ (colour)];
      draw.lineWidth = /** @type {number} */ (width);
      draw.stroke();
    }
  };
  if (index) {
    draw.strokeStyle = paint.accent;
    draw.lineWidth = 3;
    for (const n of lit) {
      const [x, y, r] = spot(n);
      draw.beginPath();
      draw.rect(x - r, y - r, 2 * r, 2 * r);
      draw.stroke();
    }
    if (chosen >= 0) ring(...spot(chosen));
    if (marks.look) {
      const b = drawing.parts.box[drawing.parts.ref.indexOf(marks.look)];
      if (b) {
        const [x, y] = placeOf((b[0] + b[2]) / 2, (b[1] + b[3]) / 2);
        ring(x * view.scale + view.x, y * view.scale + view.y, Math.max(16, (Math.hypot(b[2] - b[0], b[3] - b[1]) / 2 + 2) * mm * view.scale));
      }
    }
    if (marks.black >= 0) probe(draw, spot(marks.black), false);
    if (marks.red >= 0) probe(draw, spot(marks.red), true);
  }
  if (ground && tiePoints && tying) {
    for (const [pin, px, py] of places()) {
      const x = px * view.scale + view.x, y = py * view.scale + view.y;
      ring(x, y, 9);
      draw.font = '650 14px "Bench Text", sans-serif';
      draw.strokeStyle = paint.sheet; draw.lineWidth = 4; draw.strokeText(pin, x + 13, y + 5);
      draw.fillStyle = paint.ink; draw.fillText(pin, x + 13, y + 5);
    }
  }
}

/** The same shapes as beside the check: the tip is on the pad. @param {CanvasRenderingContext2D} draw @param {[number, number, number]} at @param {boolean} red */
function probe(draw, [x, y], red) {
  draw.save();
  draw.translate(x - 20, y - 38);
  const body = new Path2D(red ? "M20 38 8 16a14 14 0 1 1 24 0Z" : "M20 38 6 18V2h28v16Z");
  draw.fillStyle = red ? "#c02b1d" : "#14181b";
  draw.fill(body);
  draw.strokeStyle = "#ffffff"; draw.lineWidth = 4; draw.stroke(body);
  draw.strokeStyle = "#12181c"; draw.lineWidth = 1.5; draw.stroke(body);
  draw.strokeStyle = "#ffffff"; draw.lineWidth = 3.5;
  draw.stroke(new Path2D(red ? "M20 5v12M14 11h12" : "M13 11h14"));
  draw.restore();
}

// -- choosing ------------------------------------------------------------------------------------------------

/** @param {number} n */
const nameOf = (n) => (drawing.pads.part[n] < 0 ? drawing.nets[drawing.pads.net[n]] ?? "" : `${drawing.parts.ref[drawing.pads.part[n]]}.${drawing.pads.pin[n]}`);

/** @param {number} n @param {boolean} [open] */
function choose(n, open = true) {
  chosen = n;
  const net = drawing.pads.net[n];
  lit = net < 0 ? [] : drawing.pads.net.flatMap((/** @type {number} */ one, /** @type {number} */ k) => (one === net ? [k] : []));
  const ref = drawing.parts.ref[drawing.pads.part[n]];
  line.textContent = `${ref ? `${ref} pin ${drawing.pads.pin[n]}` : "copper without a part"}, ${net < 0 ? "on no net" : `net ${drawing.nets[net]}`}, ${WORDS[Number(marks.pads[n] ?? 0)]}`;
  ask();
  if (open && nameOf(n)) tell(nameOf(n));
}

let telling = 0;
/** @param {string} name */
async function tell(name) {
  const mine = ++telling;
  try {
    const answer = await fetch(`${base}/told?at=${encodeURIComponent(name)}`, { headers: { "HX-Request": "true" } });
    if (mine !== telling || !answer.ok) return;
    foundPlace.innerHTML = await answer.text();
    const told = foundPlace.querySelector(".told");
    if (told) line.textContent = told.textContent;
  } catch {
    line.textContent += ". The bench does not answer.";
  }
}

/** Show a part, pin or net by its name. @param {string} name */
function show(name) {
  const wanted = name.trim().toUpperCase();
  const pads = drawing.pads;
  const part = drawing.parts.ref.findIndex((/** @type {string} */ ref) => ref.toUpperCase() === wanted);
  const net = drawing.nets.findIndex((/** @type {string} */ one) => one.toUpperCase() === wanted);
  const hits = [];
  for (let n = 0; n < pads.x.length; n++) if ((part >= 0 && pads.part[n] === part) || (part < 0 && net >= 0 && pads.net[n] === net) || nameOf(n).toUpperCase() === wanted) hits.push(n);
  tell(name);
  if (!hits.length || !index) return;
  chosen = hits.length === 1 || part < 0 ? hits[0] : -1;
  lit = hits;
  if (!pads.side[hits[0]] || pads.side[hits[0]] === 3 || ground) around(hits);
  else turn(pads.side[hits[0]] === 2, () => around(hits));
}

/** @param {number[]} pads */
function around(pads) {
  const spots = pads.map(middle);
  const margin = 18 * mm; // so that the eye finds it among its neighbours
  const xs = spots.map((s) => s[0]), ys = spots.map((s) => s[1]);
  look(limited(fit([Math.min(...xs) - margin, Math.min(...ys) - margin, Math.max(...xs) + margin, Math.max(...ys) + margin], size.wide, size.high)));
  redraw();
}

const scales = () => {
  const whole = fit(box, size.wide, size.high).scale;
  return [whole * 0.5, Math.max(whole * 2, 60 / mm)];
};
/** @param {import("./board-sums.js").View} v */
const limited = (v) => {
  const [least, most] = scales();
  return zoomed(v, Math.min(1, most / v.scale) * Math.max(1, least / v.scale), size.wide / 2, size.high / 2, least, most);
};
/** @param {number} by @param {number} [x] @param {number} [y] */
function nearer(by, x = size.wide / 2, y = size.high / 2) {
  const [least, most] = scales();
  look(zoomed(view, by, x, y, least, most));
}

function toProbes() {
  const wanted = [marks.red, marks.black].filter((n) => n >= 0);
  if (!index) return look(fit(box, size.wide, size.high));
  if (marks.look) {
    const part = drawing.parts.ref.indexOf(marks.look);
    wanted.push(...drawing.pads.part.flatMap((/** @type {number} */ one, /** @type {number} */ n) => (one === part ? [n] : [])));
  }
  if (wanted.length) {
    if (!ground && wanted.every((n) => drawing.pads.side[n] === 2)) turn(true, () => around(wanted));
    else around(wanted);
  } else whole();
}
function whole() {
  look(fit(box, size.wide, size.high));
  redraw();
}

/** @param {boolean} under @param {() => void} [then] */
function turn(under, then) {
  if (!ground && below !== under) {
    below = under;
    layOut();
    document.querySelector('[data-do="side"]')?.setAttribute("aria-pressed", String(below));
    if (!then) whole();
  }
  then?.();
}

// -- hands ---------------------------------------------------------------------------------------------------

/** @type {Map<number, {x: number, y: number}>} */ const fingers = new Map();
let gone = 0;
/** @param {PointerEvent|WheelEvent} event @returns {[number, number]} */
const at = (event) => {
  const place = map.getBoundingClientRect();
  return [event.clientX - place.left - map.clientLeft, event.clientY - place.top - map.clientTop];
};
map.addEventListener("pointerdown", (event) => {
  map.setPointerCapture(event.pointerId);
  const [x, y] = at(event);
  if (!fingers.size) gone = 0;
  fingers.set(event.pointerId, { x, y });
});
map.addEventListener("pointermove", (event) => {
  const before = fingers.get(event.pointerId);
  if (!before) return;
  const [x, y] = at(event);
  const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
  gone += Math.hypot(x - before.x, y - before.y);
  if (other) {
    const was = Math.hypot(before.x - other.x, before.y - other.y), is = Math.hypot(x - other.x, y - other.y);
    view = { ...view, x: view.x + (x - before.x) / 2, y: view.y + (y - before.y) / 2 };
    if (was > 0) nearer(is / was, (x + other.x) / 2, (y + other.y) / 2);
  } else if (gone > 6) look({ ...view, x: view.x + x - before.x, y: view.y + y - before.y });
  fingers.set(event.pointerId, { x, y });
});
map.addEventListener("pointerup", (event) => {
  const alone = fingers.size === 1;
  fingers.delete(event.pointerId);
  if (alone && gone <= 6) tapped(...at(event));
});
map.addEventListener("pointercancel", (event) => fingers.delete(event.pointerId));
map.addEventListener("wheel", (event) => {
  event.preventDefault();
  nearer(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0016)), ...at(event));
}, { passive: false });

/** @param {number} x @param {number} y */
function tapped(x, y) {
  if (!drawing) return;
  const [u, v] = toWorld(view, x, y);
  if (ground && tiePin && tiePoints && tiePin.value.trim()) return tied(tiePin.value.trim(), u, v);
  if (!index) {
    line.textContent = "Type a pin first, then tap where it is on the photo.";
    return;
  }
  const reach = 14 / view.scale;
  const side = below ? 2 : 1;
  const hits = index.search(u - reach, v - reach, u + reach, v + reach, (/** @type {number} */ n) => Boolean(drawing.pads.side[n] & side));
  const n = meant(hits, quads, u, v);
  if (n >= 0) choose(n);
}

map.addEventListener("keydown", (event) => {
  if (!drawing || event.ctrlKey || event.metaKey || event.altKey) return;
  const step = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
  if (step && ground && nudged(-step[0], -step[1])) return event.preventDefault();
  if (step) look({ ...view, x: view.x + 60 * step[0], y: view.y + 60 * step[1] });
  else if (event.key === "+" || event.key === "=") nearer(1.35);
  else if (event.key === "-") nearer(1 / 1.35);
  else if ((event.key === "n" || event.key === "p") && index) walk(event.key === "n" ? 1 : -1);
  else if (event.key === "Enter" && chosen >= 0) choose(chosen);
  else if (event.key === "Escape") last = "";
  else return;
  event.preventDefault();
});

/** Along the pins of the net. @param {number} by */
function walk(by) {
  let ring = chosen >= 0 && drawing.pads.net[chosen] >= 0 ? drawing.pads.net.flatMap((/** @type {number} */ net, /** @type {number} */ n) => (net === drawing.pads.net[chosen] && drawing.pads.pin[n] ? [n] : [])) : [];
  if (!ring.length) ring = [marks.red, marks.black].filter((n) => n >= 0);
  if (!ring.length) ring = [0];
  const next = ring[(ring.indexOf(chosen) + by + ring.length) % ring.length];
  choose(next, false);
  const [x, y] = middle(next);
  const u = x * view.scale + view.x, v = y * view.scale + view.y;
  if (u < 20 || v < 20 || u > size.wide - 20 || v > size.high - 20) look({ ...view, x: size.wide / 2 - x * view.scale, y: size.high / 2 - y * view.scale });
}

document.addEventListener("click", (event) => {
  const where = /** @type {HTMLElement} */ (event.target);
  const link = where.closest?.("a[data-at]");
  if (link instanceof HTMLElement && drawing && !/** @type {MouseEvent} */ (event).ctrlKey) {
    event.preventDefault();
    show(link.dataset.at ?? "");
    return;
  }
  const what = where.closest?.(".map-tools button")?.getAttribute("data-do");
  if (what && drawing) ({ in: () => nearer(1.5), out: () => nearer(1 / 1.5), whole, probes: toProbes, side: () => turn(!below) })[what]?.();
});
document.getElementById("find")?.addEventListener("submit", (event) => {
  const typed = /** @type {HTMLInputElement} */ (document.getElementById("at")).value;
  if (!drawing || !typed.trim()) return;
  event.preventDefault();
  show(typed);
});

// -- tying a photo -------------------------------------------------------------------------------------------

let last = "";
let tying = !matrix;
/** @returns {[string, number, number][]} */
const places = () => (tiePoints?.value ?? "").split("\n").map((one) => one.trim().split(/\s+/)).filter((one) => one.length === 3).map(([pin, x, y]) => [pin, Number(x), Number(y)]);
/** @param {[string, number, number][]} list */
function keep(list) {
  if (!tiePoints) return;
  tiePoints.value = list.map(([pin, x, y]) => `${pin} ${x.toFixed(1)} ${y.toFixed(1)}`).join("\n") + "\n";
  tiePoints.dispatchEvent(new Event("input", { bubbles: true }));
}
/** @param {string} pin @param {number} x @param {number} y */
function tied(pin, x, y) {
  if (photo && (x < 0 || y < 0 || x > photo.naturalWidth || y > photo.naturalHeight)) return;
  last = pin;
  keep([...places().filter((one) => one[0].toUpperCase() !== pin.toUpperCase()), [pin, x, y]]);
  if (tiePin) tiePin.value = "";
  line.textContent = `${pin} is found. Arrow keys move it by one pixel; type the next pin.`;
}
/** @param {number} dx @param {number} dy */
function nudged(dx, dy) {
  const list = places();
  const one = list.find(([pin]) => pin === last);
  if (!one) return false;
  one[1] += dx;
  one[2] += dy;
  keep(list);
  return true;
}
let trying = 0;
tiePoints?.addEventListener("input", () => {
  tying = true;
  ask();
  clearTimeout(trying);
  trying = setTimeout(async () => {
    if (!tieForm || !tieTold) return;
    const said = places();
    if (said.length < 3) {
      tieTold.textContent = `${said.length} of 3 pins are found.`;
      return;
    }
    try {
      const answer = await fetch(`${base}/tie/try`, { method: "POST", body: new URLSearchParams({ points: tiePoints.value }) });
      const found = await answer.json();
      tieTold.textContent = found.told;
      matrix = found.matrix;
      layOut();
      redraw();
    } catch {
      tieTold.textContent = "The bench does not answer; the places are kept here.";
    }
  }, 250);
});
tieForm?.addEventListener("change", () => {
  below = /** @type {HTMLInputElement|null} */ (tieForm.querySelector('[name="side"]:checked'))?.value === "bottom";
  if (drawing) layOut();
  redraw();
});

// -- the beginning, and what changes -------------------------------------------------------------------------

function measure() {
  size = { wide: map.clientWidth, high: map.clientHeight };
  for (const canvas of [under, over]) {
    canvas.width = Math.round(size.wide * ratio);
    canvas.height = Math.round(size.high * ratio);
  }
}

async function freshen(move = true) {
  const answer = await fetch(`${base}/marks.json`);
  if (!answer.ok) return;
  const before = `${marks.red}/${marks.black}/${marks.look}`;
  marks = await answer.json();
  paths();
  // Who looks for pins on a photo is not to be moved away from them.
  if (move && !(ground && tying) && before !== `${marks.red}/${marks.black}/${marks.look}`) toProbes();
  redraw();
}

async function begin() {
  colours();
  measure();
  const answer = await fetch(`${base}/drawing.json`);
  if (!answer.ok) throw new Error(String(answer.status));
  const [found] = await Promise.all([answer.json(), picture()]);
  drawing = found;
  layOut();
  whole();
  await freshen(!map.dataset.at && !map.hasAttribute("data-tying"));
  if (map.dataset.at) show(map.dataset.at);
  map.dataset.ready = "";
}

async function picture() {
  if (!ground) return;
  photo = new Image();
  photo.src = ground.src;
  await photo.decode();
}

for (const word of [`job-${job}-judged`, `job-${job}-changed`, "back-again"]) document.body.addEventListener(word, () => drawing && freshen().catch(() => {}));
new ResizeObserver(() => {
  if (!drawing) return;
  const was = size;
  measure();
  look({ ...view, x: view.x + (size.wide - was.wide) / 2, y: view.y + (size.high - was.high) / 2 });
  redraw();
}).observe(map);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  colours();
  redraw();
});
document.fonts?.ready.then(() => drawing && redraw());
begin().catch(() => {
  line.textContent = "The map could not be read from the bench. Load the page again.";
});
/** For tests: where a pad is on the screen. */
Object.assign(map, { spotOf: (/** @type {string} */ name) => {
  for (let n = 0; n < drawing.pads.x.length; n++) if (nameOf(n) === name) { const [x, y] = middle(n); return [x * view.scale + view.x, y * view.scale + view.y, x, y]; }
  return null;
}, viewOf: () => view });
