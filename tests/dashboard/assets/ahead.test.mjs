/* Where temperatures go: what of a course lies in the window, and where it meets a limit. */
import assert from "node:assert/strict";
import { test } from "node:test";

import { clipCourse, meetsLevel, secondsAhead } from "../../../dashboard/assets/live/ahead.mjs";

const COURSE = {
  channel: "temperature_housing_degC",
  at: [100, 110, 130, 190],
  low: [60, 60.5, 61, 62],
  median: [60, 61, 63, 66],
  high: [60, 62, 65, 71],
};

test("one fifth of the width is ahead", () => {
  const behind = 300;
  assert.equal(secondsAhead(behind) / (behind + secondsAhead(behind)), 0.2);
});

test("a course begins now and ends with the window", () => {
  const points = clipCourse(COURSE, 105, 160);
  assert.deepEqual(
    points.map(([time]) => time),
    [105, 110, 130, 160],
  );
  assert.deepEqual(points[0], [105, 60.25, 60.5, 61]);
  assert.deepEqual(points[3], [160, 61.5, 64.5, 68]);
});

test("a course that ends before the window is drawn to its own end; an old one not at all", () => {
  assert.equal(clipCourse(COURSE, 100, 500).at(-1)?.[0], 190);
  assert.deepEqual(clipCourse(COURSE, 190, 500), []);
  assert.deepEqual(clipCourse({ ...COURSE, at: [], low: [], median: [], high: [] }, 0, 10), []);
});

test("a level is met between two points, or never", () => {
  const points = clipCourse(COURSE, 100, 190);
  assert.equal(meetsLevel(points, 62), 120);
  assert.equal(meetsLevel(points, 70), null);
  assert.equal(meetsLevel(points, 50), null);
});
