// The plumb line: where a per cent lies.
import assert from "node:assert/strict";
import { test } from "node:test";
import { placeOf } from "../../../dashboard/assets/sheet/plumb.mjs";

test("the claim is the middle, ten per cent a quarter, and what is beyond stays at the edge", () => {
  assert.equal(placeOf(0), 50);
  assert.equal(placeOf(10), 75);
  assert.equal(placeOf(-10), 25);
  assert.equal(placeOf(20), 100);
  assert.equal(placeOf(900), 100);
  assert.equal(placeOf(-900), 0);
});
