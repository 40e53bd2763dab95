/** The map's arithmetic, run by Node: `node --test tests/web/board_sums.test.mjs`. */
import assert from "node:assert/strict";
import { test } from "node:test";
import { corners, fit, inside, mapped, meant, moved, toWorld, zoomed } from "../../src/benchwright/web/static/board-sums.js";

const near = (a, b) => assert.ok(Math.abs(a - b) < 1e-9 * Math.max(1, Math.abs(b)), `${a} is not ${b}`);

test("a box is shown whole and in the middle", () => {
  const view = fit([-20, -190, 280, 10], 800, 400, 10);
  const [l, t] = [-20 * view.scale + view.x, -190 * view.scale + view.y];
  const [r, b] = [280 * view.scale + view.x, 10 * view.scale + view.y];
  near(l + r, 800);
  near(t + b, 400);
  near(t, 10); // the tight side has the margin
  assert.ok(l >= 10);
});

test("a box without size and a window without room give a view", () => {
  for (const view of [fit([5, 5, 5, 5], 300, 300), fit([0, 0, 10, 10], 1, 1)]) assert.ok(Number.isFinite(view.x) && view.scale > 0);
});

test("the point under the finger stays when the map comes nearer, also at the limit", () => {
  const view = { scale: 2, x: 30, y: -7 };
  for (const by of [1.3, 0.5, 1e6, 1e-6]) {
    const next = zoomed(view, by, 120, 80, 0.5, 60);
    assert.ok(next.scale >= 0.5 && next.scale <= 60);
    const [before, after] = [toWorld(view, 120, 80), toWorld(next, 120, 80)];
    near(after[0], before[0]);
    near(after[1], before[1]);
  }
});

test("a picture moved by CSS stands where it would be drawn", () => {
  const [made, now] = [{ scale: 2, x: 10, y: 20 }, { scale: 3, x: -40, y: 5 }];
  const by = moved(made, now);
  near((7 * made.scale + made.x) * by.scale + by.x, 7 * now.scale + now.x);
  near((9 * made.scale + made.y) * by.scale + by.y, 9 * now.scale + now.y);
});

test("of pads on top of each other the smallest is meant, and beside them the nearest", () => {
  const quads = [...corners(0, 0, 10, 10, 0), ...corners(1, 1, 2, 2, 45), ...corners(30, 0, 4, 4, 0)];
  assert.equal(meant([0, 1], quads, 1, 1), 1);
  assert.equal(meant([0, 1], quads, -4, -4), 0);
  assert.equal(meant([0, 1, 2], quads, 25, 0), 2);
  assert.equal(meant([], quads, 0, 0), -1);
});

test("a turned pad is hit where its copper is", () => {
  const quad = corners(0, 0, 10, 1, 90);
  assert.ok(inside(quad, 0, 0, 4.5));
  assert.ok(!inside(quad, 0, 4.5, 0));
  const mirrored = quad.map((v, n) => (n % 2 ? v : -v)); // seen from below
  assert.ok(inside(mirrored, 0, 0, 4.5));
});

test("a homography maps with its depth", () => {
  assert.deepEqual(mapped([2, 0, 1, 0, 2, 3, 0.5, 0, 1], 2, 4), [2.5, 5.5]);
});
