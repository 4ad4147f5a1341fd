/* The forms of the Limits page: the list of limits, what can be set about one, and the sentence that says
   what a bad end is. Everything that is typed goes through `changed`; the page asks and answers. */
(function () {
  "use strict";
  const D = window.dutytrace, { el, put } = D;

  /* What is set and not among the options is one all the same: an empty box would hide it. */
  function select(options, value, changed, label) {
    if (value && !options.some(([v]) => v === value)) options = [...options, [value, value + " (not there)"]];
    const box = el("select", "", options.map(([v, words]) => { const o = el("option", "", words); o.value = v; return o; }));
    box.value = value;
    if (label) box.setAttribute("aria-label", label);
    box.onchange = () => changed(box.value);
    return box;
  }
  function numberBox(value, changed, label, placeholder) {
    const box = el("input");
    box.type = "number"; box.step = "any"; box.inputMode = "decimal";
    if (value !== undefined && value !== null) box.value = value;
    if (placeholder !== undefined) box.placeholder = placeholder;
    box.setAttribute("aria-label", label);
    box.oninput = () => changed(box.value === "" || !isFinite(Number(box.value)) ? null : Number(box.value));
    return box;
  }
  function textBox(value, changed, label) {
    const box = el("input");
    box.type = "text"; box.value = value || ""; box.setAttribute("aria-label", label);
    box.oninput = () => changed(box.value);
    return box;
  }

  /* The list of limits; the chosen one is open. `desk` keeps the state and does what is asked. */
  class LimitForms {
    constructor(host, desk) { this.host = host; this.desk = desk; }
    build() {
      const { tables, chosen } = this.desk;
      this.rows = tables.map((table, i) => {
        const head = el("button", "limit-head", [el("span", "mark none"), el("span", "words", table.name), el("span", "says")]);
        head.setAttribute("aria-expanded", String(i === chosen));
        head.onclick = () => this.desk.choose(i === this.desk.chosen ? -1 : i);
        const box = el("div", "limit" + (i === chosen ? " open" : ""), [head]);
        if (i === chosen) box.append(this.form(table, i));
        return { box, head };
      });
      this.host.replaceChildren(...this.rows.map((r) => r.box));
      if (!tables.length) this.host.append(el("p", "none-found", "There are none yet. Add one, or begin with those of a recording."));
      this.tell();
    }
    tell() {
      const said = this.desk.said || [];
      (this.rows || []).forEach((row, i) => {
        const told = said[i];
        if (!told) return;
        row.head.children[0].className = "mark " + told.mark;
        put(row.head.children[2], told.words + (told.of ? ", " + told.of : ""));
      });
      if (this.sentence && said[this.desk.chosen]) put(this.sentence, said[this.desk.chosen].sentence);
      for (const line of this.host.querySelectorAll(".mistake")) line.remove();
      for (const m of this.desk.mistakes || []) {
        const row = this.rows && this.rows[m.index], line = el("p", "mistake", [el("span", "mark abnormal"), document.createTextNode(" " + (m.key ? m.key + ": " : "") + m.said)]);
        const field = row && m.key && row.box.querySelector(`[data-key="${CSS.escape(m.key)}"]`);
        if (field) field.after(line); else if (row) row.box.append(line); else this.host.prepend(line);
      }
    }
    /* A value was changed elsewhere, by a drag: the boxes follow, but not the one that is typed in. */
    follow() {
      const table = this.desk.tables[this.desk.chosen];
      if (!table) return;
      for (const box of this.host.querySelectorAll("input[data-value]")) {
        if (box === document.activeElement) continue;
        const [key, place] = box.dataset.value.split("."), v = place === undefined ? table[key] : (table[key] || [])[place];
        const text = v === undefined ? "" : String(v);
        if (box.value !== text) box.value = text;
      }
    }
    form(table, i) {
      const form = this.desk.formOf(i), set = (key, v) => this.desk.set(i, key, v);
      this.sentence = el("p", "sentence-of");
      const fields = [];
      const field = (key, words, box, unit) => {
        const name = el("label", "", words), one = box.matches("input, select") ? box : box.querySelector("input");
        name.htmlFor = one.id = "judge-f-" + key;
        const line = el("div", "field", [name, el("span", "box", [box, el("i", "u", unit || "")])]);
        line.dataset.key = key; fields.push(line);
      };
      field("name", "name", textBox(table.name, (v) => set("name", v), "name"));
      field("severity", "it", select([["warning", "warns"], ["trip", "trips"]], table.severity, (v) => set("severity", v), "severity"));
      const joints = [["", "every joint that carries it"], ...this.desk.joints().map((j) => [j, j])];
      if (form && form.kind !== "bus") field("joint", "on", select(joints, table.joint || "", (v) => set("joint", v || null), "joint"));
      for (const k of form ? form.keys : []) {
        const unit = this.unit(k.unit, table);
        if (k.is === "channel") field(k.key, k.words, select(this.desk.channels().map((c) => [c.channel, c.words]), table[k.key] || k.default || "", (v) => { set(k.key, v); this.build(); }, k.words), "");
        else if (k.is === "choice") field(k.key, k.words, select(k.choices.map((c) => [c, c]), table[k.key] || k.default || "", (v) => set(k.key, v), k.words), "");
        else if (k.is === "yes") field(k.key, k.words, select([["", "as the channel is"], ["true", "yes"], ["false", "no"]], table[k.key] === undefined ? "" : String(table[k.key]), (v) => set(k.key, v === "" ? null : v === "true"), k.words), "");
        else if (k.is === "pair") {
          const pair = table[k.key] || [], boxes = [0, 1].map((p) => {
            const box = numberBox(pair[p], (v) => { const both = (this.desk.tables[i][k.key] || [null, null]).slice(); both[p] = v; set(k.key, both[0] === null && both[1] === null ? null : both); }, k.words + (p ? ", to" : ", from"));
            box.dataset.value = k.key + "." + p; return box;
          });
          field(k.key, k.words, el("span", "pair", boxes), unit);
        } else {
          const box = numberBox(table[k.key], (v) => set(k.key, v), k.words, k.default === undefined ? "–" : String(k.default));
          box.dataset.value = k.key;
          field(k.key, k.words, box, unit);
        }
      }
      const out = el("button", "plain", "Take it out");
      out.onclick = () => this.desk.remove(i);
      return el("div", "limit-form", [this.sentence, ...fields, form ? "" : el("p", "hint", "A limit on the recorder itself: kept as it is."), out]);
    }
    unit(unit, table) {
      const of = (key) => (this.desk.channels().find((c) => c.channel === (table[key] || "temperature_housing_degC")) || {}).unit || "";
      if (unit === "channel") return of("channel");
      if (unit === "load") return of("load");
      if (unit === "channel/min") return (of("channel") === "°C" ? "K" : of("channel")) + "/min";
      return unit;
    }
  }

  /* What counts as a bad end, as a sentence with its blanks. */
  class BadEnd {
    constructor(host, desk) { this.host = host; this.desk = desk; }
    build() {
      const b = this.desk.bad, set = (key, v) => { b[key] = v; this.desk.badChanged(); };
      const words = (text) => document.createTextNode(text);
      const way = select([["none", "not said"], ["above", "a level that is passed upwards"], ["below", "a level that is passed downwards"], ["note", "a note"]], b.way, (v) => { set("way", v); this.build(); }, "what a bad end is");
      const parts = [el("b", "", "A bad end"), words(" is "), way];
      const channel = this.desk.channels().find((c) => c.channel === b.channel);
      const where = select([["", "each joint for itself"], ...this.desk.joints().map((j) => [j, j])], b.joint || "", (v) => set("joint", v), "joint of the bad end");
      if (b.way === "above" || b.way === "below") {
        parts.push(words(": "), select(this.desk.channels().map((c) => [c.channel, c.words]), b.channel, (v) => { set("channel", v); this.build(); }, "channel of the bad end"),
          words(" of "), where, words(" " + b.way + " "), numberBox(b.level, (v) => set("level", v), "level of the bad end"), words(" " + (channel ? channel.unit : "") + " for "),
          numberBox(b.for_s, (v) => set("for_s", v), "for seconds"), words(" s. "));
      } else if (b.way === "note") {
        parts.push(words(" that says "), textBox(b.note, (v) => set("note", v), "text of the note"), words(", from there for "), numberBox(b.length_s, (v) => set("length_s", v), "length in seconds"), words(" s. "));
      } else parts.push(words(": then nothing is caught or false, and what is raised is only counted."));
      if (b.way !== "none") parts.push(words("An alert counts for it within "), numberBox(b.within_s, (v) => set("within_s", v), "within seconds before", "any"), words(" s before, and at least "),
        numberBox(b.least_lead_s, (v) => set("least_lead_s", v), "at least seconds before", "0"), words(" s before."));
      this.fault = el("p", "mistake"); this.fault.hidden = true;
      this.host.replaceChildren(...parts, this.fault);
    }
    tell(sentence) { if (this.fault) { this.fault.hidden = !sentence; put(this.fault, sentence || ""); } }
  }

  D.limitForms = { LimitForms, BadEnd, select, numberBox };
})();
