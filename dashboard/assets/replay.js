/* The Replay page: the list, an opened recording, the window on it, the play-head and the dragged span.
   What is drawn comes from the routes of views.py; draw.js puts what moves over it. The address bar
   holds the view, so that it can be sent to a colleague. */
(function () {
  "use strict";
  const D = window.dutytrace, { el, put, clamp } = D;
  const SPEEDS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000];
  const LEAST = 0.2;
  /* The columns of the list: words, kind, and by what they sort. */
  const COLUMNS = [["begun", "", (r) => r.began_s], ["what it is", "", (r) => r.name.toLowerCase()], ["joints", ""], ["length", "n", (r) => r.length_s], ["hottest", "n", (r) => r.hottest_degC], ["at", ""],
    ["alerts", "", (r) => r.alerts.reduce((n, a) => n + a.n, 0)]];
  /* So many excursions are put on the page at once; more come as the list is scrolled. */
  const CHUNK = 40;
  let page = null;


  /* The value of a trace at a time: the last one at or before it, null in a gap. */
  function valueAt(trace, at) {
    const x = trace.x, y = trace.y;
    let low = 0, high = x.length;
    while (low < high) { const mid = (low + high) >> 1; if (x[mid] <= at) low = mid + 1; else high = mid; }
    return low > 0 ? y[low - 1] : null;
  }

  class Replay {
    constructor(root) {
      this.root = root;
      this.q = (id) => document.getElementById("past-" + id);
      this.order = ["begun", -1]; this.finding = "";
      this.speed = 6; this.head = 0; this.span = null; this.playing = false; this.gone = false; this.asking = 0;
      this.makePlots();
      this.laid = new D.Overlay(this);
      this.controls(); this.finder();
      this.onPop = () => this.route();
      this.onKey = (e) => this.key(e);
      this.onSize = () => { clearTimeout(this.settling); this.settling = setTimeout(() => this.again(), 150); };
      addEventListener("popstate", this.onPop);
      document.addEventListener("keydown", this.onKey);
      addEventListener("resize", this.onSize);
      this.onUnits = () => { this.again(); this.laid.ask(); if (this.span) this.take(this.span); };
      addEventListener("dutytrace-units", this.onUnits);
      this.scheme = matchMedia("(prefers-color-scheme: dark)");
      this.scheme.addEventListener("change", this.onSize);
      this.refreshing = setInterval(() => { if (!document.hidden && !this.name) this.list(); }, 5000);
      D.plotly().then((p) => { this.plotly = p; this.list(); this.route(); });
    }
    end() {
      this.gone = true; this.playing = false;
      removeEventListener("popstate", this.onPop);
      document.removeEventListener("keydown", this.onKey);
      removeEventListener("resize", this.onSize);
      removeEventListener("dutytrace-units", this.onUnits);
      this.scheme.removeEventListener("change", this.onSize);
      if (this.seen) this.seen.disconnect();
      clearInterval(this.refreshing); clearTimeout(this.saving); clearTimeout(this.settling); clearTimeout(this.spanning);
      if (this.plotly) { this.plotly.purge(this.rowsPlot); this.plotly.purge(this.stripPlot); }
    }
    makePlots() {
      for (const which of ["rows", "strip"]) {
        const host = this.q(which), plot = el("div", "plot");
        host.appendChild(plot);
        this[which + "Plot"] = plot;
      }
      this.sheet = new D.Sheet(this.q("rows"));
      this.stripSvg = D.make("svg", { class: "over", "aria-hidden": "true" });
      this.q("strip").appendChild(this.stripSvg);
    }
    get(path) {
      return fetch(path, { cache: "no-store" }).then((r) => r.json()).then((answer) => {
        if (answer.fault) throw new Error(answer.fault);
        return answer;
      });
    }
    size() {
      return "width=" + this.q("rows").clientWidth + "&height=" + D.height(790) + "&form=" + D.form() + "&theme=" + D.theme() + "&" + D.unitsQuery();
    }

    /* ---- the list ---- */
    finder() {
      const box = el("input"); box.type = "search"; box.placeholder = "Find a recording"; box.id = "past-search"; box.setAttribute("aria-label", "Find a recording by its name, joints or folder");
      box.oninput = () => { this.finding = box.value; this.listedText = null; if (this.catalogue) this.listed(this.catalogue); };
      this.q("find").replaceChildren(box);
    }
    list() {
      const offset = -new Date().getTimezoneOffset();
      return this.get("/past?offset_min=" + offset).then((c) => { if (!this.gone) this.listed(c); }).catch((f) => put(this.q("said"), f.message));
    }
    listed(c) {
      this.catalogue = c;
      const text = JSON.stringify(c) + this.name;
      if (this.listedText === text) return;
      this.listedText = text;
      this.q("empty").hidden = c.rows.length > 0; this.q("listed").hidden = c.rows.length === 0;
      if (!c.rows.length) {
        const rows = [["Make a six-hour test in seconds", "dutytrace simulate --hours 6"], ["See it with simulated joints", "dutytrace demo"],
          ["Look somewhere else", "dutytrace dashboard --recordings FOLDER"]];
        this.q("empty").replaceChildren(el("p", "lede", "There are no recordings in " + c.folder + " yet."),
          el("ul", "steps", rows.map(([w, t]) => el("li", "", [el("span", "words", w), el("code", "", t)]))));
        return;
      }
      put(this.q("said"), c.rows.length + (c.rows.length === 1 ? " recording" : " recordings") + " in " + c.folder + ". Small traces: the hottest joint, dotted at its lowest limit, all on one scale");
      const scale = el("div", "scale");
      const whole = c.longest_s || 1, step = [60, 300, 600, 1800, 3600, 7200, 14400, 43200, 86400].find((s) => whole / s <= 6.5) || 604800;
      for (let s = 0; s <= whole; s += step) {
        const tick = el("span", "", s >= 3600 || step >= 3600 ? s / 3600 + (s + step > whole ? " h" : "") : s / 60 + (s + step > whole ? " min" : ""));
        tick.style.left = (s / whole) * 100 + "%"; if (s / whole > 0.95) tick.className = "end"; scale.append(tick);
      }
      const head = el("tr", "", COLUMNS.map(([words, kind, of]) => this.column(words, kind, of)));
      head.append(el("th", "", [scale]));
      this.laid.offer(c.rows);
      const body = this.sorted(c.rows).map((r) => this.listRow(r));
      if (!body.length) { const none = el("td", "wrong", "None of them has “" + this.finding + "” in its name, joints or folder."); none.colSpan = 8; body.push(el("tr", "", [none])); }
      /* Whoever is in the list by keyboard stays where they are when it is made anew. */
      const at = document.activeElement, of = (e) => (e.closest("tr[data-path]") || { dataset: {} }).dataset.path || e.textContent;
      const held = this.q("list").contains(at) ? of(at) : null;
      this.q("list").replaceChildren(el("table", "", [el("thead", "", [head]), el("tbody", "", body)]));
      const again = held === null ? null : [...this.q("list").querySelectorAll("button, a")].find((e) => of(e) === held);
      if (again) again.focus({ preventScroll: true });
    }
    /* A head that sorts; a second press turns the order round, and begun falls back to the newest first. */
    column(words, kind, of) {
      const th = el("th", kind || "");
      if (!of) { th.textContent = words; return th; }
      const [by, way] = this.order, b = el("button", "", words);
      if (by === words) th.setAttribute("aria-sort", way > 0 ? "ascending" : "descending");
      b.onclick = () => { this.order = by === words ? [words, -way] : [words, words === "what it is" ? 1 : -1]; this.listedText = null; this.listed(this.catalogue); };
      th.append(b);
      return th;
    }
    /* What is being recorded stays on top, what cannot be opened at the bottom, whatever the order. */
    sorted(rows) {
      const [by, way] = this.order, of = COLUMNS.find(([words]) => words === by)[2], wanted = this.finding.trim().toLowerCase();
      const has = (r) => !wanted || [r.name, r.path, r.joints, r.fault].some((t) => t && t.toLowerCase().includes(wanted));
      const place = (r) => (r.fault ? 2 : r.live ? 0 : 1);
      return rows.filter(has).map((r, i) => [r, i]).sort(([a, i], [b, j]) => {
        const first = place(a) - place(b);
        if (first || a.fault) return first || i - j;
        const x = of(a), y = of(b), lacks = (x === null) - (y === null);
        return lacks || (x < y ? -way : x > y ? way : i - j);
      }).map(([r]) => r);
    }
    listRow(r) {
      const row = el("tr", r.path === this.name ? "open" : "");
      row.dataset.path = r.path;
      if (r.fault) {
        const why = el("td", "wrong", r.fault); why.colSpan = 6;
        row.append(el("td", "", [el("span", "mark none")]), el("td", "name", [el("span", "words", r.path)]), why);
        return row;
      }
      const link = el("a", "words", r.name);
      link.href = "/replay/" + encodeURIComponent(r.path);
      link.onclick = (e) => { if (e.ctrlKey || e.metaKey || e.shiftKey || e.button) return; e.preventDefault(); e.stopPropagation(); this.open(r.path); };
      const name = el("td", "name", [link]);
      if (r.live) name.append(el("small", "", " still recording"));
      else if (r.simulated) name.append(el("small", "", " simulated"));
      const alerts = el("span", "alerts-cell", r.alerts.length ? r.alerts.map((a) => el("span", "", [el("span", "mark " + a.mark), document.createTextNode(" " + a.n)])) : undefined);
      if (!r.alerts.length) alerts.textContent = "none";
      for (const a of r.alerts) alerts.setAttribute("aria-label", r.alerts.map((x) => x.n + (x.mark === "danger" ? " trips" : " warnings")).join(", "));
      const hot = el("td", "n", r.hottest); if (r.at) hot.append(el("i", "u", "°C"));
      row.append(el("td", "", r.begun), name, el("td", "", r.joints), el("td", "n", r.length), hot, el("td", "", r.at), el("td", "", [alerts]), el("td", "", [this.smallTrace(r)]));
      return row;
    }
    smallTrace(r) {
      const box = el("div", "small-trace pen-" + r.pen);
      if (!r.trace) return box;
      const stroke = el("span", "stroke");
      stroke.style.width = r.share * 100 + "%";
      for (const k of ["maskImage", "webkitMaskImage"]) stroke.style[k] = r.trace;
      for (const k of ["maskSize", "webkitMaskSize"]) stroke.style[k] = "100% 100%";
      box.append(stroke);
      if (r.warning !== null && r.warning < 1) {
        const dots = el("span", "dots"); dots.style.top = (1 - r.warning) * 100 + "%"; dots.style.width = r.share * 100 + "%"; box.append(dots);
      }
      return box;
    }

    /* ---- opening ---- */
    route() {
      const match = /^\/replay\/([^/]+)$/.exec(location.pathname);
      if (!match) { this.close(); return; }
      const query = new URLSearchParams(location.search), number = (k) => (query.has(k) ? Number(query.get(k)) : null);
      this.open(decodeURIComponent(match[1]), { from: number("from"), to: number("to"), at: number("at"), s0: number("span0"), s1: number("span1"), over: query.get("over"), shift: number("shift"), judged: query.get("judged"), quiet: true });
    }
    close() {
      this.name = null; this.opened = null; this.playing = false;
      this.q("opened").hidden = true;
      this.list();
    }
    open(name, view) {
      const v = view || {};
      this.name = name; this.judged = v.judged || "";
      this.q("opened").hidden = false;
      this.getOpened().then((o) => {
        if (!o) return;
        this.opened = o; this.span = null; this.playing = false;
        put(this.q("name"), o.name); put(this.q("when"), o.when);
        document.title = o.name + " – dutytrace";
        this.excursions(o.excursions, o.excursion_count);
        this.strip(o.strip);
        this.list();
        this.laid.begin(v.over || "", v.shift);
        const worst = o.excursions.find((e) => e.severity === "trip") || o.excursions[0];
        this.head = v.at !== null && v.at !== undefined && isFinite(v.at) ? clamp(v.at, 0, o.length_s) : worst ? worst.at_s : 0;
        if (v.s0 !== null && v.s1 !== null && v.s1 > v.s0) this.take([v.s0, v.s1]); else this.take(null);
        const from = v.from !== null && isFinite(v.from) ? v.from : 0, to = v.to !== null && isFinite(v.to) && v.to !== undefined ? v.to : o.length_s;
        this.look(from, to);
        if (!v.quiet) { history.pushState(null, "", this.address()); this.q("opened").scrollIntoView({ block: "start" }); }
      }).catch((f) => {
        put(this.q("name"), "This recording cannot be opened"); put(this.q("when"), f.message);
        this.opened = null; this.list();
      });
    }
    /* What stands on the page however the window is chosen; null if something else was opened since. */
    getOpened() {
      const name = this.name, judged = this.judged;
      this.tellJudged(judged ? "Working out what other limits would have raised …" : "");
      return this.get("/past/" + encodeURIComponent(name) + "/opened?offset_min=" + -new Date().getTimezoneOffset() + "&" + this.size() + this.judging()).then((o) => {
        if (this.gone || this.name !== name || this.judged !== judged) return null;
        this.tellJudged(o.judged);
        return o;
      });
    }
    /* Other limits than those that were in force may judge: the address holds them. */
    judging() { return this.judged ? "&judged=" + encodeURIComponent(this.judged) : ""; }
    tellJudged(words) { put(this.q("judged-words"), words); this.q("judged").hidden = !this.judged; }
    asRecorded() {
      this.judged = "";
      history.pushState(null, "", this.address());
      if (this.opened) this.again(); else this.route();
    }
    address() {
      const n = (x) => String(Math.round(x * 1000) / 1000);
      let a = "/replay/" + encodeURIComponent(this.name);
      if (this.view) a += "?from=" + n(this.view[0]) + "&to=" + n(this.view[1]) + "&at=" + n(this.head);
      if (this.span) a += "&span0=" + n(this.span[0]) + "&span1=" + n(this.span[1]);
      if (this.view) a += this.laid.query();
      if (this.judged) a += (this.view ? "&" : "?") + this.judging().slice(1);
      return a;
    }
    save() {
      document.dispatchEvent(new Event("dutytrace-view"));
      clearTimeout(this.saving);
      this.saving = setTimeout(() => { if (this.opened && !this.gone) history.replaceState(null, "", this.address()); }, 300);
    }
    again() {
      if (!this.opened) return;
      this.getOpened().then((o) => {
        if (!o) return;
        this.opened = o; this.strip(o.strip); this.excursions(o.excursions, o.excursion_count); this.look(this.view[0], this.view[1]);
      }).catch((f) => put(this.q("when"), f.message));
    }

    /* ---- the window ---- */
    look(from, to) {
      const whole = this.opened.length_s, width = clamp(to - from, Math.min(LEAST, whole), whole);
      const start = clamp(from, 0, whole - width);
      this.view = [start, start + width];
      this.save(); this.mark(); this.drawStrip();
      this.fetchRows();
    }
    /* One question at a time: the newest window is asked for when the last answer is there. */
    fetchRows() {
      if (this.waiting) { this.stale = true; return; }
      this.waiting = true; this.stale = false;
      const view = this.view.slice(), name = this.name;
      this.q("rows").classList.add("busy");
      this.get("/past/" + encodeURIComponent(name) + "/rows?start=" + view[0] + "&end=" + view[1] + "&" + this.size() + this.laid.query() + this.judging() + "&offset_min=" + -new Date().getTimezoneOffset()).then((figure) => {
        if (this.gone || this.name !== name) return null;
        this.figure = figure; this.laid.tell(figure.over);
        const meta = figure.layout.meta, host = this.q("rows");
        host.style.height = meta.size[1] + "px";
        this.shown = view;
        return this.plotly.react(this.rowsPlot, figure.data, figure.layout, { displayModeBar: false, staticPlot: true }).then(() => {
          this.sheet.take(meta); this.over();
          host.dataset.drawn = String(Number(host.dataset.drawn || 0) + 1);
        });
      }).catch((f) => put(this.q("when"), f.message)).finally(() => {
        this.waiting = false;
        this.q("rows").classList.remove("busy");
        if (this.stale && !this.gone) this.fetchRows();
      });
    }
    /* What stands over the rows: pen tips at the play-head, the play-head, the span. */
    over() {
      if (!this.figure || !this.shown) return;
      const by = {};
      for (const t of this.figure.data) if (t.meta.role === "line" || t.meta.role === "mean") by[[t.meta.joint, t.meta.channel, Boolean(t.meta.other)]] = t;
      const tips = [];
      this.figure.layout.meta.rows.forEach((row, i) => {
        for (const p of row.pens) {
          const t = by[[p.joint, p.channel, Boolean(p.other)]];
          if (t) tips.push({ row: i, pen: p.pen, joint: p.joint, other: p.other, value: valueAt(t, this.head), at: this.head });
        }
      });
      this.sheet.draw({ view: this.shown, tips, head: this.head, span: this.span });
      const fine = this.shown[1] - this.shown[0] < 600;
      put(this.q("time"), D.elapsed(this.head, fine ? 0.1 : 1));
      put(this.q("clock"), D.clock(this.figure.layout.meta.epoch_ms, this.head) + " on the clock");
      put(this.q("window"), D.elapsed(this.shown[0], 1) + " to " + D.elapsed(this.shown[1], 1));
    }
    /* The second recording is another one, or stands elsewhere. */
    relaid() {
      if (!this.opened || !this.view) return;
      this.save(); this.drawStrip(); this.fetchRows();
      clearTimeout(this.spanning);
      this.spanning = setTimeout(() => { if (this.span && !this.gone) this.take(this.span); }, 150);
    }
    mark() {
      const width = this.view[1] - this.view[0], whole = this.opened.length_s;
      for (const b of this.root.querySelectorAll(".choice")) {
        const w = Number(b.dataset.window), is = w ? Math.abs(width - w) < 0.01 * w && width < whole - 0.01 : width >= whole - 0.01;
        b.setAttribute("aria-pressed", String(is));
        b.disabled = w > whole;
      }
    }
    zoom(factor, around) {
      const [a, b] = this.view, at = around === undefined ? clamp(this.head, a, b) : around;
      this.look(at - (at - a) * factor, at + (b - at) * factor);
    }
    to(head, follow) {
      this.head = clamp(head, 0, this.opened.length_s);
      const [a, b] = this.view;
      if (follow && (this.head < a || this.head > b)) {
        const width = b - a;
        this.look(this.head - width * 0.2, this.head + width * 0.8);
      }
      this.over(); this.drawStrip(); this.save();
    }

    /* ---- the strip ---- */
    strip(figure) {
      const meta = figure.layout.meta, host = this.q("strip");
      this.stripMeta = meta;
      host.style.height = meta.size[1] + "px";
      this.plotly.react(this.stripPlot, figure.data, figure.layout, { displayModeBar: false, staticPlot: true }).then(() => this.drawStrip());
      this.stripSvg.setAttribute("width", meta.size[0]); this.stripSvg.setAttribute("height", meta.size[1]);
    }
    stripX(s) { const m = this.stripMeta; return m.margin[0] + (s / Math.max(m.length_s, 1e-3)) * (m.size[0] - m.margin[0] - m.margin[1]); }
    drawStrip() {
      const m = this.stripMeta;
      if (!m) return;
      const g = document.createDocumentFragment(), make = D.make, [l, r, t, b] = m.margin, right = m.size[0] - r, bottom = m.size[1] - b, narrow = m.form === "narrow";
      const axisAt = bottom + 2;
      g.append(make("line", { class: "axis", x1: l, x2: right, y1: axisAt, y2: axisAt }));
      const { step, at } = D.ticks(0, m.length_s, right - l, narrow ? 60 : 80);
      for (const s of at) {
        const x = this.stripX(s);
        g.append(make("line", { class: "axis", x1: x, x2: x, y1: axisAt, y2: axisAt + 4 }));
        const words = step >= 3600 ? s / 3600 + " h" : step >= 60 ? s / 60 + " min" : s + " s";
        g.append(make("text", { class: "tick", x, y: axisAt + 5 + m.text, "text-anchor": s === 0 ? "start" : "middle" }, s === 0 ? "0" : words));
      }
      const laidAt = this.laid.strip(g, m, (s) => this.stripX(s));
      if (!narrow) {
        g.append(make("text", { class: "elapsed", x: 2, y: t + m.title, style: "font-weight:700;font-size:" + m.title + "px" }, "Whole test"));
        g.append(make("text", { class: "tick", x: 2, y: t + m.title + m.text * 1.4 }, D.elapsed(m.length_s, 1)));
        const high = m.domains[0][1], low = m.domains[0][0], y = (v) => t + (bottom - t) * (1 - (low + ((v - m.range[0]) / (m.range[1] - m.range[0])) * (high - low)));
        const ends = m.ends.filter((e) => e.y !== null).map((e) => [y(e.y), e.joint + ", °C"]);
        if (m.torque) ends.push([t + (bottom - t) * (1 - m.domains[1][1] / 2), "torque, min to max"]);
        if (laidAt !== null) ends.push([laidAt, "other"]);
        const places = D.spread(ends.map((e) => e[0]), m.text * 1.25, t, bottom);
        ends.forEach((e, i) => g.append(make("text", { class: "tick", x: right + 10, y: places[i] + m.text * 0.36 }, e[1])));
      }
      const size = m.text * 1.1;
      let last = -Infinity;
      for (const k of [...m.marks].sort((a, c) => a.x0 - c.x0)) {
        const x0 = this.stripX(k.x0), x1 = this.stripX(k.x1 === null ? m.length_s : k.x1);
        g.append(make("rect", { class: "bar-" + k.mark, x: x0, y: t - 6, width: Math.max(2, x1 - x0), height: 4 }));
        const x = (x0 + Math.max(x1, x0 + 2)) / 2;
        if (x - last > size || k.mark === "danger") { g.append(D.mark(k.mark, x, t - 7 - size * 0.6, size)); last = x; }
      }
      if (this.view) {
        const x0 = this.stripX(this.view[0]), x1 = Math.max(this.stripX(this.view[1]), x0 + 3), k = 4;
        g.append(make("rect", { class: "outside", x: l, y: t, width: Math.max(0, x0 - l), height: bottom - t }));
        g.append(make("rect", { class: "outside", x: x1, y: t, width: Math.max(0, right - x1), height: bottom - t }));
        g.append(make("path", { class: "bracket", d: `M${x0 + k},${t}H${x0}V${bottom}H${x0 + k}M${x1 - k},${t}H${x1}V${bottom}H${x1 - k}` }));
        const h = this.stripX(this.head);
        g.append(make("line", { class: "head", x1: h, x2: h, y1: t, y2: axisAt }));
      }
      this.stripSvg.replaceChildren(g);
    }

    /* ---- excursions and span ---- */
    excursions(list, count) {
      const words = ["No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten"];
      put(this.q("count"), (words[count] || String(count)) + (count === 1 ? " excursion" : " excursions") + (count > list.length ? ", the first " + list.length + " listed" : ""));
      const box = this.q("excursions");
      if (!count) { box.replaceChildren(el("p", "none-found", "Nothing went beyond a limit.")); return; }
      const table = el("div", list.length > CHUNK ? "excursions many" : "excursions");
      box.replaceChildren(table);
      let shown = 0;
      const grow = () => {
        const some = list.slice(shown, shown + CHUNK), rows = some.map((e) => this.excursion(e));
        table.append(...rows);
        this.leadUps(shown, some, rows);
        shown += some.length;
        this.seen.disconnect();
        // A little before the end, so that whoever goes on by the keyboard finds the next one there.
        if (shown < list.length) for (const row of rows.slice(-8)) this.seen.observe(row);
      };
      if (this.seen) this.seen.disconnect();
      this.seen = new IntersectionObserver((seen) => { if (seen.some((one) => one.isIntersecting)) grow(); });
      grow();
    }
    excursion(e) {
      const b = el("button", "exc", [el("span", "mark " + e.mark), el("span", "", [el("b", "", e.at), document.createTextNode(" " + e.words)]), el("span", "n", e.lasted), this.led(e, null)]);
      b.dataset.limit = e.limit; b.dataset.severity = e.severity;
      b.setAttribute("aria-label", e.severity + ": " + e.words + " at " + e.at + " for " + e.lasted);
      b.onclick = () => this.visit(e, b);
      return b;
    }
    /* How far it went, and what led up to it once that is known. */
    led(e, d) {
      const led = el("span", "led"), peak = d ? d.peak : e.peak, known = d || { led: "" };
      if (!d || d.tiny) {
        const tiny = el("span", "tiny pen-" + e.pen);
        if (d) {
          const stroke = el("span", "stroke"), dots = el("span", "dots"), then = el("span", "then");
          for (const k of ["maskImage", "webkitMaskImage"]) stroke.style[k] = d.tiny;
          for (const k of ["maskSize", "webkitMaskSize"]) stroke.style[k] = "100% 100%";
          dots.hidden = d.tiny_level === null;
          dots.style.top = (1 - clamp(d.tiny_level, 0, 1)) * 93 + 3 + "%"; then.style.left = clamp(d.tiny_at, 0, 1) * 100 + "%";
          tiny.append(stroke, dots, then);
        }
        led.append(tiny);
      }
      const words = [];
      if (peak) words.push(el("b", "", peak), document.createTextNode(known.tiny ? " at most. " : ". "));
      words.push(document.createTextNode(known.led));
      led.append(el("span", "", words));
      return led;
    }
    leadUps(first, some, rows) {
      this.get("/past/" + encodeURIComponent(this.name) + "/excursions?first=" + first + "&count=" + some.length + "&" + D.unitsQuery() + this.judging()).then((a) => {
        a.details.forEach((d, i) => {
          const e = some[i];
          // A recording that grows may have got others meanwhile.
          if (e && d.at_s === e.at_s && d.limit === e.limit && d.pen === e.pen) rows[i].lastElementChild.replaceWith(this.led(e, d));
        });
      }).catch(() => {});
    }
    visit(e, button) {
      for (const b of this.root.querySelectorAll(".exc")) b.removeAttribute("aria-current");
      button.setAttribute("aria-current", "true");
      const width = clamp((e.to_s - e.from_s) * 1.6, 240, Math.max(240, this.opened.length_s));
      this.head = e.at_s;
      this.look(e.at_s - width * 0.3, e.at_s + width * 0.7);
    }
    take(span) {
      this.span = span;
      const box = this.q("span");
      if (!span) {
        box.replaceChildren(el("h3", "", "A span's figures"), el("p", "hint", "Drag over the traces for exact minimum, mean, maximum and RMS, weighted by time."));
        this.over(); this.save();
        return;
      }
      this.over(); this.save();
      const asked = ++this.asking;
      this.get("/past/" + encodeURIComponent(this.name) + "/span?start=" + span[0] + "&end=" + span[1] + "&" + D.unitsQuery() + this.laid.query() + this.judging()).then((s) => {
        if (asked !== this.asking || !this.span) return;
        const rows = s.table.map((r) => {
          const title = el("td", "", r.title); if (r.unit) title.append(el("i", "u", r.unit));
          const row = el("tr", r.title ? "first" : "", [title, el("td", "", [el("span", "pen pen-" + r.pen + (r.other ? " other" : "")), document.createTextNode(" " + r.joint + (r.other ? ", other" : ""))])]);
          for (const k of ["minimum", "mean", "maximum", "rms"]) row.append(el("td", "n", r[k]));
          return row;
        });
        const head = el("tr", "", ["", "", "min", "mean", "max", "RMS"].map((w) => el("th", "n", w)));
        box.replaceChildren(el("h3", "", s.title), el("small", "", s.when), ...(s.other ? [el("br"), el("small", "", s.other)] : []), el("table", "span-table", [el("thead", "", [head]), el("tbody", "", rows)]));
      }).catch((f) => box.replaceChildren(el("p", "hint", f.message)));
    }

    /* ---- hands ---- */
    controls() {
      for (const b of this.root.querySelectorAll(".choice")) b.onclick = () => {
        if (!this.opened) return;
        const w = Number(b.dataset.window), at = this.head;
        if (!w) this.look(0, this.opened.length_s); else this.look(at - w * 0.3, at + w * 0.7);
      };
      this.q("play").onclick = () => this.play(!this.playing);
      this.q("back").onclick = () => this.step(-1);
      this.q("on").onclick = () => this.step(1);
      this.q("judged-off").onclick = () => this.asRecorded();
      this.q("before").onclick = () => this.event(-1);
      this.q("after").onclick = () => this.event(1);
      this.q("link").onclick = () => {
        const text = location.origin + this.address(), b = this.q("link"), done = (w) => { put(b, w); setTimeout(() => put(b, "Copy a link to this view"), 2000); };
        if (navigator.clipboard) navigator.clipboard.writeText(text).then(() => done("Copied"), () => done("The address bar holds it")); else done("The address bar holds it");
      };
      const range = el("input"), stops = el("div", "stops");
      range.type = "range"; range.min = 0; range.max = SPEEDS.length - 1; range.step = 1; range.value = this.speed;
      range.setAttribute("aria-label", "Speed");
      for (const [i, s] of SPEEDS.entries()) if ([0.1, 1, 10, 100, 1000].includes(s)) {
        const w = el("span", "", s + "×"); w.dataset.at = i; w.style.left = (i / (SPEEDS.length - 1)) * 100 + "%"; stops.append(w);
      }
      const now = el("span", "on"); stops.append(now);
      this.setSpeed = (i) => {
        this.speed = clamp(i, 0, SPEEDS.length - 1); range.value = this.speed;
        range.setAttribute("aria-valuetext", SPEEDS[this.speed] + " times");
        now.style.left = (this.speed / (SPEEDS.length - 1)) * 100 + "%"; put(now, SPEEDS[this.speed] + "×");
        for (const w of stops.querySelectorAll("[data-at]")) w.style.visibility = Math.abs(Number(w.dataset.at) - this.speed) < 2 ? "hidden" : "";
      };
      range.oninput = () => this.setSpeed(Number(range.value));
      this.q("speed").replaceChildren(range, stops);
      this.setSpeed(this.speed);
      this.dragRows(); this.dragStrip();
    }
    dragRows() {
      const host = this.q("rows");
      let from = null, moved = false, panned = null;
      const at = (e) => this.sheet.at(e.clientX - host.getBoundingClientRect().left);
      host.addEventListener("pointerdown", (e) => {
        if (!this.figure || e.button || e.pointerType === "touch") return;
        host.setPointerCapture(e.pointerId);
        from = at(e); moved = false; panned = e.shiftKey ? { x: e.clientX, view: this.view.slice() } : null;
      });
      host.addEventListener("pointermove", (e) => {
        if (from === null) return;
        if (panned) {
          const d = ((e.clientX - panned.x) / this.sheet.plotW) * (panned.view[1] - panned.view[0]);
          moved = true; this.look(panned.view[0] - d, panned.view[1] - d);
          return;
        }
        const to = clamp(at(e), this.shown[0], this.shown[1]), start = clamp(from, this.shown[0], this.shown[1]);
        if (Math.abs(this.sheet.x(to) - this.sheet.x(start)) > 4) moved = true;
        if (moved) { this.span = [Math.min(start, to), Math.max(start, to)]; this.over(); }
      });
      const up = (e) => {
        if (from === null) return;
        const start = from; from = null;
        if (panned) { panned = null; if (moved) return; }
        if (moved) this.take(this.span); else this.to(start);
      };
      host.addEventListener("pointerup", up);
      host.addEventListener("pointercancel", () => { from = null; panned = null; });
      host.addEventListener("click", (e) => { if (e.pointerType === "touch" && this.figure) this.to(at(e)); });
      host.addEventListener("wheel", (e) => {
        if (!this.figure || (!e.deltaY && !e.deltaX)) return;
        e.preventDefault();
        const width = this.view[1] - this.view[0];
        if (e.shiftKey || Math.abs(e.deltaX) > Math.abs(e.deltaY)) { const d = (Math.abs(e.deltaX) > Math.abs(e.deltaY) ? e.deltaX : e.deltaY) / 600 * width; this.look(this.view[0] + d, this.view[1] + d); }
        else this.zoom(Math.exp(clamp(e.deltaY, -300, 300) * 0.0022), clamp(at(e), this.view[0], this.view[1]));
      }, { passive: false });
      host.addEventListener("dblclick", () => { if (this.opened) { this.take(null); this.look(0, this.opened.length_s); } });
    }
    dragStrip() {
      const host = this.q("strip");
      let from = null, moved = false;
      const at = (e) => {
        const m = this.stripMeta, x = e.clientX - host.getBoundingClientRect().left;
        return clamp(((x - m.margin[0]) / (m.size[0] - m.margin[0] - m.margin[1])) * m.length_s, 0, m.length_s);
      };
      host.addEventListener("pointerdown", (e) => { if (!this.stripMeta || e.button) return; host.setPointerCapture(e.pointerId); from = at(e); moved = false; });
      host.addEventListener("pointermove", (e) => {
        if (from === null) return;
        const to = at(e);
        if (Math.abs(this.stripX(to) - this.stripX(from)) > 4) moved = true;
        if (moved) { this.view = [Math.min(from, to), Math.max(from, to)]; this.drawStrip(); }
      });
      host.addEventListener("pointerup", (e) => {
        if (from === null) return;
        const start = from, to = at(e); from = null;
        if (moved) this.look(Math.min(start, to), Math.max(start, to));
        else {
          const width = this.view[1] - this.view[0];
          this.head = to;
          if (width < this.opened.length_s - 0.01) this.look(to - width / 2, to + width / 2); else this.to(to);
        }
      });
      host.addEventListener("pointercancel", () => { from = null; });
    }
    play(on) {
      if (!this.opened) return;
      this.playing = on;
      const b = this.q("play");
      b.firstElementChild.className = on ? "i-pause" : "i-play";
      b.setAttribute("aria-label", on ? "Pause" : "Play"); b.title = on ? "Pause" : "Play";
      if (!on) return;
      if (this.head >= this.opened.length_s - 1e-3) this.head = 0;
      let last = performance.now();
      const turn = (now) => {
        if (!this.playing || this.gone) return;
        const head = this.head + ((now - last) / 1000) * SPEEDS[this.speed];
        last = now;
        if (head >= this.opened.length_s) { this.to(this.opened.length_s, true); this.play(false); return; }
        this.to(head, true);
        requestAnimationFrame(turn);
      };
      requestAnimationFrame(turn);
    }
    step(way, share) {
      if (!this.opened) return;
      this.play(false);
      const width = this.view[1] - this.view[0];
      this.to(this.head + way * width * (share || 1 / 200), true);
    }
    event(way) {
      if (!this.opened) return;
      const next = way > 0 ? this.opened.events.find((t) => t > this.head + 1e-3) : [...this.opened.events].reverse().find((t) => t < this.head - 1e-3);
      if (next !== undefined) this.to(next, true);
    }
    key(e) {
      if (D.typing(e) || e.ctrlKey || e.metaKey || e.altKey || !this.opened || document.getElementById("keys").open) return;
      const on = e.target && e.target.tagName;
      if (e.key === " " && on === "BUTTON") return;
      if (this.laid.key(e)) { e.preventDefault(); return; }
      const does = { " ": () => this.play(!this.playing), ArrowLeft: () => this.step(-1, e.shiftKey ? 0.1 : 0), ArrowRight: () => this.step(1, e.shiftKey ? 0.1 : 0),
        "[": () => this.event(-1), "]": () => this.event(1), "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2),
        ",": () => this.setSpeed(this.speed - 1), ".": () => this.setSpeed(this.speed + 1), Escape: () => this.take(null) }[e.key];
      if (!does || (on === "INPUT" && e.key.startsWith("Arrow"))) return;
      e.preventDefault(); does();
    }
  }

  D.valueAt = valueAt;
  D.whenever("replay", (root) => { page = new Replay(root); D.replay = page; }, () => { if (page) page.end(); page = null; });
})();
