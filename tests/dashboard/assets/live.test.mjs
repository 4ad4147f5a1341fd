/* What the Live page does with messages: unpacks bytes, merges words, keeps bins, lets alerts be heard. */
import assert from "node:assert/strict";
import { test } from "node:test";

import { AlertScheduler } from "../../../dashboard/assets/live/alert_scheduler.mjs";
import { unpackFrame } from "../../../dashboard/assets/live/frame.mjs";
import { tintEnd } from "../../../dashboard/assets/live/joints.mjs";
import { applyEdits, mergePatch } from "../../../dashboard/assets/live/patch.mjs";
import { slotsOf, toggled, withJoint } from "../../../dashboard/assets/pens.mjs";
import { BinStore } from "../../../dashboard/assets/live/store.mjs";

/** A message as dashboard/live/wire_format.py packs it. */
function packFrame({ isWhole, channels, serial, now, start, width, newest, bins }) {
  const buffer = new ArrayBuffer(32 + 4 * (newest.length + bins.length));
  const view = new DataView(buffer);
  view.setUint8(0, isWhole ? 1 : 0);
  view.setUint8(1, channels);
  view.setUint16(2, bins.length / channels / 3, true);
  view.setUint32(4, serial, true);
  [now, start, width].forEach((value, i) => view.setFloat64(8 + 8 * i, value, true));
  [...newest, ...bins].forEach((value, i) => view.setFloat32(32 + 4 * i, value, true));
  return buffer;
}

const FRAME = { isWhole: true, channels: 2, serial: 7, now: 3.5, start: 1, width: 0.5 };
const NEWEST = [0.25, 8, 0.5, 9];
/* Two bins of two channels; the second channel holds nothing in the first bin. */
const BINS = [1, 3, 2, NaN, NaN, NaN, 4, 2, 3, 5, 5, 5];

test("a message is unpacked to what was packed", () => {
  const frame = unpackFrame(packFrame({ ...FRAME, newest: NEWEST, bins: BINS }));
  const { newest, bins, ...head } = frame;
  assert.deepEqual(head, { ...FRAME, count: 2 });
  assert.deepEqual([...newest], NEWEST);
  assert.deepEqual([...bins], BINS);
});

test("the store keeps bins as columns, and the newest with its time", () => {
  const store = new BinStore();
  store.add(unpackFrame(packFrame({ ...FRAME, newest: NEWEST, bins: BINS })));
  assert.deepEqual(store.starts, [1, 1.5]);
  assert.deepEqual(store.a, [
    [1, 4],
    [NaN, 5],
  ]);
  assert.deepEqual(store.newest, [
    [3.25, 8],
    [3, 9],
  ]);
  store.add(unpackFrame(packFrame({ ...FRAME, isWhole: false, start: 2, newest: NEWEST, bins: BINS.slice(0, 6) })));
  assert.deepEqual(store.starts, [1, 1.5, 2]);
  store.add(unpackFrame(packFrame({ ...FRAME, start: 9, newest: NEWEST, bins: BINS })));
  assert.deepEqual(store.starts, [9, 9.5]);
});

test("a line shows both extremes of a bin in their order, and ends at a gap", () => {
  const store = new BinStore();
  store.add(unpackFrame(packFrame({ ...FRAME, newest: [9, 0, 9, 0], bins: BINS })));
  const [first, second] = [0, 1].map((at) => ({ meta: { at, role: "line" } }));
  store.fillTrace(first);
  store.fillTrace(second);
  assert.deepEqual(
    [first.x, first.y],
    [
      [1.125, 1.375, 1.625, 1.875],
      [1, 3, 4, 2],
    ],
  );
  assert.deepEqual(
    [second.x, second.y],
    [
      [1.25, 1.75],
      [null, 5],
    ],
  );
});

test("bins that ended before the window are dropped, many at once", () => {
  const store = new BinStore();
  const bins = Array.from({ length: 100 }, (_, i) => [i, i, i]).flat();
  store.add(unpackFrame(packFrame({ ...FRAME, channels: 1, start: 0, width: 1, newest: [0, 0], bins })));
  store.dropBefore(20);
  assert.equal(store.starts.length, 100);
  store.dropBefore(50.5);
  assert.deepEqual([store.starts[0], store.a[0][0], store.starts.length], [50, 50, 50]);
});

test("words are merged key by key, and what is null is taken out", () => {
  const known = { a: 1, gone: 2, map: { x: 1, y: 2 }, list: [{ n: 1, t: "a" }, { n: 2 }], texts: ["a", "b"] };
  const before = structuredClone(known);
  const patch = { a: 5, gone: null, map: { y: 3 }, list: [{ t: "b" }, {}], texts: ["c"], fresh: { z: 1 } };
  assert.deepEqual(mergePatch(known, patch), {
    a: 5,
    map: { x: 1, y: 3 },
    list: [{ n: 1, t: "b" }, { n: 2 }],
    texts: ["c"],
    fresh: { z: 1 },
  });
  assert.deepEqual(known, before);
});

