// @ts-check
/** The arithmetic of the map: no page, no picture, only numbers. A view is {scale, x, y}: screen = world × scale + (x, y). */

/** @typedef {{scale: number, x: number, y: number}} View */
/** @typedef {[number, number, number, number]} Box left, top, right, bottom */

/**
 * The view that shows a box whole, with a margin.
 * @param {Box} box @param {number} wide @param {number} high @param {number} margin
 * @returns {View}
 */
export function fit(box, wide, high, margin = 16) {
  const w = Math.max(box[2] - box[0], 1e-6);
  const h = Math.max(box[3] - box[1], 1e-6);
  const scale = Math.max(1e-6, Math.min(Math.max(wide - 2 * margin, 1) / w, Math.max(high - 2 * margin, 1) / h));
  return { scale, x: wide / 2 - (scale * (box[0] + box[2])) / 2, y: high / 2 - (scale * (box[1] + box[3])) / 2 };
}

/**
 * Nearer or farther, so that the point under the finger stays.
 * @param {View} view @param {number} by @param {number} x @param {number} y @param {number} least @param {number} most
 * @returns {View}
 */
export function zoomed(view, by, x, y, least, most) {
  const scale = Math.min(most, Math.max(least, view.scale * by));
  const real = scale / view.scale;
  return { scale, x: x - (x - view.x) * real, y: y - (y - view.y) * real };
}

/** What CSS must do to a picture made in one view, to stand as in another. @param {View} made @param {View} now */
export function moved(made, now) {
  const scale = now.scale / made.scale;
  return { scale, x: now.x - made.x * scale, y: now.y - made.y * scale };
}

/** @param {View} view @param {number} x @param {number} y @returns {[number, number]} */
export const toWorld = (view, x, y) => [(x - view.x) / view.scale, (y - view.y) / view.scale];

/** @param {number[]} m a homography, row by row @param {number} x @param {number} y @returns {[number, number]} */
export function mapped(m, x, y) {
  const w = m[6] * x + m[7] * y + m[8];
  return [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w];
}

/**
 * Corners of a pad in millimetres, eight numbers.
 * @param {number} x @param {number} y @param {number} w @param {number} h @param {number} turn degrees
 */
export function corners(x, y, w, h, turn) {
  const c = Math.cos((turn * Math.PI) / 180);
  const s = Math.sin((turn * Math.PI) / 180);
  const out = [];
  for (const [i, j] of [[-1, -1], [1, -1], [1, 1], [-1, 1]]) {
    const dx = (i * w) / 2;
    const dy = (j * h) / 2;
    out.push(x + dx * c - dy * s, y + dx * s + dy * c);
  }
  return out;
}

/** Whether a point is inside of a four-cornered shape. @param {ArrayLike<number>} q @param {number} at @param {number} x @param {number} y */
export function inside(q, at, x, y) {
  let sign = 0;
  for (let n = 0; n < 4; n++) {
    const m = (n + 1) % 4;
    const cross = (q[at + 2 * m] - q[at + 2 * n]) * (y - q[at + 2 * n + 1]) - (q[at + 2 * m + 1] - q[at + 2 * n + 1]) * (x - q[at + 2 * n]);
    if (cross !== 0) {
      if (sign !== 0 && Math.sign(cross) !== sign) return false;
      sign = Math.sign(cross);
    }
  }
  return true;
}

/**
 * The pad that is meant: of those under the finger the smallest, else the nearest.
 * @param {number[]} hits numbers of pads near the finger @param {ArrayLike<number>} quads @param {number} x @param {number} y
 */
export function meant(hits, quads, x, y) {
  let best = -1;
  let order = [Infinity, Infinity];
  for (const n of hits) {
    const q = n * 8;
    const area = Math.abs((quads[q + 4] - quads[q]) * (quads[q + 7] - quads[q + 3]) - (quads[q + 6] - quads[q + 2]) * (quads[q + 5] - quads[q + 1])) / 2;
    const far = Math.hypot((quads[q] + quads[q + 4]) / 2 - x, (quads[q + 1] + quads[q + 5]) / 2 - y);
    const now = inside(quads, q, x, y) ? [0, area] : [1, far];
    if (now[0] < order[0] || (now[0] === order[0] && now[1] < order[1])) [best, order] = [n, now];
  }
  return best;
}
