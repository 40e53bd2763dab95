// @ts-check
/** The page of the live meter: opens the sound input, shows one figure as large as it goes, holds figures. */

import { LineIn, NoSound, fillInputs, keepInput } from "/static/line-in.js";
import { Trend, graded, leads, placeOn, told } from "/static/meter-words.js";

/** @typedef {import("./meter-sums.js").Figures} Figures */

const SAY_EVERY = 5000;
const FIGURE_EVERY = 250;
const CALM_EVERY = 500;
const WITHIN_BEST = 0.5;
const HIGHS_REACH = 12;
/** dB below which there is no treble to turn a screw by, against the lows and against full scale. */
const LEAST_HIGHS = { low: -45, full: -70 };
const STEADY_FOR = 800;
const SILENT = -70;
const SETTLING = 1;

const page = /** @type {HTMLElement} */ (document.getElementById("meter"));
const facts = JSON.parse(page.dataset.facts ?? "{}");
/** @type {(id: string) => any} */
const at = (id) => document.getElementById(id);
const calm = matchMedia("(prefers-reduced-motion: reduce)");

/**
 * @typedef {object} View
 * @property {string} name
 * @property {string} unit
 * @property {string} spoken unit as it is read out
 * @property {number} places
 * @property {boolean} signed
 * @property {Trend} trend
 * @property {(figures: Figures) => number} value
 * @property {() => [number, number]} scale
 * @property {() => [number, number]} good
 * @property {() => [number, number]|null} fair
 * @property {(value: number, figures: Figures) => [string, string]} verdict grade and word
 * @property {(figures: Figures) => string} detail
 */

let reference = NaN;
let anchor = NaN;

/** @param {Figures["treble"]} treble @returns {treble is NonNullable<Figures["treble"]>} */
const hasHighs = (treble) => treble !== null && treble.decibels > LEAST_HIGHS[treble.against === "low" ? "low" : "full"];

/** @param {Figures} figures */
function whyNoAzimuth(figures) {
  if (figures.channels === 1) return "The input gives one channel; the delay needs two. Watch the highs instead.";
  if (figures.same) return "Both channels hold the very same sound: a mono lead says nothing about azimuth. Watch the highs instead.";
  const weak = Math.min(figures.left.rms, figures.right?.rms ?? -Infinity);
  if (weak < SILENT) return `The ${figures.left.rms < (figures.right?.rms ?? 0) ? "left" : "right"} channel is silent: check the lead.`;
  return "The channels have nothing in common: play a tape recorded across both tracks.";
}

