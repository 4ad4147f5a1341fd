/* The Bus page: how the buses of a recording fared, and who talked in a span of it. All comes from the
   routes of heard_views.py; a live recording is asked again every second and a half. The address bar
   holds the view, so that it can be sent to a colleague. */
(function () {
  "use strict";
  const D = window.dutytrace, { el, put, clamp } = D;
  const AGAIN_MS = 1500, LOST_MS = 3000;
  const COLUMNS = [["identifier", "identifier", ""], ["joint", "whose", ""], ["frame", "frame", ""], ["count", "frames", ""], ["share", "share", "%"],
    ["period", "period", "ms"], ["jitter", "jitter, 95 %", "ms"], ["gap", "longest gap", "ms"], ["why", "decoded or why not", ""]];
  const NUMBERS = new Set(["count", "share", "period", "jitter", "gap"]);
  let page = null;

  function unit(text) { return el("i", "u", text); }
  /* Puts new parts into a box only where they say something else: a reader's place and focus stay. */
  function told(box, what, parts) {
    const key = JSON.stringify(what);
    if (box.dataset.is === key) return;
    box.dataset.is = key;
    box.replaceChildren(...parts());
  }
  /* A sentence whose `commands` are set as such. */
  function worded(text) {
    return el("span", "", text.split("`").map((part, i) => (i % 2 ? el("code", "", part) : document.createTextNode(part))));
  }
  /* Rows in the order of a column; what has no value stands last either way. */
  function sorted(rows, column, down) {
    const of = (row) => { const cell = row[column]; return cell.length > 1 ? cell[1] : cell[0]; };
    const text = (v) => typeof v === "string";
    return rows.map((row, i) => [row, i]).sort(([a, i], [b, j]) => {
      const x = of(a), y = of(b);
      if (x === null || y === null) return x === y ? i - j : x === null ? 1 : -1;
      const order = text(x) && text(y) ? x.localeCompare(y) : x - y;
      return (down ? -order : order) || i - j;
    }).map(([row]) => row);
  }

  class Heard {
    constructor(root) {
      this.root = root;
      this.q = (id) => document.getElementById("heard-" + id);
      this.name = null; this.bus = ""; this.view = null; this.span = null; this.newest = 10; this.sort = ["identifier", false];
      this.gone = false; this.askedAt = -Infinity; this.cost = 0; this.answered = performance.now();
      const host = this.q("rows"), plot = el("div", "plot");
      host.appendChild(plot); this.plot = plot;
      this.sheet = new D.Sheet(host);
      this.select = el("select"); this.select.id = "heard-select"; this.q("choice").replaceChildren(this.select);
      this.controls();
      this.onPop = () => this.route();
      this.onKey = (e) => this.key(e);
      this.onSize = () => { clearTimeout(this.settling); this.settling = setTimeout(() => this.ask(), 150); };
      addEventListener("popstate", this.onPop);
      document.addEventListener("keydown", this.onKey);
      addEventListener("resize", this.onSize);
      this.scheme = matchMedia("(prefers-color-scheme: dark)");
      this.scheme.addEventListener("change", this.onSize);
      this.clockwork = setInterval(() => this.tick(), AGAIN_MS);
      D.plotly().then((p) => { this.plotly = p; if (!this.gone) this.route(); });
    }
    end() {
      this.gone = true;
      removeEventListener("popstate", this.onPop);
      document.removeEventListener("keydown", this.onKey);
      removeEventListener("resize", this.onSize);
      this.scheme.removeEventListener("change", this.onSize);
      clearInterval(this.clockwork); clearTimeout(this.saving); clearTimeout(this.settling);
      if (this.plotly) this.plotly.purge(this.plot);
    }
    get(path) {
      return fetch(path, { cache: "no-store" }).then((r) => r.json().catch(() => ({})).then((answer) => {
        const known = r.ok && (answer.figure || answer.recordings);
        if (answer.fault || !known) throw Object.assign(new Error(answer.fault || (r.ok ? "There is no recording of that name." : "The server answered " + r.status + ".")), { told: true });
        return answer;
      }));
    }

    /* ---- which recording ---- */
    route() {
      const match = /^\/bus\/([^/]+)$/.exec(location.pathname), query = new URLSearchParams(location.search);
      const number = (k) => { const v = query.get(k); return v !== null && v !== "" && isFinite(Number(v)) ? Number(v) : null; };
      const pair = (a, b) => (number(a) !== null && number(b) !== null && number(b) > number(a) ? [number(a), number(b)] : null);
      this.bus = query.get("bus") || ""; this.view = pair("from", "to"); this.span = pair("span0", "span1");
      this.newest = clamp(number("newest") || 10, 1, 600);
      this.page = null;
      const kept = sessionStorage.getItem("dutytrace-opened");
      sessionStorage.removeItem("dutytrace-opened");
      this.list(match ? decodeURIComponent(match[1]) : kept);
    }
    list(wanted) {
      return this.get("/heard?offset_min=" + -new Date().getTimezoneOffset()).then((l) => {
        if (this.gone) return;
        this.heardOf();
        const rows = l.recordings;
        told(this.select, rows, () => rows.map((r) => { const o = el("option", "", r.name + (r.live ? ", still recording" : ", " + r.begun)); o.value = r.path; return o; }));
        const name = wanted || this.name || (rows.find((r) => r.live) || rows[0] || {}).path;
        if (!name) { this.empty(l.folder); return; }
        this.q("empty").hidden = true;
        if (this.name !== name || !this.page) { this.name = name; this.ask(); }
        this.select.value = name;
      }).catch((f) => this.fault(f));
    }
    empty(folder) {
      this.name = null;
      this.q("opened").hidden = true; this.q("empty").hidden = false;
      const rows = [["Record the bench", "dutytrace record bench.toml"], ["See it with simulated joints", "dutytrace demo"],
        ["Listen without recording", "dutytrace bus bench.toml --for 10s"]];
      told(this.q("empty"), folder, () => [el("p", "lede", "There are no recordings in " + folder + " yet."),
        el("ul", "steps", rows.map(([w, t]) => el("li", "", [el("span", "words", w), el("code", "", t)])))]);
    }
    open(name) {
      if (name === this.name) return;
      this.name = name; this.bus = ""; this.view = null; this.span = null; this.page = null;
      if (this.lost === "recording") this.heardOf(true);
      history.pushState(null, "", this.address());
      this.ask();
    }
    address() {
      const n = (x) => String(Math.round(x * 1000) / 1000);
      const parts = [];
      if (this.page && this.page.buses.length > 1) parts.push("bus=" + encodeURIComponent(this.bus));
      if (this.view) parts.push("from=" + n(this.view[0]), "to=" + n(this.view[1]));
      if (this.span) parts.push("span0=" + n(this.span[0]), "span1=" + n(this.span[1])); else if (this.newest !== 10) parts.push("newest=" + n(this.newest));
      return "/bus/" + encodeURIComponent(this.name) + (parts.length ? "?" + parts.join("&") : "");
    }
    save() {
      clearTimeout(this.saving);
      this.saving = setTimeout(() => { if (this.name && !this.gone) history.replaceState(null, "", this.address()); }, 300);
    }

    /* ---- asking: one question at a time, the newest one next ---- */
    tick() {
      if (document.hidden || this.gone || !this.plotly) return;
      this.turn = (this.turn || 0) + 1;
      if (!this.name || this.turn % 4 === 0) this.list(null);
      /* What costs the server long is asked more seldom: at most a tenth of its time. */
      if (this.name && (!this.page || this.page.live || this.lost) && performance.now() - this.askedAt > 9 * this.cost) this.ask();
      const quiet = performance.now() - this.answered;
      if (this.asking && quiet > LOST_MS + AGAIN_MS) this.say("This page has heard nothing from the server for " + Math.round(quiet / 1000) + " s.", " Trying again by itself.");
    }
    heardOf(shown) { this.answered = performance.now(); if (this.lost === "server" || (shown && this.lost)) { this.lost = false; this.q("lost").replaceChildren(); delete this.q("lost").dataset.is; } }
    say(strong, rest, why) {
      this.lost = why || "server";
      this.q("opened").hidden = false;
      told(this.q("lost"), strong + rest, () => [el("div", "told", [el("span", "mark none"), el("div", "said", [el("b", "", strong), el("span", "", rest)])])]);
    }
    fault(f) {
      if (this.gone) return;
      if (f.told) this.say("This recording cannot be shown.", " " + f.message, "recording");
      else if (performance.now() - this.answered > LOST_MS) this.say("This page has heard nothing from the server for " + Math.round((performance.now() - this.answered) / 1000) + " s.", " What stands here is from before. Trying again by itself.");
    }
    ask() {
      if (!this.name || this.gone) return;
      if (this.asking) { this.stale = true; return; }
      this.asking = true; this.stale = false; this.askedAt = performance.now();
      this.q("opened").hidden = false;
      const name = this.name, host = this.q("rows");
      let path = "/heard/" + encodeURIComponent(name) + "?offset_min=" + -new Date().getTimezoneOffset() + "&newest=" + this.newest +
        "&width=" + host.clientWidth + "&height=" + (D.form() === "narrow" ? 520 : clamp(innerHeight - (D.form() === "wide" ? 640 : 520), 330, D.form() === "wide" ? 900 : 520)) + "&form=" + D.form() + "&theme=" + D.theme();
      if (this.bus) path += "&bus=" + encodeURIComponent(this.bus);
      if (this.view) path += "&start=" + this.view[0] + "&end=" + this.view[1];
      if (this.span) path += "&span0=" + this.span[0] + "&span1=" + this.span[1];
      host.classList.add("busy");
      this.get(path).then((p) => {
        if (this.gone || this.name !== name) return null;
        this.heardOf(true);
        this.cost = performance.now() - this.askedAt;
        return this.show(p);
      }).catch((f) => this.fault(f)).finally(() => {
        this.asking = false;
        host.classList.remove("busy");
        if (this.stale && !this.gone) this.ask();
      });
    }

    /* ---- showing ---- */
    show(p) {
      this.q("opened").classList.remove("waiting");
      this.page = p; this.bus = p.buses[p.bus].name;
      if (this.view) this.view = p.view.slice();
      put(this.q("name"), p.name); put(this.q("when"), p.when);
      document.title = "Bus: " + p.name + " – dutytrace";
      this.select.value = p.path;
      const caution = this.q("caution"); caution.hidden = !p.caution; put(caution, p.caution);
      this.buses(p); this.talk(p); this.happened(p); this.mark();
      this.save();
      const figure = p.figure, meta = figure.layout.meta, host = this.q("rows");
      host.style.height = meta.size[1] + "px";
      return this.plotly.react(this.plot, figure.data, figure.layout, { displayModeBar: false, staticPlot: true }).then(() => {
        this.sheet.take(meta);
        this.over();
        host.dataset.drawn = String(Number(host.dataset.drawn || 0) + 1);
      });
    }
    shownSpan() { const t = this.page && this.page.talk; return this.dragged || (t ? [t.from_s, t.to_s] : null); }
    over() {
      if (!this.page) return;
      const meta = this.page.figure.layout.meta, tips = [];
      meta.rows.forEach((r, i) => { if (r.end) tips.push({ row: i, pen: 0, joint: this.page.live ? "now" : "at the end", value: r.end[1], at: r.end[0] }); });
      this.sheet.draw({ view: this.page.view, tips, head: null, span: this.shownSpan(), now: this.page.live && this.page.view[1] >= this.page.length_s - 1 ? "now" : "" });
      const said = this.page.buses.map((b) => b.name + ": load " + b.load.mean + " % on average, " + b.load.most + " % at most; " + b.state).join(". ");
      this.q("rows").setAttribute("aria-label", "Load, frames, errors and losses over the recording. " + said);
      put(this.q("shown"), D.elapsed(this.page.view[0], 1) + " to " + D.elapsed(this.page.view[1], 1));
      const link = this.q("replay"), s = this.shownSpan(), n = (x) => String(Math.round(x * 1000) / 1000);
      link.href = "/replay/" + encodeURIComponent(this.page.path) + "?from=" + n(this.page.view[0]) + "&to=" + n(this.page.view[1]) + (s ? "&at=" + n(s[0]) : "");
    }
    buses(p) {
      const several = p.buses.length > 1;
      told(this.q("buses"), [p.buses, p.bus], () => {
        const head = ["bus", "", "load, mean and most", "frames/s, mean and most", "error frames", "remote", "lost", "garbled", "unanswered", "away", "over the recording"];
        const rows = p.buses.map((b, i) => {
          const row = el("tr", several && i === p.bus ? "open" : "");
          row.dataset.bus = b.name;
          const name = several ? el("button", "plain bus-name", b.name) : el("span", "words", b.name);
          if (several) { name.setAttribute("aria-pressed", String(i === p.bus)); name.dataset.bus = b.name; }
          const pair = (v, u) => el("td", "n", v.most === "–" ? "–" : [el("span", "", v.mean + " "), el("b", "", v.most), ...(u ? [unit(u)] : [])]);
          const load = pair(b.load, "%"), frames = pair(b.frames, "");
          row.append(el("td", "", [name]), el("td", "", [el("small", "", b.where)]), load, frames, el("td", "n", b.errors), el("td", "n", b.remotes),
            el("td", "n", b.lost), el("td", "n", b.garbled), el("td", "n", b.unanswered), el("td", "n", b.away), el("td", "says", [el("span", "mark " + b.mark), document.createTextNode(" " + b.state)]));
          [...row.children].forEach((cell, k) => { cell.dataset.head = head[k]; });
          return row;
        });
        const top = el("tr", "", head.map((w, i) => el("th", i >= 2 && i <= 9 ? "n" : "", w)));
        return [el("table", "buses", [el("thead", "", [top]), el("tbody", "", rows)])];
      });
    }
    talk(p) {
      const t = p.talk, of = p.buses.length > 1 ? ", " + p.buses[p.bus].name : "";
      put(this.q("title"), t ? t.title + of : "Heard" + of);
      put(this.q("span"), t ? t.when : "");
      const cut = this.q("cut"); cut.hidden = !(t && t.cut); put(cut, t ? t.cut : "");
      this.talkers();
      told(this.q("hints"), t ? [t.hints, t.facts, t.errors] : null, () => {
        if (!t) return [el("p", "none-found", "No frame has been recorded yet.")];
        const facts = el("dl", "facts small-facts", t.facts.map(([w, v, u]) => el("div", "", [el("dt", "", w), el("dd", "", [document.createTextNode(v), unit(u)])])));
        const parts = [facts];
        if (!t.hints.length) parts.push(el("p", "hint-line", [el("span", "mark normal"), el("span", "", "Nothing in this span is out of order.")]));
        for (const h of t.hints) parts.push(el("p", "hint-line", [el("span", "mark abnormal"), worded(h)]));
        if (t.errors.length) parts.push(el("p", "hint", "The error frames say: " + t.errors.map(([w, n]) => w + " " + n + "×").join(", ") + "."));
        return parts;
      });
      told(this.q("undecoded"), t ? t.undecoded : null, () => {
        if (!t) return [el("p", "none-found", "Nothing to decode yet.")];
        if (!t.undecoded.length) return [el("p", "none-found", "Every frame of this span was decoded.")];
        const rows = t.undecoded.map(([w, n, s]) => el("tr", "", [el("td", "", w), el("td", "n", n), el("td", "n", [document.createTextNode(s), unit("%")])]));
        const head = el("tr", "", [["reason", ""], ["frames", "n"], ["share", "n"]].map(([w, c]) => el("th", c, w)));
        return [el("table", "", [el("thead", "", [head]), el("tbody", "", rows)])];
      });
    }
    /* The table keeps its heads, and with them the focus, while its rows change. */
    talkers() {
      const host = this.q("talkers"), t = this.page.talk, rows = t ? t.talkers : [];
      host.setAttribute("aria-label", "Identifiers");
      if (!rows.length) { told(host, "none" + !!t, () => [el("p", "none-found", t ? "No frame was heard in this span." : "No frames yet: identifiers stand here as soon as one is heard.")]); this.body = null; return; }
      if (!this.body || !host.contains(this.body)) {
        delete host.dataset.is;
        const head = el("tr", "", COLUMNS.map(([key, words, u]) => {
          const b = el("button", "", [document.createTextNode(words)]);
          if (u) b.append(unit(u));
          b.dataset.column = key;
          const th = el("th", NUMBERS.has(key) ? "n" : "", [b]);
          th.scope = "col";
          return th;
        }));
        this.body = el("tbody");
        host.replaceChildren(el("table", "talkers", [el("thead", "", [head]), this.body]));
      }
      for (const th of host.querySelectorAll("th")) {
        const key = th.firstElementChild.dataset.column;
        th.setAttribute("aria-sort", this.sort[0] !== key ? "none" : this.sort[1] ? "descending" : "ascending");
      }
      const lines = sorted(rows, this.sort[0], this.sort[1]);
      const key = JSON.stringify(lines);
      if (this.body.dataset.is === key) return;
      this.body.dataset.is = key;
      this.body.replaceChildren(...lines.map((r) => {
        const row = el("tr", r.decoded ? "" : "undecoded");
        row.dataset.key = r.key;
        for (const [k, words, u] of COLUMNS) {
          const cell = el("td", NUMBERS.has(k) ? "n" : "", r[k][0]);
          cell.dataset.head = words + (u ? ", " + u : "");
          row.append(cell);
        }
        return row;
      }));
    }
    happened(p) {
      told(this.q("happened"), [p.happened, p.earlier, p.bus], () => {
        if (!p.happened.length) return [el("p", "none-found", "No bus was lost, no frame dropped, nothing else was said.")];
        const list = el("div", "excursions", p.happened.map((h) => {
          const b = el("button", "exc", [el("span", "mark " + h.mark), el("span", "", [el("b", "", h.at), document.createTextNode(" " + h.text)])]);
          b.title = h.clock + " on the clock";
          b.onclick = () => this.visit(h.at_s, h.bus);
          return b;
        }));
        return p.earlier ? [list, el("p", "hint", "and " + p.earlier + " before these")] : [list];
      });
    }
    mark() {
      const p = this.page, wide = p.view[1] - p.view[0], whole = wide >= Math.max(p.length_s, 10) - 0.01;
      for (const b of this.root.querySelectorAll("[data-view]")) {
        const w = Number(b.dataset.view);
        b.setAttribute("aria-pressed", String(w ? !whole && Math.abs(w - wide) < 0.5 : whole));
        b.disabled = w > Math.max(p.length_s, 10);
      }
      const long = this.span ? this.span[1] - this.span[0] : this.newest;
      for (const b of this.root.querySelectorAll("[data-length]")) b.setAttribute("aria-pressed", String(Math.abs(Number(b.dataset.length) - long) < 0.01));
      const f = this.q("follow");
      f.setAttribute("aria-pressed", String(!this.span));
      put(f, this.span ? "Go to the newest" : p.live ? "Following the newest" : "At the newest");
    }

    /* ---- what somebody does ---- */
    length() { return this.span ? this.span[1] - this.span[0] : this.newest; }
    take(from, to) {
      if (!this.page) return;
      const whole = this.page.length_s, wide = Math.min(to - from, Math.max(whole, 0.1));
      const start = clamp(from, 0, Math.max(whole - wide, 0));
      /* As the address tells it, so that who is sent it sees the same. */
      const ms = (v) => Math.round(v * 1000) / 1000;
      this.span = [ms(start), Math.max(ms(start + wide), ms(start) + 0.001)];
      const [a, b] = this.page.view;
      if (this.view && (start < a || start > b)) this.look(start - (b - a) * 0.5, start + (b - a) * 0.5); else this.ask();
    }
    visit(at, bus) {
      if (bus !== null && bus !== undefined && this.page.buses[bus]) this.bus = this.page.buses[bus].name;
      const wide = Math.min(this.length(), 60);
      this.take(at - wide / 2, at + wide / 2);
    }
    look(from, to) {
      const whole = Math.max(this.page.length_s, 10), wide = clamp(to - from, 10, whole), start = clamp(from, 0, whole - wide);
      this.view = wide >= whole - 0.01 ? null : [start, start + wide];
      this.ask();
    }
    zoom(factor, around) {
      const [a, b] = this.page.view, s = this.shownSpan(), at = around !== undefined ? around : s ? clamp(s[0], a, b) : b;
      this.look(at - (at - a) * factor, at + (b - at) * factor);
    }
    step(way, share) {
      const s = this.shownSpan();
      if (!s) return;
      const long = this.length(), by = share ? (this.page.view[1] - this.page.view[0]) * share : long;
      const from = way > 0 ? s[0] + by : s[1] - long - by;
      this.take(from, from + long);
    }
    event(way) {
      const s = this.shownSpan(), at = s ? (s[0] + s[1]) / 2 : 0, events = this.page.events;
      const next = way > 0 ? events.find((t) => t > at + 1e-3) : [...events].reverse().find((t) => t < at - 1e-3);
      if (next === undefined) return;
      const what = this.page.happened.find((h) => Math.abs(h.at_s - next) < 2e-3);
      this.visit(next, what ? what.bus : null);
    }
    follow() { this.newest = this.span ? Math.min(Math.max(this.span[1] - this.span[0], 1), 60) : this.newest; this.span = null; if (this.page && this.page.live) this.view = null; this.ask(); }
    choose(bus) { this.bus = bus; this.ask(); }
    controls() {
      this.select.onchange = () => this.open(this.select.value);
      for (const b of this.root.querySelectorAll("[data-view]")) b.onclick = () => {
        if (!this.page) return;
        const w = Number(b.dataset.view), s = this.shownSpan(), at = s ? s[1] : this.page.length_s;
        if (!w) this.look(0, this.page.length_s); else this.look(at - w, at);
      };
      for (const b of this.root.querySelectorAll("[data-length]")) b.onclick = () => {
        const w = Number(b.dataset.length);
        if (this.span) this.take(this.span[0], this.span[0] + w); else { this.newest = w; this.ask(); }
      };
      this.q("earlier").onclick = () => { if (this.page) this.step(-1); };
      this.q("later").onclick = () => { if (this.page) this.step(1); };
      this.q("follow").onclick = () => this.follow();
      this.q("buses").addEventListener("click", (e) => { const b = e.target.closest("button[data-bus]"); if (b) { this.choose(b.dataset.bus); } });
      this.q("talkers").addEventListener("click", (e) => {
        const b = e.target.closest("button[data-column]");
        if (!b) return;
        const key = b.dataset.column;
        this.sort = this.sort[0] === key ? [key, !this.sort[1]] : [key, NUMBERS.has(key)];
        this.talkers();
      });
      this.drag();
    }
    /* A click looks at the span there, a drag at what was dragged, the wheel looks closer. */
    drag() {
      const host = this.q("rows");
      let from = null, moved = false;
      const at = (e) => clamp(this.sheet.at(e.clientX - host.getBoundingClientRect().left), 0, Math.max(this.page.length_s, 0.1));
      const there = (e) => {
        const y = e.clientY - host.getBoundingClientRect().top, m = this.page.figure.layout.meta;
        const row = m.rows.find((r) => { const top = this.sheet.top + this.sheet.plotH * (1 - r.domain[1]), low = this.sheet.top + this.sheet.plotH * (1 - r.domain[0]); return y >= top - 8 && y <= low + 8; });
        if (row) this.bus = this.page.buses[row.bus].name;
      };
      const click = (e) => { const s = at(e), long = Math.min(this.length(), 60); there(e); this.take(s - long / 2, s + long / 2); };
      host.addEventListener("pointerdown", (e) => { if (!this.page || e.button || e.pointerType === "touch") return; host.setPointerCapture(e.pointerId); from = at(e); moved = false; });
      host.addEventListener("pointermove", (e) => {
        if (from === null) return;
        const to = at(e);
        if (Math.abs(this.sheet.x(to) - this.sheet.x(from)) > 4) moved = true;
        if (moved) { this.dragged = [Math.min(from, to), Math.max(from, to)]; this.over(); }
      });
      host.addEventListener("pointerup", (e) => {
        if (from === null) return;
        from = null;
        const span = this.dragged; this.dragged = null;
        if (moved && span && span[1] - span[0] > 0.01) { there(e); this.take(span[0], span[1]); } else click(e);
      });
      host.addEventListener("pointercancel", () => { from = null; this.dragged = null; });
      host.addEventListener("click", (e) => { if (e.pointerType === "touch" && this.page) click(e); });
      host.addEventListener("wheel", (e) => {
        if (!this.page || (!e.deltaY && !e.deltaX)) return;
        e.preventDefault();
        const [a, b] = this.page.view, sideways = Math.abs(e.deltaX) > Math.abs(e.deltaY);
        if (e.shiftKey || sideways) { const d = ((sideways ? e.deltaX : e.deltaY) / 600) * (b - a); this.look(a + d, b + d); }
        else this.zoom(Math.exp(clamp(e.deltaY, -300, 300) * 0.0022), clamp(this.sheet.at(e.clientX - host.getBoundingClientRect().left), a, b));
      }, { passive: false });
      host.addEventListener("dblclick", () => { if (this.page) this.look(0, this.page.length_s); });
    }
    key(e) {
      const on = e.target && e.target.tagName;
      if (D.typing(e) || on === "SELECT" || e.ctrlKey || e.metaKey || e.altKey || !this.page || document.getElementById("keys").open) return;
      const next = () => { const all = this.page.buses, i = all.findIndex((b) => b.name === this.bus); this.choose(all[(i + 1) % all.length].name); };
      const does = { ArrowLeft: () => this.step(-1, e.shiftKey ? 0.1 : 0), ArrowRight: () => this.step(1, e.shiftKey ? 0.1 : 0), "[": () => this.event(-1), "]": () => this.event(1),
        "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2), f: () => this.follow(), F: () => this.follow(), b: next, B: next }[e.key];
      if (!does) return;
      if (e.key.startsWith("Arrow") && e.target.closest && e.target.closest(".wide-table")) return;
      e.preventDefault(); does();
    }
  }

  /* The recording that is looked at in Replay is looked at on this page as well. */
  document.addEventListener("click", (e) => {
    const a = e.target.closest && e.target.closest('nav a[href="/bus"]'), match = /^\/(?:replay|bus)\/([^/]+)$/.exec(location.pathname);
    if (a && match) sessionStorage.setItem("dutytrace-opened", decodeURIComponent(match[1]));
  }, true);

  D.sorted = sorted;
  D.whenever("heard", (root) => { page = new Heard(root); D.heard = page; }, () => { if (page) page.end(); page = null; });
})();
