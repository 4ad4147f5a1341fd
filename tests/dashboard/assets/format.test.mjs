/* The table of texts that the browser and Python are both held to. */
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";

import * as format from "../../../dashboard/assets/format.mjs";

const table = new URL("../text/format_cases.json", import.meta.url);
/** @type {{function: string, arguments: any[], text: string | number}[]} */
const cases = JSON.parse(readFileSync(table, "utf8"));
/* JSON has no such numbers: the table has their names. */
const NOT_FINITE = { NaN, Infinity, "-Infinity": -Infinity };

/** @param {string} name such as format_number @returns {string} formatNumber */
const camelCase = (name) => name.replace(/_(\w)/g, (_, letter) => letter.toUpperCase());

test("each case of the table gives its text", () => {
  for (const { function: name, arguments: given, text } of cases) {
    const args = given.map((value) => (value in NOT_FINITE ? NOT_FINITE[value] : value));
    assert.equal(format[camelCase(name)](...args), text, `${name}(${JSON.stringify(given)})`);
  }
});

test("every function of the table is exported, and the table is not empty", () => {
  const names = new Set(cases.map((one) => camelCase(one.function)));
  assert.ok(names.size >= 9);
  for (const name of names) assert.equal(typeof format[name], "function", name);
});

test("a time of day belongs to its instant, not to today's offset", () => {
  assert.equal(format.formatClock(Date.UTC(2026, 6, 15, 12), "Europe/Berlin"), "14:00:00");
  assert.equal(format.formatClock(Date.UTC(2026, 10, 15, 13), "Europe/Berlin"), "14:00:00");
});

test("what is missing is a dash", () => {
  assert.equal(format.formatNumber(null, 1), "–");
  assert.equal(format.formatNumber(undefined, 1), "–");
});

test("a flag that came more often than is known", () => {
  assert.equal(format.formatFlag(20, NaN, true), "at least 20 times");
  assert.equal(format.formatFlag(1, 0.5, true), "at least once, 50 % of the time");
  assert.equal(format.formatFlag(0, NaN, true), "not on");
});
