/* The axis of running hours: folds, places, and what fits side by side. */
import assert from "node:assert/strict";
import { test } from "node:test";
import { RunningAxis, dayColumns, foldsBefore, roomFor } from "../../../dashboard/assets/campaign/axis.mjs";

test("a fold has a width of its own and no hours", () => {
  const axis = new RunningAxis(100, 2, 0, 1000);
  assert.equal(axis.x([0, 0]), 0);
  assert.ok(Math.abs(axis.x([100, 2]) - 1000) < 1e-9);
  assert.ok(Math.abs(axis.x([50, 1]) - axis.x([50, 0]) - axis.fold) < 1e-9);
  assert.equal(foldsBefore([{ at: 20 }, { at: 50 }], 50), 1);
});

test("many folds take a quarter of the width at most", () => {
  const axis = new RunningAxis(1000, 90, 0, 1000);
  assert.ok(axis.fold * 90 <= 250 + 1e-9);
  assert.ok(axis.fold > 0);
  assert.equal(new RunningAxis(0, 0, 0, 100).x([0, 0]), 0);
});

test("round hours stand apart", () => {
  const axis = new RunningAxis(100, 0, 0, 1000);
  assert.deepEqual(axis.ticks(200), [20, 40, 60, 80, 100]);
});

test("of labels that overlap the more important one is kept, within the edges", () => {
  const kept = roomFor(
    [
      { x: 2, width: 40 },
      { x: 30, width: 40 },
      { x: 100, width: 40 },
    ],
    0,
    200,
  );
  assert.deepEqual(
    kept.map(({ x }) => x),
    [20, 100],
  );
});

test("narrow days are summed until their digits fit", () => {
  const axis = new RunningAxis(240, 0, 0, 100);
  const days = Array.from({ length: 10 }, (_, at) => ({
    from: [24 * at, 0],
    to: [24 * (at + 1), 0],
    counts: [at % 2],
    label: String(at),
    href: "/" + at,
  }));
  const columns = dayColumns(days, axis, 24);
  assert.equal(
    columns.reduce((sum, { counts }) => sum + counts[0], 0),
    5,
  );
  assert.ok(columns.length < 10);
  assert.equal(columns[0].href, "/1");
});
