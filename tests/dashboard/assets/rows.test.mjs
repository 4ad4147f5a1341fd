/* Which rows are chosen, and how the blocks of flags are drawn. */
import assert from "node:assert/strict";
import { test } from "node:test";

import { blocksPath } from "../../../dashboard/assets/flags.mjs";
import { BinStore } from "../../../dashboard/assets/live/store.mjs";
import { choiceOf, rowWords, withChange } from "../../../dashboard/assets/row_choice.mjs";

const place = (key, shown) => ({ key: `temperature_${key}_degC`, label: key, shown });
const OFFERS = [
  { key: "temperature", label: "temperature", shown: false, places: [place("winding", true), place("oil", false)] },
  { key: "torque", label: "torque", shown: true, places: [] },
  { key: "voltage", label: "voltage", shown: false, places: [] },
  { key: "fault", label: "faults", shown: true, places: [] },
];

test("what is shown is said in words, some places in brackets", () => {
  assert.equal(rowWords(OFFERS), "temperature (winding), torque, faults");
  assert.equal(rowWords(withChange(OFFERS, "temperature", true)), "temperature, torque, faults");
});

test("a quantity stands for all its places, and clears them all", () => {
  assert.equal(choiceOf(OFFERS), "temperature_winding_degC,torque,fault");
  const all = withChange(OFFERS, "temperature_oil_degC", true);
  assert.equal(choiceOf(all), "temperature,torque,fault");
  assert.equal(choiceOf(withChange(all, "temperature", false)), "torque,fault");
  assert.equal(
    choiceOf(withChange(withChange(OFFERS, "voltage", true), "torque", false)),
    "temperature_winding_degC,voltage,fault",
  );
});

test("blocks are one path of steps, each run a polygon down to the base", () => {
  const path = (heights) =>
    blocksPath(
      { start: 0, width: 1, heights },
      (at) => at,
      (height) => height * 10,
    );
  assert.equal(path([null, 1, 0.5, null]), "M1,0V10H2V5H3V0Z");
  assert.equal(path([1, null, 1]), "M0,0V10H1V0ZM2,0V10H3V0Z");
  assert.equal(path([null, null]), "");
});

test("a flag's figures are sums over the bins of the window; a message has no share", () => {
  const store = new BinStore();
  /* Onsets, reported share, share that it was on: a gap in the third bin. */
  const bins = [1, 1, 1, 2, 1, 0.5, NaN, NaN, NaN, 0, 0.5, 0.01];
  const frame = { isWhole: true, channels: 1, count: 4, now: 4, start: 0, width: 1, newest: [0, 0], bins };
  store.add(frame);
  const whole = store.flag(0, 0);
  assert.deepEqual([whole.count, whole.share], [3, 1.51 / 2.5]);
  assert.deepEqual(whole.heights, [1, 0.5, null, 0.12]);
  const part = store.flag(0, 1);
  assert.deepEqual([part.start, part.count, part.heights.length], [1, 2, 3]);
  store.add({ ...frame, bins: [1, 1, NaN, 0, 1, NaN, NaN, NaN, NaN, 0, 1, NaN] });
  const messages = store.flag(0, 0);
  assert.deepEqual([messages.count, messages.share, messages.heights], [1, null, [1, null, null, null]]);
});
