/* The draft of the Limits page and the scale of its lanes. */
import assert from "node:assert/strict";
import { test } from "node:test";

import { LimitsDraft } from "../../../dashboard/assets/limits/draft.mjs";
import { levelText } from "../../../dashboard/assets/limits/levels.mjs";
import { heldRuns, LaneScale, valueRange } from "../../../dashboard/assets/limits/scale.mjs";

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