/** @type {Record<string, View>} */
const views = {
  level: {
    name: "Level", unit: "dBFS", spoken: "decibels of full scale", places: 1, signed: true, trend: new Trend("high", 0.3),
    value: ({ level }) => level.rms,
    scale: () => [-60, 0],
    good: () => [facts.limits.level.good, facts.loudest],
    fair: () => [facts.limits.level.bad, facts.loudest],
    verdict: (value, { level }) =>
      level.over ? ["off", "overload: turn it down"] : level.cut ? ["off", "cut off: turn it down"] : value > facts.loudest ? ["off", "too loud"] : value >= facts.limits.level.good ? ["good", "loud enough"] : value >= facts.limits.level.bad ? ["near", "quiet"] : ["off", "too quiet"],
    detail: ({ level, balance, right }) =>
      `${level.cut && !level.over ? "The wave is flat on top: something before this input is overdriven. " : ""}Peak ${told(level.peak, 1)} dB, held ${told(level.held, 1)} dB${right && Number.isFinite(balance) ? `. Left against right ${told(balance, 1, true)} dB` : ""}`,
  },
  highs: {
    name: "Highs", unit: "dB", spoken: "decibels", places: 1, signed: true, trend: new Trend("high", 0.2),
    value: ({ treble }) => (hasHighs(treble) ? treble.decibels - (Number.isNaN(reference) ? 0 : reference) : NaN),
    scale: () => [anchor - HIGHS_REACH, anchor + HIGHS_REACH],
    good: () => [views.highs.trend.best - WITHIN_BEST, anchor + HIGHS_REACH],
    fair: () => null,
    verdict: () => ["", ""],
    detail: ({ treble }) => {
      if (!treble) return "Nothing is heard.";
      if (!hasHighs(treble)) return "There is hardly any treble in this sound: play a high tone, data, a leader or music.";
      const what = Number(at("tone").value) ? `The tone of ${at("tone").value / 1000} kHz` : "The treble";
      const against = Number.isNaN(reference) ? (treble.against === "low" ? "the sound from 250 to 800 Hz" : "full scale") : "the reference you held";
      return `${what} against ${against}`;
    },
  },
  azimuth: {
    name: "Azimuth", unit: "arc-minutes", spoken: "minutes of arc", places: 1, signed: true, trend: new Trend("near zero", 0.3),
    value: ({ azimuth }) => azimuth?.angle ?? NaN,
    scale: () => [-20, 20],
    good: () => [-facts.limits.azimuth.good, facts.limits.azimuth.good],
    fair: () => [-facts.limits.azimuth.bad, facts.limits.azimuth.bad],
    verdict: (value, figures) => {
      const grade = graded(value, figures.azimuth?.angleDoubt ?? 0, facts.limits.azimuth);
      return [grade, grade === "good" ? "right" : grade === "near" ? "nearly right" : "out"];
    },
    detail: (figures) => {
      const { azimuth } = figures;
      if (!azimuth) return whyNoAzimuth(figures);
      const words = [leads(azimuth).replace(/^./, (sign) => sign.toUpperCase())];
      if (azimuth.inverted) words.push("one channel has the wrong polarity");
      if (azimuth.others.length) words.push(`it could be ${azimuth.others.slice(0, 2).map((one) => told(one, 1, true)).join(" or ")} minutes as well: play a lower tone, data or music to be sure`);
      else if (azimuth.agreement < 0.5) words.push("the channels have little in common");
      return words.join("; ");
    },
  },
  speed: {
    name: "Speed", unit: "%", spoken: "per cent", places: 2, signed: true, trend: new Trend("near zero", 0.03),
    value: ({ speed }) => (speed?.known ? speed.percent : NaN),
    scale: () => [-2.5, 2.5],
    good: () => [-facts.limits.speed.good, facts.limits.speed.good],
    fair: () => [-facts.limits.speed.bad, facts.limits.speed.bad],
    verdict: (value) => {
      const grade = graded(value, 0, facts.limits.speed);
      return [grade, grade === "good" ? "right" : value > 0 ? "too fast" : "too slow"];
    },
    detail: ({ speed }) => {
      if (!speed) return "No steady tone is heard: play the tone of a test tape, or a leader.";
      if (!speed.known) return `A tone of ${told(speed.hertz, 1)} Hz: say below what it was recorded as.`;
      return `${told(speed.hertz, 1)} Hz for ${speed.nominal} Hz; swings ±${told(speed.swing, 2)}\u00a0%`;
    },
  },
};

let view = "azimuth";
/** @type {LineIn|null} */
let input = null;
/** @type {Worker|null} */
let worker = null;
/** @type {Figures|null} */
let latest = null;
let written = 0;
let moved = 0;
let spoken = 0;
let lastSpoken = "";

// -- choices ---------------------------------------------------------------------------------------------

/** @param {string} id @param {number} usual @param {number} low @param {number} high */
function numberIn(id, usual, low, high) {
  const field = /** @type {HTMLInputElement} */ (at(id));
  const value = Number(field.value.replace(",", "."));
  const sound = field.value.trim() !== "" && value >= low && value <= high;
  field.setAttribute("aria-invalid", String(field.value.trim() !== "" && !sound));
  return sound ? value : usual;
}

const choices = () => ({
  channel: at("channel").value,
  nominal: numberIn("nominal", 0, 100, 20000),
  tone: Number(at("tone").value),
  spacing: numberIn("spacing", facts.spacing * 1e3, 0.1, 50) / 1e3,
  speed: numberIn("speed", facts.speed * 1e2, 1, 100) / 1e2,
  known: facts.tones,
});

function freshBest() {
  for (const one of Object.values(views)) one.trend.fresh();
  anchor = NaN;
}

// -- showing ---------------------------------------------------------------------------------------------

/** @param {HTMLElement} element @param {[number, number]|null} zone @param {[number, number]} scale */
function lay(element, zone, scale) {
  element.hidden = !zone || Number.isNaN(zone[0]);
  if (!zone || element.hidden) return;
  const from = placeOn(zone[0], scale).place;
  const to = placeOn(zone[1], scale).place;
  element.style.left = `${100 * from}%`;
  element.style.width = `${100 * (to - from)}%`;
}

