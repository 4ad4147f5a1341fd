// A measurement goes into the address and comes back the same.
import assert from "node:assert/strict";
import { test } from "node:test";
import { Measurement } from "../../../dashboard/assets/measure/measurement.mjs";

const KINDS = [{ name: "torque" }, { name: "backlash" }];

test("what was typed and marked comes back from the address", () => {
  const one = new Measurement();
  Object.assign(one, { kind: "torque", joint: "elbow", readings: ["arm=344 mm +- 1 mm", "scale=3.25 kg at 6 A"] });
  one.divisions.set("scale", "10 g");
  one.channels.set("scale", "cell.force_N");
  one.spans = [
    { name: "level1", begin_s: 1.25, end_s: 4 },
    { name: "level2", begin_s: 7, end_s: null },
  ];
  const query = one.query();
  assert.equal(query.spans, "level1=1.25..4;level2=7..");
  const back = Measurement.fromQuery("?" + new URLSearchParams(query), KINDS);
  assert.deepEqual(back.query(), query);
  assert.equal(back.open?.name, "level2");
});

test("nonsense in an address is left out", () => {
  const one = Measurement.fromQuery("?kind=guess&spans=loop1;loop2=a..b;loop3=1..2&readings=;;", KINDS);
  assert.equal(one.kind, "");
  assert.deepEqual(
    one.spans.map(({ name }) => name),
    ["loop3"],
  );
  assert.deepEqual(one.readings, []);
});

test("again keeps what instruments are read to", () => {
  const one = Measurement.fromQuery(
    "?kind=torque&readings=arm%3D1%20m&divisions=scale%3D10%20g&spans=a%3D1..2",
    KINDS,
  );
  one.clear();
  assert.deepEqual([one.readings, one.spans, one.divisions.get("scale")], [[], [], "10 g"]);
});
