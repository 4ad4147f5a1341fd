/* The lanes of the Limits page: one recording each, all on one scale in time and in value. What a limit
   measures, where it would have been raised, the bad ends, and its levels, which can be dragged. */
(function () {
  "use strict";
  const D = window.dutytrace, { el, put, clamp, make } = D;
  const TOP = 16, LOW = 4, LABEL = 66;

  class Lanes {
    /* `moved(handle, value, still)`: a level was dragged to a value of its key; `still` when let go.
       `keyWords(key)`: what the form calls it. */
    constructor(host, moved, opened, keyWords) { this.host = host; this.moved = moved; this.opened = opened; this.keyWords = keyWords; this.rows = []; }
    /* Nothing is shown until there is an answer again. */
    clear() { this.key = null; this.rows = []; this.chosen = this.lanes = null; this.host.replaceChildren(); }

    show(lanes, chosen, shapes) {
      this.chosen = chosen; this.shapes = shapes; this.lanes = lanes;
      const key = JSON.stringify(lanes.map((l) => [l.path, l.joints.map((j) => j.joint)]));
      if (key !== this.key) { this.key = key; this.build(lanes); }
      /* Few of them have room to be looked at. */
      this.tall = lanes.length < 3 ? 170 : lanes.length < 6 ? 112 : 74;
      this.scale();
      this.rows.forEach((row, i) => this.fill(row, lanes[i], i));
      this.axis();
      this.head();
    }
    head() {
      const c = this.chosen;
      if (!this.lanes.length) { this.title.replaceChildren(el("span", "hint", "Choose recordings above: what they measured is drawn here.")); return; }
      if (c.why_not || !c.name) { this.title.replaceChildren(el("span", "hint", c.why_not || "Choose a limit on the left: what it measures is drawn here.")); return; }
      const drag = c.no_level ? "" : " Drag the line.";
      this.title.replaceChildren(el("b", "", c.what), el("i", "u", c.unit || ""), el("small", "", " Bars: raised. Tinted ground with an octagon: a bad end." + drag), this.legend());
    }
    /* Which colour is which joint, in the order of the bars. */
    legend() {
      const pens = new Map(this.lanes.flatMap((lane) => lane.joints.map((joint) => [joint.pen + joint.joint, joint])));
      return el("span", "joints", [...pens.values()].map((joint) => el("span", "", [el("span", "pen pen-" + joint.pen), document.createTextNode(" " + joint.joint)])));
    }
    build(lanes) {
      this.rows = lanes.map((lane) => {
        const name = el("button", "plain words", lane.name), begun = el("small"), answer = el("div", "told"), svg = make("svg", { class: "lane over" });
        name.title = "Open in Replay, judged by these limits";
        name.onclick = () => this.opened(lane.path);
        const box = el("div", "lane-row", [el("div", "who", [name, begun]), el("div", "trace"), answer]);
        box.children[1].append(svg);
        box.dataset.path = lane.path;
        return { box, svg, begun, answer, trace: box.children[1] };
      });
      this.under = el("div", "lane-row under", [el("div", "who"), el("div", "trace"), el("div", "told")]);
      this.underSvg = make("svg", { class: "lane over", height: 20 });
      this.under.children[1].append(this.underSvg);
      this.title = el("div", "lane-title");
      this.host.replaceChildren(this.title, ...this.rows.map((r) => r.box), this.under);
    }
    /* One scale for all: the measure and the levels of every lane. */
    scale() {
      let low = Infinity, high = -Infinity;
      const take = (v) => { if (v !== null && isFinite(v)) { low = Math.min(low, v); high = Math.max(high, v); } };
      for (const lane of this.shapes || []) for (const joint of lane) { joint.low.forEach(take); joint.high.forEach(take); }
      const data = isFinite(low);
      for (const lane of this.chosen.levels || []) for (const joint of lane) for (const h of joint) {
        if (this.dragging) continue;
        take(h.at); if (h.mirrored && data && low < 0) take(-h.at);
      }
      if (!isFinite(low)) { low = 0; high = 1; }
      if (low === high) { low -= 1; high += 1; }
      if (!this.dragging || !this.low) { const room = (high - low) * 0.06; this.low = low - room; this.high = high + room; }
      this.longest = Math.max(...this.lanes.map((l) => l.length_s), 1);
    }
    /* The width of the whole time; the level's words stand behind it. */
    room(row) { return Math.max((row.trace.clientWidth || 600) - LABEL, 80); }
    y(v) { return TOP + (1 - (v - this.low) / (this.high - this.low)) * (this.tall - TOP - LOW); }
    value(y) { return this.low + (1 - (y - TOP) / (this.tall - TOP - LOW)) * (this.high - this.low); }

    fill(row, lane, i) {
      const w = this.room(row), wide = w * lane.length_s / this.longest;
      row.wide = wide; row.trace.style.height = this.tall + 4 + "px";
      row.svg.setAttribute("width", w); row.svg.setAttribute("height", this.tall);
      const g = make("g", {}), octagons = [], held = this.held(row);
      put(row.begun, lane.begun + ", " + lane.length + (lane.live ? ", still recording" : ""));
      lane.joints.forEach((joint) => {
        for (const [a, b] of joint.bad) {
          g.append(make("rect", { class: "bad", x: a * wide, y: TOP - 4, width: Math.max((b - a) * wide, 2), height: this.tall - TOP }));
          const at = a * wide;
          if (!octagons.some((x) => Math.abs(x - at) < 8)) { octagons.push(at); g.append(D.mark("danger", at, TOP - 9, 11)); }
        }
      });
      g.append(make("line", { class: "base", x1: 0, x2: wide, y1: this.tall - 0.5, y2: this.tall - 0.5 }));
      if (this.low < 0 && this.high > 0) g.append(make("line", { class: "zero", x1: 0, x2: wide, y1: this.y(0), y2: this.y(0) }));
      const shapes = (this.shapes || [])[i] || [];
      lane.joints.forEach((joint, j) => {
        if (shapes[j]) for (const d of this.band(shapes[j], wide)) g.append(make("path", { class: "band p" + joint.pen, d }));
        for (const [a, b] of joint.raised) g.append(make("rect", { class: "raised " + this.chosen.mark, x: a * wide, y: j * 5, width: Math.max((b - a) * wide, 2), height: 4 }));
      });
      row.svg.replaceChildren(g);
      row.levels = make("g", {}); row.svg.append(row.levels);
      this.level(row, i, held);
      this.tell(row, lane);
    }
    /* Lowest to highest of each stretch, one closed path for each run without a gap. */
    band(shape, wide) {
      const n = shape.low.length, step = wide / n, out = [];
      let run = [];
      const end = () => {
        if (run.length) {
          const up = run.map((k) => ((k + 0.5) * step).toFixed(1) + "," + (this.y(shape.high[k]) - 0.4).toFixed(1));
          const down = run.slice().reverse().map((k) => ((k + 0.5) * step).toFixed(1) + "," + (this.y(shape.low[k]) + 0.4).toFixed(1));
          out.push("M" + up.join("L") + "L" + down.join("L") + "Z");
        }
        run = [];
      };
      for (let k = 0; k < n; k++) { if (shape.low[k] === null) end(); else run.push(k); }
      end();
      return out;
    }
    /* Which level of a lane the keyboard is at: what is drawn anew goes on from there. */
    held(row) { const at = document.activeElement; return at && row.svg.contains(at) ? at.dataset.grip : null; }
    level(row, i, held) {
      const g = row.levels, seen = {}, labels = [];
      held = held || this.held(row);
      g.replaceChildren();
      ((this.chosen.levels || [])[i] || []).forEach((joint, j) => joint.forEach((h) => {
        const split = joint.length > 1 && h.place === null;
        for (const at of h.mirrored ? [h.at, -h.at] : [h.at]) {
          const y = this.y(at), tag = Math.round(y * 2) + h.key;
          if (seen[tag] || y < TOP - 6 || y > this.tall + 1) continue;
          seen[tag] = true;
          g.append(make("line", { class: "level " + (h.off ? "off" : ""), x1: 0, x2: row.wide, y1: y, y2: y }));
          const grip = make("g", { class: "grip" + (h.off ? " off" : ""), tabindex: at === h.at ? 0 : -1, role: "slider", "aria-label": this.called(h, i), "aria-orientation": "vertical", "aria-valuenow": h.at * (this.chosen.factor || 1), "aria-valuemin": this.low * (this.chosen.factor || 1), "aria-valuemax": this.high * (this.chosen.factor || 1), "aria-valuetext": this.words(h.at), "data-grip": [j, h.key, h.place, at < 0 ? "-" : ""].join(".") });
          /* The level is taken on the right, its drop-off on the left: they may lie close together. */
          const half = row.wide / 2;
          grip.append(make("rect", { class: "reach", x: h.off ? 0 : split ? half : 0, y: y - 7, width: split ? half : row.wide, height: 14 }));
          grip.append(make("path", { class: "tab", d: h.off ? `M0,${y}l-6,-5v10z` : `M${row.wide},${y}l6,-5v10z` }));
          grip.onpointerdown = (e) => this.take(e, row, h, at < 0 && h.mirrored ? -1 : 1);
          grip.onkeydown = (e) => this.key2(e, h);
          g.append(grip);
          if (!h.off) labels.push({ y, text: this.words(at) });
        }
      }));
      const places = D.spread(labels.map((l) => l.y), 12, TOP - 6, this.tall);
      labels.forEach((l, k) => g.append(make("text", { class: "limit halo", x: row.wide + 10, y: places[k] + 4 }, l.text)));
      const again = held && [...g.children].find((grip) => grip.dataset.grip === held);
      if (again) again.focus({ preventScroll: true });
    }
    called(h, i) { return this.keyWords(h.key) + (h.place === null ? "" : h.place ? ", upper" : ", lower") + (this.lanes && this.lanes.length > 1 ? ", " + this.lanes[i].name : ""); }
    words(at) { return this.shown(at) + (this.chosen.unit ? " " + this.chosen.unit : ""); }
    /* Four digits: a level of a thousandth of a radian is one. */
    shown(at) {
      const v = at * (this.chosen.factor || 1), size = Math.abs(v);
      if (size >= 1e6 || (size > 0 && size < 1e-4)) return v.toPrecision(3).replace("-", "−");
      const text = D.number(v, size >= 100 ? 1 : size >= 1 ? 2 : 4);
      return text.includes(".") ? text.replace(/\.?0+$/, "") : text;
    }

    /* Round to what a person would type: three digits of the picture's range. */
    round(v) { const grain = Math.pow(10, Math.floor(Math.log10((this.high - this.low) / 200))); return Number((Math.round(v / grain) * grain).toPrecision(9)); }

    take(e, row, h, sign) {
      if (e.button) return;
      e.preventDefault();
      if (this.dragging) return;
      this.dragging = true;
      /* A page that was scrolled meanwhile, and another finger, move no level; a drag that the
         browser ends leaves it where it was last. A press alone leaves a level that was typed as it is. */
      let last = h.at / h.scale, from = e.clientY;
      const at = (event) => this.round(clamp(sign * this.value(event.clientY - row.svg.getBoundingClientRect().top), h.mirrored ? 0 : -Infinity, Infinity)) / h.scale;
      const go = (event) => {
        if (event.pointerId !== e.pointerId || event.clientY === from) return;
        if (event.cancelable) event.preventDefault();
        from = null; last = at(event); this.moved(h, last, false);
      };
      const up = (event) => {
        if (event.pointerId !== e.pointerId) return;
        removeEventListener("pointermove", go); removeEventListener("pointerup", up); removeEventListener("pointercancel", up);
        this.dragging = false;
        this.moved(h, event.type === "pointerup" && from === null ? at(event) : last, true);
      };
      addEventListener("pointermove", go); addEventListener("pointerup", up); addEventListener("pointercancel", up);
    }
    key2(e, h) {
      const step = { ArrowUp: 1, ArrowDown: -1 }[e.key];
      if (!step) return;
      e.preventDefault(); e.stopPropagation();
      const grain = Math.pow(10, Math.floor(Math.log10((this.high - this.low) / 60)));
      this.moved(h, Number(((h.at + step * grain * (e.shiftKey ? 10 : 1)) / h.scale).toPrecision(9)), true);
    }
    /* While a level is dragged the lines follow the pointer; the answer follows them. */
    follow(levels) {
      this.chosen = { ...this.chosen, levels };
      this.rows.forEach((row, i) => this.level(row, i));
    }
    tell(row, lane) {
      const w = lane.worth, bits = [];
      const line = (strong, rest, cls) => bits.push(el("div", cls || "", [el("b", "", strong), document.createTextNode(rest)]));
      if (!lane.joints.length) bits.push(el("div", "hint", "It does not watch any joint here."));
      else if (w.bad_ends === undefined) line(String(w.raised), w.raised === 1 ? " time raised" : " times raised");
      else {
        if (w.bad_ends) line(w.caught + " of " + w.bad_ends + " caught", w.caught ? ", " + w.lead + " before" : "");
        else line("no bad end", "");
        line(String(w.false), w.false === 1 ? " false alert" : " false alerts");
      }
      if (lane.joints.length) bits.push(el("small", "", (lane.exact ? "exact" : (lane.live ? "about, while it is recorded" : "about") + (this.chosen.brief ? ", brief ones left out" : "")) + (lane.first_s === null || lane.first_s === undefined ? "" : "; first at " + D.elapsed(lane.first_s, 1))));
      row.answer.replaceChildren(...bits);
    }
    axis() {
      const row = this.rows[0];
      if (!row) return;
      const w = this.room(row), whole = this.longest;
      this.underSvg.setAttribute("width", w);
      const step = [10, 60, 300, 600, 1800, 3600, 7200, 14400, 21600, 43200, 86400].find((s) => whole / s <= 7) || 604800;
      const g = make("g", {});
      for (let s = 0; s <= whole; s += step) g.append(make("text", { class: "tick", x: w * s / whole, y: 13, "text-anchor": s === 0 ? "start" : w * s / whole > w - 20 ? "end" : "middle" }, s ? D.spanWords(s) : "0"));
      this.underSvg.replaceChildren(g);
    }
  }
  D.LimitLanes = Lanes;
})();
