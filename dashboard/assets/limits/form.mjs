// @ts-check
/* The forms of the Limits page: the list of limits, what can be set about one, and the sentence that says
   what a bad end is. What is typed goes to the page, which asks; what was found is shown beside it. */
import { button, find, findAll, html, setText, words } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").FormKey} FormKey */
/** @typedef {import("./answers.d.ts").Mistake} Mistake */

/**
 * A select; what is set and not among the options is one all the same, for an empty box would hide it.
 * @param {[string, string][]} options value and words
 * @param {string} value
 * @param {string} label
 * @param {(value: string) => void} changed
 */
export function makeSelect(options, value, label, changed) {
  const isKnown = !value || options.some(([one]) => one === value);
  /** @type {[string, string][]} */
  const all = isKnown ? options : [...options, [value, value + " (not there)"]];
  const select = html(
    "select",
    "",
    all.map(([one, text]) => {
      const option = html("option", "", text);
      option.value = one;
      return option;
    }),
  );
  select.value = value;
  select.setAttribute("aria-label", label);
  select.onchange = () => changed(select.value);
  return select;
}

/**
 * A box for a number; empty is null.
 * @param {number | null | undefined} value
 * @param {string} label
 * @param {(value: number | null) => void} changed
 * @param {string} [placeholder]
 */
export function makeNumberBox(value, label, changed, placeholder) {
  const box = html("input");
  box.type = "number";
  box.step = "any";
  box.inputMode = "decimal";
  if (value !== undefined && value !== null) box.value = String(value);
  if (placeholder !== undefined) box.placeholder = placeholder;
  box.setAttribute("aria-label", label);
  box.oninput = () => {
    const number = Number(box.value);
    changed(box.value === "" || !Number.isFinite(number) ? null : number);
  };
  return box;
}

/** @param {string} value @param {string} label @param {(value: string) => void} changed */
function makeTextBox(value, label, changed) {
  const box = html("input");
  box.type = "text";
  box.value = value;
  box.setAttribute("aria-label", label);
  box.oninput = () => changed(box.value);
  return box;
}

/** The list of limits; the open one has its form. */
export class LimitForms {
  /** @param {HTMLElement} host @param {import("./page.mjs").LimitsPage} page */
  constructor(host, page) {
    this.host = host;
    this.page = page;
    /** @type {{box: HTMLElement, head: HTMLElement}[]} */
    this.rows = [];
    /** What the open limit does, as a sentence. */
    this.sentence = html("p", "sentence-of");
  }

  build() {
    const { tables, chosen } = this.page.draft;
    this.rows = tables.map((table, i) => this.row(table, i, i === chosen));
    this.host.replaceChildren(...this.rows.map((row) => row.box));
    if (!tables.length) {
      const none = "There are none yet. Add one, or begin with those of a recording.";
      this.host.append(html("p", "none-found", none));
    }
    this.renderResults();
  }

  /** @param {any} table @param {number} i @param {boolean} isOpen */
  row(table, i, isOpen) {
    const toggle = () => this.page.chooseLimit(i === this.page.draft.chosen ? -1 : i);
    const head = button("", toggle, "limit-head");
    head.append(html("span", "mark none"), html("span", "words", table.name), html("span", "says"));
    head.setAttribute("aria-expanded", String(isOpen));
    const box = html("div", isOpen ? "limit open" : "limit", [head]);
    if (isOpen) box.append(this.form(table, i));
    return { box, head };
  }

  /** @param {number} i @param {string} name */
  rename(i, name) {
    setText(find(this.rows[i].head, ".words"), name);
  }

  /** Shows what was found of each limit, and what is to be mended where it is. */
  renderResults() {
    const { draft } = this.page;
    const { results, mistakes } = this.page.answers;
    this.rows.forEach(({ head }, i) => {
      const result = results[i];
      if (!result) return;
      find(head, ".mark").className = "mark " + result.mark;
      setText(find(head, ".says"), result.label + (result.joint ? ", " + this.page.labelOf(result.joint) : ""));
    });
    const chosen = results[draft.chosen];
    if (chosen) setText(this.sentence, chosen.sentence);
    for (const line of findAll(this.host, ".mistake")) line.remove();
    for (const mistake of mistakes) this.renderMistake(mistake);
  }

  /** @param {Mistake} mistake */
  renderMistake({ index, key, text }) {
    const sentence = ` ${key ? key + ": " : ""}${text}`;
    const line = html("p", "mistake", [html("span", "mark abnormal"), words(sentence)]);
    const row = this.rows[index];
    const field = row && key && row.box.querySelector(`[data-key="${CSS.escape(key)}"]`);
    if (field) field.after(line);
    else if (row) row.box.append(line);
    else this.host.prepend(line);
  }