/** @param {HTMLElement} element @param {number} value @param {[number, number]} scale */
function point(element, value, scale) {
  element.hidden = Number.isNaN(value);
  if (!element.hidden) element.style.left = `${1 + 98 * placeOn(value, scale).place}%`;
}

/** @param {string} id @param {string} text */
function write(id, text) {
  const element = at(id);
  if (element.textContent !== text) element.textContent = text;
}

/** @type {Record<string, number>} */
const marked = {};

/**
 * A sign with its word; it changes at most once in a while, so that nothing flickers at the border of a zone.
 * @param {string} id @param {string} name @param {string} sign @param {string} text
 */
function mark(id, name, sign, text) {
  const element = at(id);
  if (element.dataset[name] !== sign) {
    if (performance.now() - (marked[id] ?? 0) < STEADY_FOR) return;
    marked[id] = performance.now();
    element.dataset[name] = sign;
  }
  write(`${id}-word`, text);
}

/** @param {Figures} figures */
function show(figures) {
  latest = figures;
  if (figures.seconds < SETTLING) return; // figures that hold less than they should would pass for the best
  const one = views[view];
  const value = one.value(figures);
  const trends = Object.fromEntries(Object.entries(views).map(([key, each]) => [key, each.trend.add(figures.seconds, each.value(figures))]));
  const trend = trends[view];
  const now = performance.now();
  const pace = calm.matches ? CALM_EVERY : 0;
  if (view === "highs" && Number.isFinite(value) && !(Math.abs(value - anchor) < HIGHS_REACH)) {
    anchor = Number.isNaN(reference) || Math.abs(value) >= HIGHS_REACH ? Math.round(value) : 0;
  }
  if (now - moved >= pace) {
    moved = now;
    const scale = one.scale();
    lay(at("good"), one.good(), scale);
    lay(at("fair"), one.fair(), scale);
    point(at("needle"), value, scale);
    point(at("best-mark"), trend.best, scale);
    point(at("quick"), view === "speed" && figures.speed?.known ? figures.speed.fast : NaN, scale);
    const places = view === "speed" ? 1 : 0;
    const ends = Number.isNaN(scale[0]) ? ["", "", ""] : [scale[0], (scale[0] + scale[1]) / 2, scale[1]].map((end) => told(end, places, one.signed));
    ["low", "middle", "high"].forEach((id, n) => write(id, ends[n]));
    if (view === "speed") drawTrace(figures);
  }
  if (now - written >= FIGURE_EVERY) {
    written = now;
    write("figure", told(value, one.places, one.signed));
    const [grade, word] = Number.isNaN(value) ? ["", ""] : one.verdict(value, figures);
    const beyond = Number.isFinite(value) && placeOn(value, one.scale()).beyond ? ", off the scale" : "";
    mark("verdict", "grade", grade, word + beyond);
    const [way, trendWord, gap] = trendWords(trend, one);
    mark("trend", "way", way, trendWord);
    write("gap", gap);
    write("detail", figures.level.rms < SILENT && view !== "level" ? "Nothing is heard: is the tape running, and the lead in the line input?" : one.detail(figures));
    showOthers(figures);
  }
  if (now - spoken >= SAY_EVERY) {
    spoken = now;
    const text = summary(one, value, trend, figures);
    if (text !== lastSpoken) write("summary", text);
    lastSpoken = text;
  }
}

/** @param {View} one */
const shortUnit = (one) => (one === views.azimuth ? "minutes" : one.unit.replace("FS", ""));

/** @param {ReturnType<Trend["add"]>} trend @param {View} one @returns {[string, string, string]} */
function trendWords(trend, one) {
  if (!trend.way) return ["", "", ""];
  if (trend.isBest) return trend.way === "warmer" ? ["warmer", "warmer", "best so far"] : ["best", "best so far", ""];
  return [trend.way, trend.way, `${told(trend.behind, one.places)} ${shortUnit(one)} from best`];
}

