// The plumb line: where a per cent lies, and the words of a bar.
import assert from "node:assert/strict";
import { test } from "node:test";
import { apartWords } from "../../../dashboard/assets/sheet/compared.mjs";
import { placeOf, wordsPlace } from "../../../dashboard/assets/sheet/plumb.mjs";

test("the claim is the middle, ten per cent a quarter, and what is beyond stays at the edge", () => {
  assert.equal(placeOf(0), 50);
  assert.equal(placeOf(10), 75);
  assert.equal(placeOf(-10), 25);
  assert.equal(placeOf(20), 100);
  assert.equal(placeOf(900), 100);
  assert.equal(placeOf(-900), 0);
});

test("the words of a bar stand beside it, within the scale, and not over the claim's line", () => {
  assert.deepEqual(wordsPlace({ low: 2, value: 4, high: 6 }), { side: "left", at: 65 });
  assert.deepEqual(wordsPlace({ low: -6, value: -4, high: -2 }), { side: "right", at: 35 });
  assert.deepEqual(wordsPlace({ low: 1, value: 11, high: 21 }), { side: "right", at: 50 });
  assert.deepEqual(wordsPlace({ low: 12, value: 16, high: 21 }), { side: "right", at: 80 });
  assert.deepEqual(wordsPlace({ low: -21, value: -11, high: -1 }), { side: "left", at: 50 });
});

test("what stands out is named, and where nothing does, what it would take", () => {
  const still = { label: "Backlash", unit: "arcmin", joints: [], ticks: [], rows: [], needed: "0.65" };
  assert.equal(apartWords({ ...still, apart: [] }), "No two differ by more than chance; that takes 0.65 arcmin.");
  const apart = [{ name: "spare", above: ["elbow", "hip"] }];
  assert.equal(apartWords({ ...still, apart }), "More than chance: spare above elbow and hip.");
});