  /** A value was changed elsewhere, by a drag: the boxes follow, but not the one that is typed in. */
  follow() {
    const { table } = this.page.draft;
    if (!table) return;
    for (const element of findAll(this.host, "input[data-value]")) {
      const box = /** @type {HTMLInputElement} */ (element);
      if (box === document.activeElement) continue;
      const [key, place] = (box.dataset.value || "").split(".");
      const value = place === undefined ? table[key] : (table[key] || [])[place];
      const text = value === undefined ? "" : String(value);
      if (box.value !== text) box.value = text;
    }
  }

  /** @param {any} table @param {number} i */
  form(table, i) {
    const form = this.page.formOf(i);
    const set = (/** @type {string} */ key, /** @type {any} */ value) => this.page.setValue(i, key, value);
    this.sentence = html("p", "sentence-of");
    const severities = /** @type {[string, string][]} */ ([
      ["warning", "warns"],
      ["trip", "trips"],
    ]);
    const fields = [
      this.field(
        "name",
        "name",
        makeTextBox(table.name || "", "name", (value) => set("name", value)),
      ),
      this.field(
        "severity",
        "it",
        makeSelect(severities, table.severity, "severity", (v) => set("severity", v)),
      ),
    ];
    if (form && form.kind !== "bus") {
      const joints = this.page
        .joints()
        .map((joint) => /** @type {[string, string]} */ ([joint, this.page.labelOf(joint)]));
      const every = /** @type {[string, string]} */ (["", "every joint that carries it"]);
      const box = makeSelect([every, ...joints], table.joint || "", "joint", (value) => set("joint", value || null));
      fields.push(this.field("joint", "on", box));
    }
    for (const key of form?.keys || []) fields.push(this.keyField(key, table, i, set));
    const hint = form ? "" : html("p", "hint", "A limit on the recorder itself: kept as it is.");
    const remove = button("Take it out", () => this.page.removeLimit(i), "plain");
    return html("div", "limit-form", [this.sentence, ...fields, hint, remove]);
  }

  /**
   * A labelled box with its unit.
   * @param {string} key
   * @param {string} label
   * @param {HTMLElement} box
   * @param {string} [unit]
   */
  field(key, label, box, unit = "") {
    const name = html("label", "", label);
    const input = box.matches("input, select") ? box : find(box, "input");
    name.htmlFor = input.id = "judge-f-" + key;
    const line = html("div", "field", [name, html("span", "box", [box, html("i", "u", unit)])]);
    line.dataset.key = key;
    return line;
  }

  /**
   * The field of a key by what can be set there.
   * @param {FormKey} key as the form describes it
   * @param {any} table
   * @param {number} i
   * @param {(key: string, value: any) => void} set
   */
  keyField(key, table, i, set) {
    const value = table[key.key];
    const unit = this.unit(key.unit, table);
    const choose = (
      /** @type {[string, string][]} */ options,
      /** @type {string} */ now,
      /** @type {any} */ changed,
    ) => this.field(key.key, key.label, makeSelect(options, now, key.label, changed));
    if (key.type === "channel") {
      const channels = this.page.knownChannels().map(({ channel, label }) => [channel, label]);
      return choose(/** @type {any} */ (channels), value || key.default || "", (/** @type {string} */ chosen) => {
        set(key.key, chosen);
        this.build();
      });
    }
    if (key.type === "choice") {
      const choices = (key.choices || []).map((one) => /** @type {[string, string]} */ ([one, one]));
      return choose(choices, value || key.default || "", (/** @type {string} */ chosen) => set(key.key, chosen));
    }
    if (key.type === "yes") {
      const answers = /** @type {[string, string][]} */ ([
        ["", "as the channel is"],
        ["true", "yes"],
        ["false", "no"],
      ]);
      const now = value === undefined ? "" : String(value);
      return choose(answers, now, (/** @type {string} */ yes) => set(key.key, yes === "" ? null : yes === "true"));
    }
    if (key.type === "pair") return this.field(key.key, key.label, this.pairBox(key, value || [], i, set), unit);
    const placeholder = key.default === undefined ? "–" : String(key.default);
    const box = makeNumberBox(value, key.label, (number) => set(key.key, number), placeholder);
    box.dataset.value = key.key;
    return this.field(key.key, key.label, box, unit);
  }

