// @ts-check
/* The levels of a limit as lines over its lanes: dragged with a pointer, moved with the arrow keys. */
import { clamp, svg } from "../dom.mjs";
import { formatNumber } from "../format.mjs";
import { spreadLabels } from "../labels.mjs";

const LABELS_APART_PX = 12;
const REACH_PX = 7;

/** A value with four digits: a level of a thousandth of a radian is one. @param {number} value */
export function levelText(value) {
  const size = Math.abs(value);
  if (size >= 1e6 || (size > 0 && size < 1e-4)) return value.toPrecision(3).replace("-", "−");
  const text = formatNumber(value, size >= 100 ? 1 : size >= 1 ? 2 : 4);
  return text.includes(".") ? text.replace(/\.?0+$/, "") : text;
}

/** The handles on the levels. */
export class LevelHandles {
  /** @param {import("./lanes.mjs").ResultLanes} lanes */
  constructor(lanes) {
    this.lanes = lanes;
  }

  /**
   * Which level of a lane the keyboard is at: what is drawn anew goes on from there.
   * @param {import("./lanes.mjs").LaneRow} row
   */
  focused(row) {
    const at = /** @type {any} */ (document.activeElement);
    return at && row.layer.contains(at) ? at.dataset.grip : null;
  }

  /** @param {import("./lanes.mjs").LaneRow} row @param {number} i @param {string | null} [focused] */
  draw(row, i, focused = this.focused(row)) {
    const { scale, chosen } = this.lanes;
    const group = row.levels;
    const seen = new Set();
    /** @type {{y: number, text: string}[]} */
    const labels = [];
    group.replaceChildren();
    (chosen.levels?.[i] || []).forEach((/** @type {any[]} */ joint, /** @type {number} */ j) => {
      for (const level of joint) {
        const isSplit = joint.length > 1 && level.place === null;
        for (const at of level.mirrored ? [level.at, -level.at] : [level.at]) {
          const y = scale.y(at);
          const key = Math.round(y * 2) + level.key;
          if (seen.has(key) || y < scale.top - 6 || y > scale.height + 1) continue;
          seen.add(key);
          const cls = level.off ? "level off" : "level ";
          group.append(svg("line", { class: cls, x1: 0, x2: row.width, y1: y, y2: y }));
          group.append(this.grip(row, i, j, level, at, isSplit));
          if (!level.off) labels.push({ y, text: this.text(at) });
        }
      }
    });
    const places = spreadLabels(
      labels.map(({ y }) => y),
      LABELS_APART_PX,
      scale.top - 6,
      scale.height,
    );
    labels.forEach(({ text }, k) => {
      group.append(svg("text", { class: "limit halo", x: row.width + 10, y: places[k] + 4 }, text));
    });
    if (!focused) return;
    const again = /** @type {any[]} */ ([...group.children]).find((grip) => grip.dataset.grip === focused);
    again?.focus({ preventScroll: true });
  }

  /**
   * What a level is taken by. The level is taken on the right, its drop-off on the left: they may lie close.
   * @param {import("./lanes.mjs").LaneRow} row
   * @param {number} i
   * @param {number} j
   * @param {import("./scale.mjs").Level} level
   * @param {number} at
   * @param {boolean} isSplit
   */
  grip(row, i, j, level, at, isSplit) {
    const { scale, chosen } = this.lanes;
    const factor = chosen.factor || 1;
    const isMirror = at !== level.at;
    const y = scale.y(at);
    const grip = svg("g", {
      class: level.off ? "grip off" : "grip",
      tabindex: isMirror ? -1 : 0,
      role: "slider",
      "aria-label": this.label(level, i),
      "aria-orientation": "vertical",
      "aria-valuenow": level.at * factor,
      "aria-valuemin": scale.low * factor,
      "aria-valuemax": scale.high * factor,
      "aria-valuetext": this.text(level.at),
      "data-grip": [j, level.key, level.place, at < 0 ? "-" : ""].join("."),
    });
    const half = row.width / 2;
    const x = isSplit && !level.off ? half : 0;
    const size = { width: isSplit ? half : row.width, height: 2 * REACH_PX };
    const tab = level.off ? `M0,${y}l-6,-5v10z` : `M${row.width},${y}l6,-5v10z`;
    grip.append(svg("rect", { class: "reach", x, y: y - REACH_PX, ...size }), svg("path", { class: "tab", d: tab }));
    grip.onpointerdown = (event) => this.drag(event, row, level, at < 0 && level.mirrored ? -1 : 1);
    grip.onkeydown = (event) => this.pressKey(event, level);
    return grip;
  }

  /** @param {import("./scale.mjs").Level} level @param {number} i */
  label({ key, place }, i) {
    const { page, lanes } = this.lanes;
    const side = place === null ? "" : place ? ", upper" : ", lower";
    return page.keyLabel(key) + side + (lanes.length > 1 ? ", " + lanes[i].name : "");
  }

  /** @param {number} at */
  text(at) {
    const { factor, unit } = this.lanes.chosen;
    return levelText(at * (factor || 1)) + (unit ? " " + unit : "");
  }

  /**
   * Moves a level with the pointer. A page that was scrolled meanwhile, and another finger, move no level; a
   * drag that the browser ends leaves it where it was last; a press alone leaves it as it was typed.
   * @param {PointerEvent} down
   * @param {import("./lanes.mjs").LaneRow} row
   * @param {import("./scale.mjs").Level} level
   * @param {number} sign -1 where the mirrored line is dragged
   */
  drag(down, row, level, sign) {
    if (down.button) return;
    down.preventDefault();
    const { lanes } = this;
    if (lanes.isDragging) return;
    lanes.isDragging = true;
    const ended = new AbortController();
    let last = level.at / level.scale;
    let hasMoved = false;
    const valueAt = (/** @type {PointerEvent} */ event) => {
      const value = sign * lanes.scale.value(event.clientY - row.layer.getBoundingClientRect().top);
      return lanes.scale.round(clamp(value, level.mirrored ? 0 : -Infinity, Infinity)) / level.scale;
    };
    const move = (/** @type {PointerEvent} */ event) => {
      if (event.pointerId !== down.pointerId || (!hasMoved && event.clientY === down.clientY)) return;
      if (event.cancelable) event.preventDefault();
      hasMoved = true;
      last = valueAt(event);
      lanes.page.answers.moveLevel(level, last, false);
    };
    const release = (/** @type {PointerEvent} */ event) => {
      if (event.pointerId !== down.pointerId) return;
      ended.abort();
      lanes.isDragging = false;
      lanes.page.answers.moveLevel(level, event.type === "pointerup" && hasMoved ? valueAt(event) : last, true);
    };
    addEventListener("pointermove", move, { signal: ended.signal });
    for (const kind of /** @type {const} */ (["pointerup", "pointercancel"]))
      addEventListener(kind, release, { signal: ended.signal });
  }

  /** @param {KeyboardEvent} event @param {import("./scale.mjs").Level} level */
  pressKey(event, level) {
    const way = event.key === "ArrowUp" ? 1 : event.key === "ArrowDown" ? -1 : 0;
    if (!way) return;
    event.preventDefault();
    event.stopPropagation();
    const { page, scale } = this.lanes;
    const by = way * scale.grain(60) * (event.shiftKey ? 10 : 1);
    page.answers.moveLevel(level, Number(((level.at + by) / level.scale).toPrecision(9)), true);
  }
}
