/* The draft of the Limits page and the scale of its lanes. */
import assert from "node:assert/strict";
import { test } from "node:test";

import { LimitsDraft } from "../../../dashboard/assets/limits/draft.mjs";
import { levelText } from "../../../dashboard/assets/limits/levels.mjs";
import { beyondLevels, heldRuns, LaneScale, valueRange } from "../../../dashboard/assets/limits/scale.mjs";

/** A draft with one level, 70 with its drop-off at 67. */
function draftOf(more = {}) {
  const draft = new LimitsDraft();
  draft.dropOffs = { above: "clear_below" };
  const table = { name: "warm", kind: "level", above: 70, clear_below: 67, ...more };
  draft.replace({ base: "", tables: [table], forms: ["level"] });
  return draft;
}

test("the drop-off of a level that is moved keeps its distance", () => {
  const draft = draftOf();
  assert.equal(draft.setValue(0, "above", 75), true);
  assert.equal(draft.table.clear_below, 72);
  draft.moveLevel({ key: "above", place: null, off: false }, 60);
  assert.deepEqual([draft.table.above, draft.table.clear_below], [60, 57]);
  draft.moveLevel({ key: "clear_below", place: null, off: true }, 50);
  assert.deepEqual([draft.table.above, draft.table.clear_below], [60, 50]);
});

test("over an empty box too: from the last number that stood there", () => {
  const draft = draftOf();
  draft.setValue(0, "above", null);
  assert.equal("above" in draft.table, false);
  draft.setValue(0, "above", 80);
  assert.equal(draft.table.clear_below, 77);
});

test("a new limit gets a name of its own and a channel that is measured", () => {
  const draft = draftOf({ name: "level" });
  draft.add({ form: "level", kind: "level", blank: { channel: "torque_Nm" } }, ["current_A"]);
  assert.deepEqual([draft.table.name, draft.table.channel, draft.chosen], ["level-2", "current_A", 1]);
  draft.remove(1);
  assert.equal(draft.chosen, 0);
});

test("limits that are proposed stand beside those that are there, and replace those of the same name", () => {
  const draft = draftOf();
  const proposed = (/** @type {number} */ basic) => ({ name: "image", kind: "thermal", severity: "trip", basic });
  draft.addTables([proposed(8), { ...proposed(8), name: "other" }]);
  assert.deepEqual([draft.tables.map(({ name }) => name), draft.chosen], [["warm", "image", "other"], 1]);
  draft.addTables([proposed(9)]);
  assert.deepEqual(draft.formKeys, ["level", "thermal", "thermal"]);
  assert.deepEqual([draft.table.name, draft.table.basic], ["image", 9]);
});

test("a bad end says only what is set", () => {
  const draft = draftOf();
  Object.assign(draft.bad, { way: "above", level: 80, within_s: null });
  assert.deepEqual(draft.badEnd(), { channel: "temperature_housing_degC", above: 80, for_s: 0 });
  draft.bad.way = "none";
  assert.equal(draft.badEnd(), null);
});

test("the highest trip on a temperature is guessed as the bad end", () => {
  const draft = draftOf();
  const trip = (above) => ({ severity: "trip", channel: "temperature_drive_degC", above });
  draft.tables = [trip(80), trip(95), { ...trip(99), severity: "warning" }];
  draft.guessBadEnd(new Set());
  assert.deepEqual([draft.bad.channel, draft.bad.level], ["temperature_drive_degC", 95]);
  draft.tables = [];
  draft.guessBadEnd(new Set(["torque_Nm"]));
  assert.equal(draft.bad.way, "none");
});

test("a value and its height in a lane are each other's inverse", () => {
  const scale = new LaneScale();
  scale.height = 170;
  scale.range = valueRange([[{ low: [20, null], high: [90, null] }]], [{ at: 100, mirrored: false }]);
  for (const value of [20, 55.5, 100]) assert.ok(Math.abs(scale.value(scale.y(value)) - value) < 1e-9);
  assert.ok(scale.y(20) < 170 && scale.y(100) > 0);
  assert.deepEqual(valueRange([], []), [-0.06, 1.06]);
});

test("runs end at a gap", () => {
  assert.deepEqual(heldRuns([null, 1, 2, null, null, 3]), [[1, 2], [5]]);
  assert.deepEqual(heldRuns([]), []);
});

test("a level shows four digits at most, and none that say nothing", () => {
  assert.deepEqual([70, 0.0012, 123.45, -3.5, 2e7, 0].map(levelText), [
    "70",
    "0.0012",
    "123.5",
    "−3.5",
    "2.00e+7",
    "0",
  ]);
});

test("what is beyond a level is tinted away from its normal side, once where joints share it", () => {
  const level = (at, more = {}) => ({ at, off: false, mirrored: false, rising: true, ...more });
  assert.deepEqual(beyondLevels([[level(70), level(67, { off: true })], [level(70)]], 20, 90), [[70, 90]]);
  assert.deepEqual(beyondLevels([[level(16, { mirrored: true })]], -20, 20), [
    [-20, -16],
    [16, 20],
  ]);
  assert.deepEqual(beyondLevels([[level(10, { rising: false })]], 0, 20), [[0, 10]]);
  assert.deepEqual(beyondLevels([[level(95)]], 20, 90), []);
  const band = [level(5, { rising: false, place: 0 }), level(15, { place: 1 })];
  assert.deepEqual(beyondLevels([band], 0, 20), [
    [0, 5],
    [15, 20],
  ]);
});

test("the ticks of a lane are few, round and within it", () => {
  const scale = new LaneScale();
  for (const range of [
    [20, 92],
    [-18, 18],
    [0.001, 0.0042],
  ]) {
    scale.range = range;
    const ticks = scale.ticks(5);
    assert.ok(ticks.length >= 3 && ticks.length <= 6, `${range}: ${ticks}`);
    assert.ok(ticks.every((tick) => tick >= range[0] && tick <= range[1]));
  }
  scale.range = [20, 92];
  assert.deepEqual(scale.ticks(5), [20, 40, 60, 80]);
});

test("a trace that stands still is two pixels thick", () => {
  const scale = new LaneScale();
  scale.height = 100;
  scale.range = [0, 10];
  const [path] = scale.bandPaths({ low: [5, 5], high: [5, 5] }, 100);
  const ys = path.match(/,[0-9.]+/g).map((y) => Number(y.slice(1)));
  assert.ok(Math.abs(Math.max(...ys) - Math.min(...ys) - 2) < 0.11, path);
});
