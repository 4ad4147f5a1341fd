/* Where labels and ticks stand. */
import assert from "node:assert/strict";
import { test } from "node:test";

import { fitText, spreadLabels, timeTicks } from "../../../dashboard/assets/labels.mjs";

test("labels never stand on each other: a gap apart, in order, within the edges", () => {
  for (const wanted of [
    [0, 10, 60, 95, 96, 97, 98, 99],
    Array(8).fill(99),
    Array(8).fill(0),
    [50, 49, 51, 0, 99, 98],
  ]) {
    const places = spreadLabels(wanted, 12, 0, 100);
    const order = wanted.map((y, i) => [y, places[i]]).sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    order.slice(1).forEach(([, place], i) => assert.ok(place - order[i][1] >= 12 - 1e-6, `${wanted} -> ${places}`));
    assert.ok(Math.min(...places) >= -1e-6 && Math.max(...places) <= 100 + 1e-6, `${wanted} -> ${places}`);
  }
});

test("a label that has room stays where it is wanted", () => {
  assert.deepEqual(spreadLabels([10, 50, 90], 12, 0, 100), [10, 50, 90]);
  assert.deepEqual(spreadLabels([], 12), []);
});

test("ticks are round instants, at least the room apart, and none outside", () => {
  for (const [from, to, width] of [
    [0, 60, 800],
    [3, 4.2, 500],
    [0, 86400, 1200],
    [-5, 5, 300],
  ]) {
    const { step, at } = timeTicks(from, to, width, 80);
    assert.ok((step / (to - from)) * width >= 80 - 1e-6);
    assert.ok(at.length > 0);
    for (const s of at) {
      assert.ok(s >= from - 1e-9 && s <= to + step * 1e-5);
      assert.ok(Math.abs(s / step - Math.round(s / step)) < 1e-6);
    }
  }
  assert.deepEqual(timeTicks(0, 60, 800, 80), { step: 10, at: [0, 10, 20, 30, 40, 50, 60] });
});

test("a text that has no room keeps its two ends, where names differ", () => {
  const widthOf = (text) => text.length * 7;
  assert.equal(fitText("elbow", 100, widthOf), "elbow");
  const fitted = ["Left shoulder, no. 7", "Left shoulder, no. 8"].map((name) => fitText(name, 84, widthOf));
  assert.deepEqual(fitted, ["Left s…no. 7", "Left s…no. 8"]);
  for (let room = 0; room < 200; room += 3)
    assert.ok(widthOf(fitText("Left shoulder, no. 7", room, widthOf)) <= room, String(room));
  assert.equal(fitText("Left shoulder", 8, widthOf), "");
});