/** @param {View} one @param {number} value @param {ReturnType<Trend["add"]>} trend @param {Figures} figures */
function summary(one, value, trend, figures) {
  if (Number.isNaN(value)) return `${one.name}: ${one.detail(figures)}`;
  const verdict = one.verdict(value, figures)[1];
  return `${one.name} ${told(value, one.places, one.signed)} ${one.spoken}${verdict ? `, ${verdict}` : ""}. ${one.detail(figures)}. ${trendWords(trend, one).slice(1).filter(Boolean).join(", ")}`;
}

/** @param {Figures} figures */
function showOthers(figures) {
  const { left, right, correlation, phase, azimuth } = figures;
  /** @type {[string, string][]} */
  const lines = [];
  for (const [key, one] of Object.entries(views)) {
    if (key !== view) lines.push([one.name, `${told(one.value(figures), one.places, one.signed)} ${one === views.azimuth ? "minutes" : one.unit}`]);
  }
  lines.push(["Left and right", `${told(left.rms, 1)}${right ? ` and ${told(right.rms, 1)}` : ""} dBFS`]);
  if (Number.isFinite(correlation)) lines.push(["Correlation", `${told(correlation, 2, true)} (${azimuth?.inverted || correlation < -0.5 ? "against each other" : correlation > 0.5 ? "in step" : "mixed"})`]);
  if (phase) lines.push([`Phase at ${Math.round(phase.hertz)} Hz`, `${told(phase.degrees, 0, true)}°`]);
  if (azimuth) lines.push(["Delay", `${told(azimuth.delay * 1e6, 1, true)} ± ${told(azimuth.doubt * 1e6, 1)} µs`]);
  const text = JSON.stringify(lines);
  const place = at("others");
  if (place.dataset.lines === text) return;
  place.dataset.lines = text;
  place.replaceChildren(
    ...lines.map(([name, said]) => {
      const group = document.createElement("div");
      const head = document.createElement("dt");
      const body = document.createElement("dd");
      head.textContent = name;
      body.textContent = said;
      group.append(head, body);
      return group;
    }),
  );
}

/** @param {Figures} figures */
function drawTrace({ speed }) {
  const canvas = /** @type {HTMLCanvasElement} */ (at("trace"));
  const pen = canvas.getContext("2d");
  if (!pen) return;
  const { width, height } = canvas;
  pen.clearRect(0, 0, width, height);
  if (!speed) return;
  const heard = speed.trace.filter(Number.isFinite);
  const middle = heard.reduce((sum, one) => sum + one, 0) / heard.length;
  const most = heard.reduce((far, one) => Math.max(far, Math.abs(one - middle)), 0);
  const reach = [0.1, 0.25, 0.5, 1, 2, 5].find((one) => one >= most) ?? 10;
  const style = getComputedStyle(canvas);
  pen.strokeStyle = style.getPropertyValue("--line");
  pen.lineWidth = 2;
  pen.beginPath();
  pen.moveTo(0, height / 2);
  pen.lineTo(width, height / 2);
  pen.stroke();
  pen.strokeStyle = style.getPropertyValue("--ink");
  pen.lineWidth = 4;
  pen.beginPath();
  let down = false;
  speed.trace.forEach((one, n) => {
    if (!Number.isFinite(one)) {
      down = false;
      return;
    }
    const x = width - ((speed.trace.length - 1 - n) * width) / 500;
    const y = height * (0.5 - (0.46 * (one - middle)) / reach);
    if (down) pen.lineTo(x, y);
    else pen.moveTo(x, y);
    down = true;
  });
  pen.stroke();
  write("trace-hint", `The last ten seconds; the picture reaches ±${reach} % about the mean.`);
}

/** @param {string} key */
function watch(key) {
  view = key;
  for (const button of document.querySelectorAll("[data-view]")) button.setAttribute("aria-pressed", String(/** @type {HTMLElement} */ (button).dataset.view === key));
  write("dial-name", views[key].name);
  write("unit", views[key].unit);
  at("reference").hidden = key !== "highs";
  at("trace").hidden = at("trace-hint").hidden = key !== "speed";
  write("trace-hint", "");
  written = moved = spoken = marked.verdict = marked.trend = 0;
  try {
    sessionStorage.setItem("meter-view", key);
  } catch {
    // Next time the page begins with the azimuth.
  }
}

// -- holding ---------------------------------------------------------------------------------------------

