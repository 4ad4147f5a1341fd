// @ts-check
/* The ledger of the Live page: one row a joint, made once and filled with what changes. */
import { find, html, renderFact, setText, unitLabel, words } from "../dom.mjs";

/** @typedef {import("./messages.d.ts").JointStatus} JointStatus */
/** @typedef {import("./messages.d.ts").TemperatureLevel} TemperatureLevel */

/** @param {string} cls @param {(Node | string)[]} figure @param {string} label */
function cell(cls, figure, label) {
  return html("div", cls, [html("div", "fig", figure), html("div", "says", label)]);
}

/** @param {string} cls @param {string} [text] */
function span(cls, text) {
  return html("span", cls, text);
}

/**
 * The empty row of a joint.
 * @param {JointStatus} joint
 * @param {((name: string) => void) | null} toggle draws it, or no more, where not all are drawn
 */
export function makeJointRow(joint, toggle) {
  const row = html("div", "joint");
  row.dataset.joint = joint.name;
  const state = span("state");
  state.append(span("mark"), span("word"));
  const fault = [span("mark danger"), html("b", "fault", "Fault"), " ", span("value"), " ", html("small")];
  const drive = [span("who", "drive "), html("b", "value"), " ", html("small")];
  const name = html("h2", "", toggle ? [drawButton(joint, toggle)] : [span("pen"), span("", joint.label)]);
  if (joint.label !== joint.name) name.title = joint.name;
  const when = cell("when", [span("value"), words(" "), html("small")], "");
  when.append(html("div", "model"));
  row.append(
    html("div", "id", [name, html("div", "", [state, span("under")])]),
    html("div", "temp", [html("div", "far", [span("value"), unitLabel("°C")]), html("div", "says")]),
    html("div", "reach"),
    when,
    cell("rms", [span("value"), words(" "), html("small"), unitLabel("N·m")], "RMS torque, 1 min"),
    cell("other", [span("value"), unitLabel("°C")], joint.other ? joint.other.label : ""),
    cell("age", [span("value"), unitLabel("s")], "last frame"),
    html("div", "drive", [html("span", "drive-state", drive), html("span", "drive-fault", fault)]),
  );
  if (!joint.other) find(row, ".other").style.visibility = "hidden";
  return row;
}

/** The name of a joint as a button that draws it. @param {JointStatus} joint @param {(name: string) => void} toggle */
function drawButton(joint, toggle) {
  const button = html("button", "draws", [span("pen"), span("", joint.label)]);
  button.onclick = () => toggle(joint.name);
  return button;
}

/** Puts what is so into a joint's row. @param {HTMLElement} row @param {JointStatus} joint */
export function fillJointRow(row, joint) {
  const look = `joint pen-${joint.pen}${joint.stale ? " stale" : ""}`;
  if (row.className !== look) row.className = look;
  row.querySelector(".draws")?.setAttribute("aria-pressed", String(joint.pen > 0));
  const state = find(row, ".state");
  if (state.dataset.is !== joint.mark) {
    state.dataset.is = joint.mark;
    state.className = "state " + joint.mark;
    find(state, ".mark").className = "mark " + joint.mark;
  }
  const { limit_time, other, age } = joint;
  /** @type {[string, string][]} */
  const texts = [
    [".word", joint.state],
    [".under", joint.under],
    [".temp .value", joint.temperature],
    [".temp .says", joint.place],
    [".when .value", limit_time.value],
    [".when small", limit_time.detail],
    [".when .says", limit_time.label],
    [".when .model", limit_time.model || ""],
    [".rms .value", joint.rms],
    [".rms small", joint.rated],
    [".age .value", age[0]],
    [".age i.u", age[1]],
  ];
  if (other) texts.push([".other .value", other.value]);
  for (const [selector, text] of texts) setText(row.querySelector(selector), text);
  renderScale(find(row, ".reach"), joint.range);
  fillDrive(find(row, ".drive"), joint.drive || {});
}

