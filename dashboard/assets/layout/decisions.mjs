// @ts-check
/* What a person decides of each value: confirmed, corrected or left out; and the layout that comes of it. */
import { decideLayout } from "../api.mjs";
import { button, html, renderFact, saveText } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Decision} Decision */
/** @typedef {import("./answers.d.ts").FoundValue} FoundValue */
/** @typedef {import("./answers.d.ts").FoundProposal} FoundProposal */
/** @typedef {import("./answers.d.ts").MadeLayout} MadeLayout */

const TOML = "application/toml";

/** The decisions about one proposal. */
export class Decisions {
  /** @param {HTMLElement} box where the layout is made @param {AbortSignal} signal */
  constructor(box, signal) {
    this.box = box;
    this.signal = signal;
    /** @type {FoundProposal | null} */
    this.proposal = null;
    /** @type {Map<number, Decision>} */
    this.made = new Map();
    this.name = "found-drive";
    this.by = "";
  }

  /** Begins anew where it is another proposal. @param {FoundProposal} proposal */
  take(proposal) {
    const is = JSON.stringify(proposal.file);
    if (this.box.dataset.of === is) return;
    this.box.dataset.of = is;
    this.proposal = proposal;
    this.made.clear();
    for (const value of proposal.values)
      if (!value.channel || !value.expressible) this.made.set(value.number, asDecided(value, "left out"));
    this.renderMaking("");
  }

  /** The fields of one value. @param {FoundValue} value */
  fields(value) {
    const channel = html("input");
    channel.value = value.channel;
    channel.size = 22;
    channel.setAttribute("aria-label", `Channel of value ${value.number}`);
    const scale = numberField(value.scale, `Scale of value ${value.number}`);
    const offset = numberField(value.offset, `Offset of value ${value.number}`);
    const texts = html("div", "found-keys", [
      html("label", "", [html("span", "", "channel"), channel]),
      html("label", "", [html("span", "", `scale, ${value.unit || "unit"} a count`), scale]),
      html("label", "", [html("span", "", "offset"), offset]),
    ]);
    const choices = html("div", "choices");
    const states = /** @type {["confirmed" | "left out", string][]} */ ([
      ["confirmed", "Confirm"],
      ["left out", "Leave out"],
    ]);
    const render = () => {
      const state = this.made.get(value.number)?.state;
      for (const one of choices.children) one.setAttribute("aria-pressed", String(one.textContent === words(state)));
      choices.dataset.state = state || "open";
    };
    const words = (/** @type {string | undefined} */ state) => states.find(([name]) => name === state)?.[1] || "";
    const read = (/** @type {"confirmed" | "left out"} */ state) => {
      this.made.set(value.number, {
        number: value.number,
        state,
        channel: channel.value.trim(),
        scale: typedNumber(scale, value.scale),
        offset: typedNumber(offset, value.offset) ?? 0,
      });
      render();
      this.renderMaking("");
    };
    for (const [state, text] of states) choices.append(button(text, () => read(state)));
    /* What was confirmed is read again: as it stands now is what is meant. */
    for (const field of [channel, scale, offset])
      field.onchange = () => this.made.get(value.number)?.state === "confirmed" && read("confirmed");
    render();
    return html("div", "decides", [texts, choices]);
  }

  /** How many values nobody has decided about. */
  get open() {
    return (this.proposal?.values || []).filter(({ number }) => !this.made.has(number)).length;
  }

  /** @param {string} refused @param {MadeLayout | null} [made] */
  renderMaking(refused, made = null) {
    const { open } = this;
    renderFact(this.box, [open, refused, made, this.box.dataset.of, [...this.made.values()]], () => {
      const name = textField("Name of the layout", this.name, (text) => (this.name = text));
      const by = textField("Decided by", this.by, (text) => (this.by = text));
      const does = button("Make the layout", () => this.make(), "asked");
      does.id = "found-make";
      const left = open ? `${open} values are not decided yet.` : "Every value is decided.";
      const row = html("div", "does", [name, by, does, html("small", "", left)]);
      return [row, ...(refused ? [html("div", "refused", refused)] : []), ...(made ? madeParts(made) : [])];
    });
  }

  async make() {
    if (!this.proposal) return;
    const decisions = [...this.made.values()];
    try {
      const asked = { file: this.proposal.file, name: this.name, by: this.by, decisions };
      this.renderMaking("", await decideLayout(asked, this.signal));
    } catch (fault) {
      this.renderMaking(/** @type {any} */ (fault).message);
    }
  }
}

/** @param {FoundValue} value @param {"confirmed" | "left out"} state @returns {Decision} */
function asDecided({ number, channel, scale, offset }, state) {
  return { number, state, channel, scale, offset };
}

/** A number as it is shown: what was found has no more digits than mean something. @param {number | null} value */
function shownNumber(value) {
  return value === null ? "" : String(Number(value.toPrecision(6)));
}

/**
 * What a field says; what nobody changed is as it was found.
 * @param {HTMLInputElement} field
 * @param {number | null} found
 */
function typedNumber(field, found) {
  const text = field.value.trim();
  if (text === shownNumber(found)) return found;
  return text === "" ? null : Number(text.replace(",", "."));
}

/** @param {number | null} value @param {string} words */
function numberField(value, words) {
  const input = html("input");
  input.inputMode = "decimal";
  input.value = shownNumber(value);
  input.size = 12;
  input.setAttribute("aria-label", words);
  return input;
}

/** @param {string} words @param {string} text @param {(text: string) => void} does */
function textField(words, text, does) {
  const input = html("input");
  input.value = text;
  input.oninput = () => does(input.value);
  return html("label", "reading", [html("span", "", words), input]);
}

/** @param {MadeLayout} made */
function madeParts(made) {
  const save = button(`Save ${made.name}.toml`, () => saveText(made.layout, `${made.name}.toml`, TOML));
  const proposal = button("Save the proposal too", () => saveText(made.proposal, `${made.name}.proposed.toml`, TOML));
  const bench = made.bench.length
    ? [html("p", "", "The bench file has to say of this joint:"), html("pre", "", made.bench.join("\n"))]
    : [];
  const text = html("pre", "made-layout", made.layout);
  text.tabIndex = 0;
  text.setAttribute("aria-label", "The layout");
  const then = html("p", "hint", [
    "Put it beside the bench file, name it there as the joint's layout, and decode what was recorded: ",
    html("code", "", "dutytrace redecode RECORDING --bench bench.toml"),
  ]);
  return [html("div", "does", [save, proposal]), ...bench, text, then];
}
