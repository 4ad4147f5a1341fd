// @ts-check
/* Many joints on the Live page: tiles, worst first, the most urgent in full and the others as one quiet line
   each. A tile is made once and keeps its element wherever it stands; a click or a key draws its joint. */
import { byId, find, findAll, html, renderFact, setText } from "../dom.mjs";
import { tintEnd } from "./joints.mjs";

/** @typedef {import("./messages.d.ts").Tiles} Tiles */
/** @typedef {import("./messages.d.ts").TileStatus} TileStatus */

/** @param {string} cls @param {string} [text] */
function span(cls, text) {
  return html("span", cls, text);
}

/** @param {TileStatus} joint @param {(name: string) => void} toggle */
function makeTile(joint, toggle) {
  const tile = html("button", "tile");
  tile.dataset.joint = joint.name;
  tile.onclick = () => toggle(joint.name);
  const state = span("state");
  state.append(span("mark"), span("word"));
  const far = span("far");
  far.append(span("value"), html("i", "u", "°C"));
  const when = span("when");
  when.append(html("b"), " ", html("small"), " ", span("label"), span("model"));
  const fault = span("fault");
  fault.append(span("mark danger"), html("b", "", "Fault"), " ", span("value"));
  const name = span("name words");
  name.append(span("pen"), span("label", joint.label));
  const stood = span("stood");
  stood.append(state, span("under"));
  tile.append(name, stood, far, span("rule"), when, span("reason"), fault);
  if (joint.label !== joint.name) tile.title = joint.name;
  return tile;
}

/** What a screen reader says of a tile. @param {TileStatus} joint */
function spokenTile({ label, state, temperature, pen, stale }) {
  const heat = temperature === "—" ? "no temperature" : `${stale ? "last known " : ""}${temperature} °C`;
  return `${label}: ${state}, ${heat}, ${pen ? "drawn" : "not drawn"}`;
}

/** @param {HTMLElement} tile @param {TileStatus} joint @param {Tiles} tiles */
function fillTile(tile, joint, tiles) {
  const { pen, mark, stale, limit_time, fault } = joint;
  const look = `tile pen-${pen}${stale ? " stale" : ""}`;
  if (tile.dataset.look !== look) {
    tile.dataset.look = look;
    tile.className = look;
    tile.setAttribute("aria-pressed", String(pen > 0));
  }
  const state = find(tile, ".state");
  if (state.dataset.is !== mark) {
    state.dataset.is = mark;
    state.className = "state " + mark;
    find(state, ".mark").className = "mark " + mark;
  }
  setText(find(state, ".word"), joint.state);
  setText(find(tile, ".under"), joint.under);
  setText(find(tile, ".far .value"), joint.temperature);
  setText(find(tile, ".when b"), limit_time?.value || "");
  setText(find(tile, ".when small"), limit_time?.detail || "");
  setText(find(tile, ".when .label"), limit_time?.label || "");
  setText(find(tile, ".when .model"), limit_time?.model || "");
  setText(find(tile, ".reason"), joint.reason || "");
  find(tile, ".fault").hidden = !fault;
  if (fault) setText(find(tile, ".fault .value"), fault);
  renderRule(find(tile, ".rule"), joint, tiles);
  const spoken = spokenTile(joint);
  if (tile.getAttribute("aria-label") !== spoken) tile.setAttribute("aria-label", spoken);
}

/**
 * The temperature on the scale of all joints: what is limited is made once, the bar moves.
 * @param {HTMLElement} host
 * @param {TileStatus} joint
 * @param {Tiles} tiles
 */
function renderRule(host, { limits, now, will }, { low, high }) {
  const share = (/** @type {number} */ value) => Math.min(100, Math.max(0, ((value - low) / (high - low)) * 100));
  renderFact(host, [limits, low, high], () => {
    const parts = [span("base")];
    for (const limit of limits) {
      const band = span("band " + limit.mark);
      band.style.left = share(limit.at) + "%";
      band.style.width = Math.max(0, share(tintEnd(limit, limits, high)) - share(limit.at)) + "%";
      const line = span("lim");
      line.style.left = share(limit.at) + "%";
      parts.push(band, line);
    }
    return [...parts, span("went"), span("will"), span("tip")];
  });
  const at = now === undefined ? "" : share(now).toFixed(1) + "%";
  if (host.dataset.at === `${at} ${will}`) return;
  host.dataset.at = `${at} ${will}`;
  const [went, ahead, tip] = [".went", ".will", ".tip"].map((part) => find(host, part));
  went.hidden = tip.hidden = now === undefined;
  went.style.width = tip.style.left = at;
  ahead.hidden = now === undefined || will === undefined;
  if (ahead.hidden) return;
  ahead.style.left = at;
  ahead.style.width = Math.max(0, share(will || 0) - share(now || 0)) + "%";
}

/**
 * Puts elements into a box in their order; none is moved that stands where it belongs.
 * @param {HTMLElement} box
 * @param {HTMLElement[]} wanted
 */
function place(box, wanted) {
  wanted.forEach((one, i) => {
    if (box.children[i] !== one) box.insertBefore(one, box.children[i] || null);
  });
}

/** The tiles of a bench with many joints. */
export class TileBoard {
  /** @param {import("../page.mjs").Page} page @param {(joint: string) => void} toggle draws a joint, or no more */
  constructor(page, toggle) {
    this.host = byId("live-tiles");
    this.toggle = toggle;
    /** @type {HTMLElement[]} */
    this.tiles = [];
    page.listen(this.host, "keydown", (event) => this.pressKey(event));
  }

  /** @param {Tiles | undefined} tiles none where there are few joints */
  render(tiles) {
    this.host.hidden = !tiles;
    if (!tiles) return;
    const { joints, order, full, summary, rest, rest_note } = tiles;
    const names = joints.map((joint) => [joint.name, joint.label]);
    renderFact(find(this.host, ".full"), names, () => {
      this.tiles = joints.map((joint) => makeTile(joint, this.toggle));
      find(this.host, ".quiet").replaceChildren();
      return [];
    });
    joints.forEach((joint, i) => fillTile(this.tiles[i], joint, tiles));
    this.arrange(
      order.map((i) => this.tiles[i]),
      full,
    );
    setText(find(this.host, ".summary"), summary);
    setText(find(this.host, ".rest"), rest);
    setText(find(this.host, ".rest-note"), rest_note);
    find(this.host, ".rest-head").hidden = !rest;
  }

  /**
   * Puts the tiles where they belong; the one that has the focus keeps it.
   * @param {HTMLElement[]} order
   * @param {number} full
   */
  arrange(order, full) {
    const focused = /** @type {HTMLElement | null} */ (document.activeElement);
    const [inFull, quiet] = [find(this.host, ".full"), find(this.host, ".quiet")];
    place(inFull, order.slice(0, full));
    place(quiet, order.slice(full));
    if (focused && focused !== document.activeElement && this.host.contains(focused))
      focused.focus({ preventScroll: true });
  }

  /** Goes to the most urgent joint. */
  focusFirst() {
    if (!this.host.hidden) find(this.host, ".tile").focus();
  }

  /** Arrow keys go from tile to tile. @param {KeyboardEvent} event */
  pressKey(event) {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (!step) return;
    const all = findAll(this.host, ".tile");
    const at = all.indexOf(/** @type {HTMLElement} */ (document.activeElement));
    if (at < 0) return;
    event.preventDefault();
    all[Math.min(Math.max(at + step, 0), all.length - 1)].focus();
  }
}