  /**
   * @param {FormKey} key
   * @param {(number | null)[]} pair
   * @param {number} i
   * @param {(key: string, value: any) => void} set
   */
  pairBox(key, pair, i, set) {
    const boxes = [0, 1].map((place) => {
      const label = key.label + (place ? ", to" : ", from");
      const box = makeNumberBox(pair[place], label, (number) => {
        const both = (this.page.draft.tables[i][key.key] || [null, null]).slice();
        both[place] = number;
        set(key.key, both.every((/** @type {any} */ one) => one === null) ? null : both);
      });
      box.dataset.value = key.key + "." + place;
      return box;
    });
    return html("span", "pair", boxes);
  }

  /**
   * The unit of a key, which may be that of the limit's channel.
   * @param {string} unit
   * @param {any} table
   * @returns {string}
   */
  unit(unit, table) {
    const unitOf = (/** @type {string} */ key) => {
      const name = table[key] || "temperature_housing_degC";
      return this.page.knownChannels().find((one) => one.channel === name)?.unit || "";
    };
    if (unit === "channel" || unit === "load") return unitOf(unit);
    /* A difference of temperatures is one of kelvin. */
    if (unit === "channel/min") return unitOf("channel").replace("°C", "K") + "/min";
    return unit;
  }
}

/** What counts as a bad end, as a sentence with its blanks. */
export class BadEndForm {
  /** @param {HTMLElement} host @param {import("./page.mjs").LimitsPage} page */
  constructor(host, page) {
    this.host = host;
    this.page = page;
    this.mistake = html("p", "mistake");
  }

  build() {
    const { bad } = this.page.draft;
    const ways = /** @type {[string, string][]} */ ([
      ["none", "not said"],
      ["above", "a level that is reached upwards"],
      ["below", "a level that is reached downwards"],
      ["note", "a note"],
    ]);
    const way = makeSelect(ways, bad.way, "what a bad end is", (value) => {
      this.set("way", value);
      this.build();
    });
    const blanks =
      bad.way === "note"
        ? this.noteParts()
        : bad.way === "none"
          ? [": then nothing is caught or false, and what is raised is only counted."]
          : this.levelParts();
    const counts = bad.way === "none" ? [] : this.countParts();
    this.mistake = html("p", "mistake");
    this.mistake.hidden = true;
    this.host.replaceChildren(html("b", "", "A bad end"), " is ", way, ...blanks, ...counts, this.mistake);
  }

  /** @param {string} key @param {any} value */
  set(key, value) {
    Object.assign(this.page.draft.bad, { [key]: value });
    this.page.changeBadEnd();
  }

  /**
   * @param {"level" | "for_s" | "length_s" | "within_s" | "least_lead_s"} key
   * @param {string} label
   * @param {string} [placeholder]
   */
  number(key, label, placeholder) {
    return makeNumberBox(this.page.draft.bad[key], label, (value) => this.set(key, value), placeholder);
  }

  levelParts() {
    const { bad } = this.page.draft;
    const known = this.page.knownChannels();
    const channels = known.map(({ channel, label }) => /** @type {[string, string]} */ ([channel, label]));
    const joints = this.page
      .joints()
      .map((joint) => /** @type {[string, string]} */ ([joint, this.page.labelOf(joint)]));
    const channel = makeSelect(channels, bad.channel, "channel of the bad end", (value) => {
      this.set("channel", value);
      this.build();
    });
    const each = /** @type {[string, string]} */ (["", "each joint for itself"]);
    const label = "joint of the bad end";
    const joint = makeSelect([each, ...joints], bad.joint, label, (value) => this.set("joint", value));
    const unit = known.find((one) => one.channel === bad.channel)?.unit || "";
    const level = this.number("level", "level of the bad end");
    const length = this.number("for_s", "for seconds");
    return [": ", channel, " of ", joint, ` ${bad.way} `, level, ` ${unit} for `, length, " s. "];
  }

  noteParts() {
    const note = makeTextBox(this.page.draft.bad.note, "text of the note", (value) => this.set("note", value));
    return [" that says ", note, ", from there for ", this.number("length_s", "length in seconds"), " s. "];
  }

  countParts() {
    const within = this.number("within_s", "within seconds before", "any");
    const least = this.number("least_lead_s", "at least seconds before", "0");
    return ["An alert counts for it within ", within, " s before, and at least ", least, " s before."];
  }

  /** @param {string} sentence empty for none */
  renderMistake(sentence) {
    this.mistake.hidden = !sentence;
    setText(this.mistake, sentence);
  }
}
