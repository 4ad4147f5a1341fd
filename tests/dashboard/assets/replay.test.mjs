/* What Replay makes of an address, of a trace at the play-head, of a window's edges. */
import assert from "node:assert/strict";
import { test } from "node:test";

import { addressOf } from "../../../dashboard/assets/request.mjs";
import { sortRows } from "../../../dashboard/assets/bus/tables.mjs";
import { toMilli, windowWithin } from "../../../dashboard/assets/page.mjs";
import { findingsWithin } from "../../../dashboard/assets/replay/findings.mjs";

test("an address leaves out what is not said, and quotes the rest", () => {
  const params = { from: 0, to: "1.5", over: "a b&c", judged: "", shift: null, span0: undefined };
  assert.equal(addressOf("/replay/x", params), "/replay/x?from=0&to=1.5&over=a+b%26c");
  assert.equal(addressOf("/replay/x", {}), "/replay/x");
});

test("a window keeps its width at both ends, and is never wider than the whole", () => {
  assert.deepEqual(windowWithin(-5, 5, 0.2, 100), [0, 10]);
  assert.deepEqual(windowWithin(95, 105, 0.2, 100), [90, 100]);
  assert.deepEqual(windowWithin(-50, 500, 0.2, 100), [0, 100]);
  assert.deepEqual(windowWithin(50, 50, 0.2, 100), [50, 50.2]);
  assert.deepEqual(windowWithin(0, 1, 0.2, 0.1), [0, 0.1]);
  assert.equal(toMilli(1.23456), "1.235");
});

test("what has no value stands last, whichever way a column is sorted", () => {
  const rows = [{ gap: ["–", null] }, { gap: ["2", 2] }, { gap: ["10", 10] }, { gap: ["2", 2], second: true }];
  const texts = (isDescending) => sortRows(rows, "gap", isDescending).map((row) => row.gap[0]);
  assert.deepEqual(texts(false), ["2", "2", "10", "–"]);
  assert.deepEqual(texts(true), ["10", "2", "2", "–"]);
  assert.equal(sortRows(rows, "gap", false)[1].second, true);
});

test("a finding is listed where the window holds anything of its span", () => {
  const rows = [
    { from_s: 0, to_s: 5 },
    { from_s: 5, to_s: 10 },
    { from_s: 20, to_s: 30 },
  ];
  const within = (from, to) => findingsWithin(rows, [from, to]).map((row) => rows.indexOf(row));
  assert.deepEqual(within(4, 6), [0, 1]);
  assert.deepEqual(within(5, 20), [1]);
  assert.deepEqual(within(24, 25), [2]);
  assert.deepEqual(within(10, 20), []);
});