/**
 * What the drive reports of itself: nothing, a state, a fault or that there is none.
 * @param {HTMLElement} host
 * @param {import("./messages.d.ts").DriveStatus} drive
 */
function fillDrive(host, drive) {
  const state = find(host, ".drive-state");
  const fault = find(host, ".drive-fault");
  const isFaulty = Boolean(drive.fault);
  state.hidden = !drive.state;
  fault.hidden = !isFaulty && !drive.calm;
  fault.classList.toggle("stands", isFaulty);
  find(fault, ".mark").hidden = find(fault, ".fault").hidden = !isFaulty;
  setText(find(state, ".value"), drive.state || "");
  setText(find(state, "small"), drive.state_age || "");
  setText(find(fault, ".value"), drive.fault || drive.calm || "");
  setText(find(fault, "small"), drive.fault_age || "");
}

/**
 * Which temperatures are written under the scale.
 * @param {TemperatureLevel[]} limits
 * @param {number} low
 * @param {number} high
 */
function scaleLabels(limits, low, high) {
  const labelled = new Set();
  for (let value = low; value <= high; value += 10) {
    const isLimit = limits.some((limit) => Math.abs(limit.at - value) < 1);
    const isNear = limits.some((limit) => Math.abs(limit.at - value) < 8);
    if ((value % 20 === 0 && !isNear) || isLimit) labelled.add(value);
  }
  for (const { at } of limits) if (![...labelled].some((value) => Math.abs(value - at) < 6)) labelled.add(at);
  return [...labelled].sort((a, b) => a - b);
}

/**
 * Where the tint that begins at a level ends: at the next one that is no less bad, else at the scale's end.
 * Nothing is tinted beyond a worse one.
 * @param {TemperatureLevel} limit
 * @param {TemperatureLevel[]} limits
 * @param {number} high
 */
export function tintEnd(limit, limits, high) {
  const rank = (/** @type {TemperatureLevel} */ { mark }) => (mark === "danger" ? 1 : 0);
  if (limits.some((other) => rank(other) > rank(limit) && other.at <= limit.at)) return limit.at;
  const next = limits.filter((other) => other.at > limit.at && rank(other) >= rank(limit)).map((other) => other.at);
  return Math.min(high, ...next);
}

/**
 * Where the temperature is between ambient and its limits.
 * @param {HTMLElement} host
 * @param {import("./messages.d.ts").TemperatureScale} scale
 */
function renderScale(host, scale) {
  const { low, high, limits, now, will } = scale;
  const share = (/** @type {number} */ value) => Math.min(100, Math.max(0, ((value - low) / (high - low)) * 100));
  /** @param {HTMLElement} part @param {number} left @param {number} [right] */
  const placed = (part, left, right) => {
    part.style.left = share(left) + "%";
    if (right !== undefined) part.style.width = Math.max(0, share(right) - share(left)) + "%";
    return part;
  };
  renderFact(host, scale, () => {
    const parts = [span("base")];
    for (const limit of limits) {
      const top = placed(span("top mark " + limit.mark), limit.at);
      top.style.position = "absolute";
      parts.push(placed(span("band " + limit.mark), limit.at, tintEnd(limit, limits, high)));
      if (limit.off < limit.at) parts.push(placed(span("at off"), limit.off));
      parts.push(placed(span("at lim"), limit.at), top);
    }
    for (let value = low; value <= high; value += 10) parts.push(placed(span("at"), value));
    const labels = scaleLabels(limits, low, high).map((value) => placed(html("b", "", String(value)), value));
    if (now === undefined) return [...parts, ...labels];
    const went = span("went");
    went.style.width = share(now) + "%";
    const ahead = will ? [placed(span("will"), now, will)] : [];
    return [...parts, ...labels, went, placed(span("tip"), now), ...ahead];
  });
  host.setAttribute("role", "img");
  const spoken = [now === undefined ? "no temperature" : now + " °C"];
  spoken.push(limits.map((limit) => limit.severity + " at " + limit.at).join(", "));
  host.setAttribute("aria-label", spoken.join("; "));
}