/** Every figure in one line, for the job. @param {Figures} figures */
function inWords(figures) {
  const { azimuth, speed, treble, level, channel } = figures;
  const words = [];
  if (azimuth) words.push(`azimuth ${told(azimuth.angle, 1, true)} minutes of arc (${leads(azimuth)}${azimuth.others.length ? ", may be a whole period off" : ""})`);
  if (speed?.known) words.push(`speed ${told(speed.percent, 2, true)} % (${told(speed.hertz, 1)} Hz for ${speed.nominal} Hz, swings ±${told(speed.swing, 2)} %)`);
  if (hasHighs(treble)) {
    const against = Number.isNaN(reference) ? (treble.against === "low" ? "the lows" : "full scale") : "the reference";
    words.push(`highs ${told(treble.decibels - (Number.isNaN(reference) ? 0 : reference), 1, true)} dB against ${against}`);
  }
  words.push(`level ${told(level.rms, 1)} dBFS${figures.right ? ` (${channel === "mean" ? "both mixed" : channel})` : ""}`);
  return words.join(", ");
}

function hold() {
  if (!latest) return;
  const figures = /** @type {HTMLTextAreaElement} */ (at("figures"));
  figures.value = inWords(latest);
  figures.dispatchEvent(new Event("input", { bubbles: true }));
  at("note").scrollIntoView({ block: "nearest" });
}

// -- listening -------------------------------------------------------------------------------------------

/** @type {WakeLockSentinel|null} */
let awake = null;
async function stayAwake() {
  if (!input || document.visibilityState !== "visible") return;
  awake = (await navigator.wakeLock?.request("screen").catch(() => null)) ?? null;
}

async function listen() {
  write("trouble", "");
  at("listen").disabled = true;
  try {
    input = await LineIn.open();
  } catch (problem) {
    write("trouble", problem instanceof NoSound ? problem.message : String(problem));
    at("listen").disabled = false;
    return;
  }
  fillInputs(at("input"));
  write("trouble", input.altered);
  input.onEnd(() => stop("The sound input went away: plug it in again, and listen again."));
  worker = new Worker("/static/meter-worker.js", { type: "module" });
  worker.onmessage = ({ data }) => input && show(data);
  worker.onerror = () => stop("The meter failed. Load the page again.");
  const port = input.tap();
  worker.postMessage({ port, rate: input.rate, choices: choices() }, [port]);
  freshBest();
  at("live").hidden = at("stop").hidden = false;
  at("listen").hidden = true;
  at("listen").disabled = false;
  at("cautions").open = false;
  page.classList.add("listening");
  stayAwake();
  /** @type {HTMLElement} */ (document.querySelector('[data-view][aria-pressed="true"]')).focus({ preventScroll: true });
  at("live").scrollIntoView({ block: "start" });
}

/** @param {string} [why] */
function stop(why = "") {
  worker?.terminate();
  worker = null;
  input?.close();
  input = null;
  awake?.release();
  awake = null;
  at("live").hidden = at("stop").hidden = true;
  at("listen").hidden = false;
  page.classList.remove("listening");
  write("trouble", why);
  at("listen").focus();
}

at("listen").addEventListener("click", listen);
at("stop").addEventListener("click", () => stop());
at("hold").addEventListener("click", hold);
at("forget").addEventListener("click", freshBest);
at("reference").addEventListener("click", () => {
  if (!latest || !hasHighs(latest.treble)) return;
  reference = latest.treble.decibels;
  freshBest();
});
at("input").addEventListener("change", () => {
  keepInput(at("input"));
  if (!input) return;
  stop();
  listen();
});
for (const button of document.querySelectorAll("[data-view]")) button.addEventListener("click", () => watch(/** @type {HTMLElement} */ (button).dataset.view ?? "azimuth"));
for (const id of ["channel", "nominal", "tone", "spacing", "speed"]) {
  at(id).addEventListener("change", () => {
    if (id === "tone" || id === "channel") reference = NaN;
    worker?.postMessage({ choices: choices() });
    freshBest();
  });
}
at("note-job").addEventListener("change", () => {
  at("note-job").defaultValue = at("note-job").value; // it stays for the next figures
});
document.addEventListener("visibilitychange", stayAwake);
addEventListener("pagehide", () => input && stop());

let first = "azimuth";
try {
  first = sessionStorage.getItem("meter-view") ?? first;
} catch {
  // It begins with the azimuth.
}
watch(first in views ? first : "azimuth");
fillInputs(at("input"));