test("a list of maps with another length replaces the one before", () => {
  assert.deepEqual(mergePatch({ list: [{ n: 1 }] }, { list: [{ n: 2 }, { n: 3 }] }), { list: [{ n: 2 }, { n: 3 }] });
  assert.deepEqual(mergePatch({ list: [{ n: 1 }] }, { list: [] }), { list: [] });
});

test("edits of a list are done one after the other, in place", () => {
  const list = ["a", "b", "c", "d"];
  applyEdits(list, [
    [3, 1],
    [1, 1, "x", "y"],
    [0, 0, "first"],
  ]);
  assert.deepEqual(list, ["first", "a", "x", "y", "c"]);
});

/** What sounds at each step: [at ms, recording, [[number, what is to be heard]], restart]. */
function soundsOf(...steps) {
  const scheduler = new AlertScheduler();
  return steps.map(([at, path, alerts, isRestart]) => {
    if (isRestart) scheduler.restart();
    scheduler.update(
      path,
      alerts.map(([number, sound]) => ({ number, sound })),
    );
    const sound = scheduler.next(at);
    return sound ? sound.kind + (sound.gain < 0.2 ? " softly" : "") : "";
  });
}
const WARNING = [1, "warning"];
const TRIP = [2, "trip"];

test("old warnings are silent, new ones sound once", () => {
  const steps = [
    [0, "a", [WARNING]],
    [5000, "a", [WARNING, [3, "warning"]]],
    [9000, "a", []],
  ];
  assert.deepEqual(soundsOf(...steps), ["", "warning", ""]);
});

test("a trip sounds whenever it was raised, and again every ten seconds, softer", () => {
  const steps = [
    [0, "a", [TRIP]],
    [4000, "a", [TRIP]],
    [10_000, "a", [TRIP]],
  ];
  assert.deepEqual(soundsOf(...steps), ["trip", "", "trip softly"]);
});

test("warnings that come all the time keep no trip from being heard again", () => {
  const warned = [1, 2].map((k) => [3500 * k, "a", [TRIP, [k + 2, "warning"]]]);
  const sounds = soundsOf([0, "a", [TRIP]], ...warned, [10_500, "a", [TRIP]]);
  assert.deepEqual(sounds, ["trip", "warning", "warning", "trip softly"]);
});

test("what was shelved sounds when it speaks again", () => {
  const steps = [
    [0, "a", []],
    [4000, "a", [WARNING]],
    [8000, "a", [[1, ""]]],
    [12_000, "a", [WARNING]],
    [40_000, "a", [[1, ""]]],
  ];
  assert.deepEqual(soundsOf(...steps), ["", "warning", "", "warning", ""]);
});

test("another recording counts its alerts anew; switching on makes old news of what is open", () => {
  assert.deepEqual(soundsOf([0, "a", [WARNING]], [4000, "b", [WARNING]]), ["", "warning"]);
  const steps = [
    [0, "a", []],
    [4000, "a", [], true],
    [5000, "a", [WARNING]],
    [9000, "a", [TRIP, WARNING], true],
  ];
  assert.deepEqual(soundsOf(...steps), ["", "", "warning", "trip"]);
});

test("what is beyond a level is tinted, up to the next that is no less bad", () => {
  const warning = (at) => ({ at, off: at - 3, mark: "abnormal", severity: "warning" });
  const trip = (at) => ({ at, off: at - 4, mark: "danger", severity: "trip" });
  const limits = [warning(60), warning(70), trip(80), warning(85)];
  assert.deepEqual(
    limits.map((limit) => tintEnd(limit, limits, 90)),
    [70, 80, 90, 85],
  );
});

test("a joint is drawn by a free pen, and the others keep theirs", () => {
  assert.deepEqual(toggled(["a", "", "c"], "b"), ["a", "b", "c", ""]);
  assert.deepEqual(toggled(["a", "b", "c"], "b"), ["a", "", "c", ""]);
  assert.equal(toggled(["a", "b", "c", "d"], "e"), null);
  assert.deepEqual(toggled(["a", "b", "c", "d"], "d"), ["a", "b", "c", ""]);
});

test("what somebody wants to see is drawn in place of the last, if there is no other", () => {
  assert.deepEqual(withJoint(["a", "", "c", ""], "e"), ["a", "e", "c", ""]);
  assert.deepEqual(withJoint(["a", "b", "c", "d"], "e"), ["a", "b", "c", "e"]);
  assert.deepEqual(withJoint(["a", "b", "c", "d"], "b"), ["a", "b", "c", "d"]);
  const joints = [
    { name: "x", pen: 0 },
    { name: "y", pen: 3 },
    { name: "z", pen: 1 },
  ];
  assert.deepEqual(slotsOf(joints), ["z", "", "y", ""]);
});
