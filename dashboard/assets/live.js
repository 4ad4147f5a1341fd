/* The Live page: takes what the live route sends (tab.py, wire.py) and puts it where it belongs.
   Messages are only kept when they come; everything is drawn in requestAnimationFrame and acknowledged
   after it was drawn, so that a slow browser sets the pace and no backlog can build. */
(function () {
  "use strict";
  const D = window.dutytrace, { el, put } = D;
  const QUIET_MS = 2200, AGAIN_MS = 4000, RETRY_MS = [250, 500, 1000, 2000, 4000];

  let page = null;

  /* One trip of bytes, as wire.py packs it. */
  function unpack(buffer) {
    const v = new DataView(buffer);
    const whole = v.getUint8(0) === 1, c = v.getUint8(1), n = v.getUint16(2, true);
    const f = new Float32Array(buffer, 32);
    return { whole, c, n, serial: v.getUint32(4, true), now: v.getFloat64(8, true), start: v.getFloat64(16, true),
      width: v.getFloat64(24, true), newest: f.subarray(0, c * 2), bins: f.subarray(c * 2) };
  }

  /* What changed, put into what was known (changed.py). */
  function merged(before, told) {
    const now = Object.assign({}, before), map = (v) => v !== null && typeof v === "object" && !Array.isArray(v);
    const maps = (v) => Array.isArray(v) && v.length > 0 && v.every(map);
    for (const key in told) {
      const value = told[key], old = before[key];
      if (value === null) delete now[key];
      else if (map(value) && map(old)) now[key] = merged(old, value);
      else if (maps(value) && maps(old) && old.length === value.length) now[key] = value.map((v, i) => merged(old[i], v));
      else now[key] = value;
    }
    return now;
  }

  /* What goes and comes in a list, put into it (changed.py). */
  function splice(list, told) { for (const [at, gone, ...items] of told) list.splice(at, gone, ...items); }

  /* One polygon for each stretch of a band that is held, as figures/lines.py draws them. */
  function outlines(band, x, y) {
    for (let i = 0; i < band.x.length; i++) {
      if (band.max[i] === null) continue;
      let end = i;
      while (end + 1 < band.x.length && band.max[end + 1] !== null) end++;
      if (x.length) { x.push(null); y.push(null); }
      for (let k = i; k <= end; k++) { x.push(band.x[k]); y.push(band.max[k]); }
      for (let k = end; k >= i; k--) { x.push(band.x[k]); y.push(band.min[k]); }
      i = end;
    }
  }

  /* The bins of one window: columns of plain numbers, oldest first. */
  class Store {
    constructor() { this.clear(0, 1); }
    clear(channels, width) {
      this.width = width; this.starts = []; this.cut = new Map();
      this.a = []; this.b = []; this.mean = [];
      for (let k = 0; k < channels; k++) { this.a.push([]); this.b.push([]); this.mean.push([]); }
      this.newest = [];
    }
    take(u) {
      this.cut.clear();
      if (u.whole || this.a.length !== u.c || this.width !== u.width) this.clear(u.c, u.width);
      for (let i = 0; i < u.n; i++) {
        this.starts.push(u.start + i * u.width);
        for (let k = 0; k < u.c; k++) {
          const o = (i * u.c + k) * 3;
          this.a[k].push(u.bins[o]); this.b[k].push(u.bins[o + 1]); this.mean[k].push(u.bins[o + 2]);
        }
      }
      this.newest = [];
      for (let k = 0; k < u.c; k++) this.newest.push([u.now - u.newest[2 * k], u.newest[2 * k + 1]]);
    }
    forget(before) {
      let k = 0;
      while (k < this.starts.length && this.starts[k] + this.width < before) k++;
      if (k < 32) return;
      this.cut.clear();
      this.starts.splice(0, k);
      for (const set of [this.a, this.b, this.mean]) for (const column of set) column.splice(0, k);
    }
    /* The buckets of a band: groups of bins, cut at the same places whatever the window; null where nothing is held. */
    bands(k, group) {
      const key = k + "/" + group;
      if (this.cut.has(key)) return this.cut.get(key);
      const a = this.a[k], b = this.b[k], m = this.mean[k], w = this.width, n = this.starts.length;
      const band = { x: [], max: [], min: [], mean: [] };
      for (let i = 0; i < n; ) {
        const place = Math.floor(Math.round(this.starts[i] / w) / group), from = this.starts[i];
        let high = -Infinity, low = Infinity, sum = 0, held = 0;
        for (; i < n && Math.floor(Math.round(this.starts[i] / w) / group) === place; i++) {
          if (a[i] !== a[i]) continue;
          high = Math.max(high, a[i], b[i]); low = Math.min(low, a[i], b[i]);
          sum += m[i]; held++;
        }
        band.x.push((from + this.starts[i - 1] + w) / 2);
        band.max.push(held ? high : null); band.min.push(held ? low : null); band.mean.push(held ? sum / held : null);
      }
      this.cut.set(key, band);
      return band;
    }
    /* Fills x and y of a trace by its role. */
    fill(trace) {
      const k = trace.meta.at, role = trace.meta.role, w = this.width, n = this.starts.length;
      const x = [], y = [];
      if (role === "line" || role === "setpoint") {
        const a = this.a[k], b = this.b[k];
        for (let i = 0; i < n; i++) {
          const s = this.starts[i];
          if (a[i] !== a[i]) { x.push(s + w / 2); y.push(null); continue; }
          if (a[i] === b[i]) { x.push(s + w / 2); y.push(a[i]); }
          else { x.push(s + w / 4, s + 0.75 * w); y.push(a[i], b[i]); }
        }
      } else {
        const band = this.bands(k, trace.meta.group || 1);
        if (role === "fill") outlines(band, x, y);
        else for (let i = 0; i < band.x.length; i++) { x.push(band.x[i]); y.push(band[role][i]); }
      }
      const [at, value] = this.newest[k] || [NaN, NaN];
      const last = x.length ? x[x.length - 1] : -Infinity;
      if (at === at && at > last && (role === "line" || role === "setpoint") && (last === -Infinity || at - last < 3 * w + 1)) { x.push(at); y.push(value); }
      trace.x = x; trace.y = y;
    }
  }

  class Live {
    constructor(root) {
      this.root = root;
      this.store = new Store();
      this.window = Number(sessionStorage.getItem("dutytrace-window") || 300);
      this.waiting = []; this.asked = false; this.held = false; this.gone = false; this.tries = 0;
      this.heard = performance.now(); this.offset = 0;
      this.q = (id) => document.getElementById(id);
      this.host = this.q("live-sheet");
      this.plot = document.createElement("div"); this.plot.className = "plot";
      this.host.appendChild(this.plot);
      this.sheet = new D.Sheet(this.host);
      this.input();
      this.controls();
      this.resized = () => { clearTimeout(this.settling); this.settling = setTimeout(() => this.look(), 150); };
      addEventListener("resize", this.resized);
      addEventListener("dutytrace-units", this.resized);
      this.scheme = matchMedia("(prefers-color-scheme: dark)");
      this.scheme.addEventListener("change", this.resized);
      this.keys = (e) => this.key(e);
      document.addEventListener("keydown", this.keys);
      this.clockwork = setInterval(() => this.watch(), 500);
      D.plotly().then((p) => { this.plotly = p; this.later(); });
      this.connect();
    }
    end() {
      this.gone = true;
      removeEventListener("resize", this.resized);
      removeEventListener("dutytrace-units", this.resized);
      this.scheme.removeEventListener("change", this.resized);
      document.removeEventListener("keydown", this.keys);
      clearInterval(this.clockwork); clearTimeout(this.retrying);
      if (this.socket) this.socket.close();
      if (this.plotly) this.plotly.purge(this.plot);
    }

    /* ---- the connection ---- */
    connect() {
      if (this.gone) return;
      clearTimeout(this.retrying); this.retrying = null;
      const before = this.socket;
      this.socket = null; this.begun = performance.now();
      if (before) before.close();
      const socket = new WebSocket((location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/live");
      socket.binaryType = "arraybuffer";
      this.socket = socket;
      socket.onopen = () => { if (socket === this.socket) { this.waiting = []; this.look(); } };
      socket.onmessage = (e) => {
        if (socket !== this.socket) return;
        this.heard = performance.now();
        this.tries = 0;
        this.waiting.push(e.data);
        /* A hidden page is given no frames to draw in; one that is to be heard takes its messages all the same. */
        if (document.hidden && D.sound && D.sound.wanted) this.frame(); else this.later();
      };
      socket.onclose = () => {
        if (this.gone || socket !== this.socket) return;
        this.socket = null;
        const wait = RETRY_MS[Math.min(this.tries++, RETRY_MS.length - 1)];
        this.retryAt = performance.now() + wait;
        this.retrying = setTimeout(() => this.connect(), wait);
      };
    }
    say(what) { if (this.socket && this.socket.readyState === 1) this.socket.send(JSON.stringify(what)); }
    look() {
      const height = D.height();
      this.host.style.height = height + "px";
      this.say({ kind: "look", ...D.units(), window_s: this.window, width: this.host.clientWidth, height, form: D.form(), theme: D.theme(),
        offset_min: -new Date().getTimezoneOffset() });
    }
    /* Says what the page itself knows: that the server is silent. */
    watch() {
      const quiet = performance.now() - this.heard;
      const lost = quiet > QUIET_MS && !document.hidden;
      /* A network that is gone closes nothing, and what was sent into it is repeated ever more seldom: begin anew. */
      if (lost && !this.retrying && Math.min(quiet, performance.now() - this.begun) > AGAIN_MS) this.connect();
      if (lost) {
        const next = this.retryAt && this.retrying ? Math.max(1, Math.ceil((this.retryAt - performance.now()) / 1000)) : 0;
        this.tell("lost", "This page has heard nothing from the server for " + Math.round(quiet / 1000) + " s.",
          " The logger may well be recording; what you see is from " + (this.lastClock || "before") + "." +
          (next ? " Trying again in " + next + " s." : " Trying again."), ["Try now", () => { this.connect(); }]);
      } else if (this.told === "lost") this.tell(null);
      this.root.classList.toggle("stale-picture", lost || !!this.stopped);
      if (lost) for (const j of this.root.querySelectorAll(".joint")) j.classList.add("stale");
    }
    tell(kind, strong, rest, action) {
      const box = this.q("live-lost");
      if (kind === null) { this.told = null; this.toldText = ""; box.replaceChildren(); return; }
      const text = strong + rest;
      if (this.told === kind && this.toldText === text) return;
      if (this.told === kind) {
        this.toldText = text;
        box.querySelector("b").textContent = strong; box.querySelector(".rest").textContent = rest;
        return;
      }
      this.told = kind; this.toldText = text;
      const said = el("div", "said", [el("b", "", strong), el("span", "rest", rest)]);
      const parts = [el("span", "mark none"), said];
      if (action) {
        const b = action[1] instanceof Function ? el("button", "", action[0]) : el("a", "", action[0]);
        if (action[1] instanceof Function) b.onclick = action[1]; else b.href = action[1];
        parts.push(b);
      }
      box.replaceChildren(el("div", "told", parts));
    }

    /* ---- drawing ---- */
    later() {
      if (this.asked || !this.plotly) return;
      this.asked = true;
      requestAnimationFrame(() => { this.asked = false; if (!this.gone) this.frame(); });
    }
    frame() {
      const messages = this.waiting;
      this.waiting = [];
      let serial = 0, draw = false, ledger = null;
      for (const m of messages) {
        if (typeof m !== "string") {
          const u = unpack(m);
          this.store.take(u); this.now = u.now; serial = u.serial; draw = true;
          continue;
        }
        const said = JSON.parse(m);
        if (said.kind === "sheet") { this.figure = said.figure; this.path = said.path; this.fresh = true; }
        else if (said.kind === "marks") { splice(this.figure.layout.shapes, said.shapes); splice(this.figure.layout.meta.lane, said.lane); }
        else if (said.kind === "ledger") ledger = this.words = merged(said.all ? {} : this.words || {}, said.said);
        else if (said.kind === "nothing") { serial = said.ack; this.nothing(said.last); }
      }
      if (ledger) this.ledger(ledger);
      if (draw && document.hidden) this.forget();
      else if (draw && this.figure && !this.held) this.draw();
      if (serial) this.say({ ack: serial });
    }
    forget() { if (this.window) this.store.forget(this.now - this.window - this.store.width); }
    draw() {
      const f = this.figure, meta = f.layout.meta;
      const view = this.window ? [this.now - this.window, this.now] : [0, Math.max(this.now, 10)];
      this.forget();
      for (const trace of f.data) this.store.fill(trace);
      f.layout.xaxis.range = view;
      for (const s of f.layout.shapes) if (s.name === "open") s.x1 = Math.max(this.now, s.x0);
      f.layout.datarevision = (f.layout.datarevision || 0) + 1;
      if (this.fresh) { this.sheet.take(meta); this.fresh = false; this.host.style.height = meta.size[1] + "px"; }
      this.plotly.react(this.plot, f.data, f.layout, { displayModeBar: false, staticPlot: true, responsive: false, doubleClick: false });
      this.sheet.draw({ view, tips: this.tips(meta), now: this.stopped ? D.elapsed(this.now, 1) : "now" });
      this.view = view;
      this.drawn = (this.drawn || 0) + 1;
      this.host.dataset.drawn = String(this.drawn);
    }
    tips(meta) {
      const at = {};
      for (const t of this.figure.data) at[t.meta.joint + "/" + t.meta.channel] = t.meta.at;
      const tips = [];
      meta.rows.forEach((row, i) => {
        for (const p of row.pens) {
          const newest = this.store.newest[at[p.joint + "/" + p.channel]];
          if (newest) tips.push({ row: i, pen: p.pen, joint: p.joint, value: newest[1], at: newest[0] });
        }
      });
      return tips;
    }

    /* ---- words ---- */
    nothing(last) {
      if (D.sound) D.sound.hear("", []);
      this.q("live-body").hidden = true;
      const box = this.q("live-empty");
      box.hidden = false;
      const rows = [["Record the bench", code("dutytrace record bench.toml --name \"fan test\"")],
        ["See it with simulated joints", code("dutytrace demo")]];
      if (last) { const a = el("a", "", "Open it in Replay"); a.href = "/replay/" + encodeURIComponent(last); rows.push(["Look at the last test", a]); }
      box.replaceChildren(el("p", "lede", "Nothing is being recorded."),
        el("ul", "steps", rows.map(([w, what]) => el("li", "", [el("span", "words", w), el("span", "", [what])]))),
        el("small", "", "This page begins by itself as soon as a logger writes."));
    }
    ledger(l) {
      this.q("live-empty").hidden = true; this.q("live-body").hidden = false; this.q("live-body").classList.remove("waiting");
      put(this.q("live-name"), l.name);
      document.title = l.name + " – dutytrace";
      const since = this.q("live-since"), stopped = l.stopped || null;
      if (since.dataset.is !== l.since + !!stopped) {
        since.dataset.is = l.since + !!stopped;
        since.replaceChildren(el("span", "mark " + (stopped ? "none" : "normal")), el("span", "", (stopped ? "recorded from " : "recording since ") + l.since));
      }
      put(this.q("fact-elapsed"), l.elapsed); put(this.q("fact-clock"), l.clock);
      for (const k in l.facts) put(this.q("fact-" + k), l.facts[k]);
      this.lastClock = l.clock;
      put(this.q("live-note-label"), "Note at " + l.elapsed);
      this.path = l.path;
      this.stopped = stopped;
      if (stopped && stopped.ended) {
        this.tell("ended", "The test ended at " + stopped.at + ", after " + stopped.after + ".", " This page goes on by itself with the next one.",
          ["Open it in Replay", "/replay/" + encodeURIComponent(l.path)]);
      } else if (stopped) {
        this.tell("stopped", "The logger stopped " + stopped.for + " ago,", " at " + stopped.at + ". What it wrote until then is kept. This page goes on by itself once a logger writes again.",
          ["Look at it in Replay", "/replay/" + encodeURIComponent(l.path)]);
      } else if (l.quiet) {
        this.tell("quiet", "No joint has been heard for " + l.quiet.for + ".", " The logger is running; the last frame came at " + l.quiet.at + ".");
      } else if (this.told && this.told !== "lost") this.tell(null);
      this.joints(l.joints);
      this.alerts(l.alerts);
      if (D.sound) D.sound.hear(l.path, l.alerts);
      const remarks = this.q("live-remarks"), text = l.remarks.join("\u0000");
      if (remarks.dataset.is !== text) { remarks.dataset.is = text; remarks.replaceChildren(...l.remarks.map((r) => el("span", "", r))); }
    }
    joints(joints) {
      const host = this.q("live-ledger"), names = joints.map((j) => j.name + (j.other ? "+" : "")).join("/");
      if (host.dataset.names !== names) { host.dataset.names = names; host.replaceChildren(...joints.map(jointRow)); }
      joints.forEach((j, i) => fillJoint(host.children[i], j));
    }
    alerts(lines) {
      const host = this.q("live-alerts"), shown = lines.slice(0, 3);
      const shape = shown.map((l) => [l.n, l.mark, l.can.join()].join(":")).join("/") + (lines.length - shown.length);
      if (host.dataset.shape !== shape) {
        host.dataset.shape = shape;
        const rows = shown.map((l) => {
          const does = el("span", "does", l.can.map((what) => {
            const b = el("button", what === "acknowledge" ? "asked" : "", { acknowledge: "Acknowledge", shelve: "Shelve 30 min", unshelve: "Hear it again" }[what]);
            b.dataset.does = what; b.dataset.alert = l.n;
            return b;
          }));
          const row = el("div", "alert " + l.mark, [el("span", "mark " + l.mark), el("span", "said", [el("b"), el("span", "peak"), el("small")]), does]);
          row.dataset.alert = l.n;
          return row;
        });
        if (lines.length > shown.length) rows.push(el("div", "alert more", "and " + (lines.length - shown.length) + " more"));
        host.replaceChildren(...rows);
      }
      shown.forEach((l, i) => {
        const row = host.children[i];
        put(row.querySelector("b"), l.head); put(row.querySelector(".peak"), l.peak); put(row.querySelector("small"), l.small);
      });
    }

    /* ---- what somebody does ---- */
    input() {
      const place = this.q("live-note-place");
      if (!place) return; /* a screen that only shows */
      this.note = document.createElement("input");
      this.note.id = "live-note"; this.note.maxLength = 500; this.note.autocomplete = "off"; this.note.placeholder = "what you just did or saw";
      place.replaceChildren(this.note);
    }
    controls() {
      for (const b of this.root.querySelectorAll(".choice")) b.onclick = () => this.choose(Number(b.dataset.window));
      this.mark();
      this.q("live-hold").onclick = () => this.hold(!this.held);
      if (this.note) this.q("live-note-form").addEventListener("submit", (e) => {
        e.preventDefault(); e.stopPropagation();
        const text = this.note.value.trim();
        if (!text) { this.note.focus(); return; }
        this.ask({ kind: "note", text }, () => { this.note.value = ""; });
      }, true);
      this.q("live-alerts").addEventListener("click", (e) => {
        const b = e.target.closest("button[data-does]");
        if (!b) return;
        b.disabled = true;
        this.ask({ kind: b.dataset.does, alert: Number(b.dataset.alert), for_s: b.dataset.does === "shelve" ? 1800 : 0 }, null, () => { b.disabled = false; });
      });
    }
    ask(what, done, failed) {
      fetch("/ask", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ recording: this.path, ...what }) })
        .then((r) => r.json()).then((answer) => {
          if (answer.done) { if (done) done(); return; }
          throw new Error(answer.fault || "the server did not say why");
        }).catch((fault) => {
          if (failed) failed();
          this.tell("refused", "That was not written.", " " + fault.message, ["Close", () => this.tell(null)]);
        });
    }
    choose(seconds) {
      this.window = seconds;
      sessionStorage.setItem("dutytrace-window", String(seconds));
      this.hold(false); this.mark(); this.look();
    }
    mark() {
      for (const b of this.root.querySelectorAll(".choice")) {
        const on = Number(b.dataset.window) === this.window;
        b.setAttribute("aria-pressed", String(on));
        if (on) put(this.q("live-title"), b.dataset.title);
      }
    }
    hold(on) {
      this.held = on;
      const b = this.q("live-hold"), closer = this.q("live-closer");
      b.setAttribute("aria-pressed", String(on));
      put(b, on ? "Go on" : "Hold the picture");
      closer.hidden = !on;
      if (on && this.view && this.path)
        closer.href = "/replay/" + encodeURIComponent(this.path) + "?from=" + Math.max(0, this.view[0]).toFixed(3) + "&to=" + this.view[1].toFixed(3);
      if (on) put(this.q("live-title"), "Held, the recording goes on"); else this.mark();
    }
    key(e) {
      if (D.typing(e) || e.ctrlKey || e.metaKey || e.altKey) return;
      const choices = this.root.querySelectorAll(".choice");
      if (e.key >= "1" && e.key <= String(choices.length)) choices[Number(e.key) - 1].click();
      else if (e.key === "h" || e.key === "H") this.q("live-hold").click();
      else if (e.key === "n" || e.key === "N") { if (this.note) { e.preventDefault(); this.note.focus(); } }
      else if (e.key === "s" || e.key === "S") this.q("live-sound").click();
      else if (e.key === "w" || e.key === "W") this.q("live-awake").click();
      else if (e.key === "a" || e.key === "A") { const b = this.q("live-alerts").querySelector("button.asked"); if (b) b.click(); }
    }
  }

  function code(text) { return el("code", "", text); }

  function cell(cls, fig, says) {
    return el("div", cls, [el("div", "fig", fig), el("div", "says", says)]);
  }
  function unit(text) { return el("i", "u", text); }
  function jointRow(j) {
    const row = el("div", "joint pen-" + j.pen);
    row.dataset.joint = j.name;
    const state = el("span", "state", [el("span", "mark"), el("span", "word")]);
    row.append(
      el("div", "id", [el("h2", "", [el("span", "pen"), el("span", "", j.name)]), el("div", "", [state, el("span", "under")])]),
      el("div", "temp", [el("div", "far", [el("span", "value"), unit("°C")]), el("div", "says")]),
      el("div", "reach"),
      cell("when", [el("span", "value"), document.createTextNode(" "), el("small")], ""),
      cell("rms", [el("span", "value"), document.createTextNode(" "), el("small"), unit("N·m")], "RMS torque, 1 min"),
      cell("other", [el("span", "value"), unit("°C")], j.other ? j.other.says : ""),
      cell("age", [el("span", "value"), unit("s")], "last frame"),
      el("div", "drive", [
        el("span", "drive-state", [el("span", "who", "drive "), el("b", "value"), " ", el("small")]),
        el("span", "drive-fault", [el("span", "mark danger"), el("b", "fault", "Fault"), " ", el("span", "value"), " ", el("small")])]));
    if (!j.other) row.querySelector(".other").style.visibility = "hidden";
    return row;
  }
  function fillJoint(row, j) {
    row.classList.toggle("stale", j.stale);
    const state = row.querySelector(".state");
    if (state.dataset.is !== j.mark) {
      state.dataset.is = j.mark; state.className = "state " + j.mark; state.dataset.is = j.mark;
      state.querySelector(".mark").className = "mark " + j.mark;
    }
    put(row.querySelector(".word"), j.state); put(row.querySelector(".under"), j.under);
    put(row.querySelector(".temp .value"), j.temp); put(row.querySelector(".temp .says"), j.place);
    put(row.querySelector(".when .value"), j.when.fig); put(row.querySelector(".when small"), j.when.more); put(row.querySelector(".when .says"), j.when.says);
    put(row.querySelector(".rms .value"), j.rms); put(row.querySelector(".rms small"), j.rated);
    if (j.other) put(row.querySelector(".other .value"), j.other.value);
    put(row.querySelector(".age .value"), j.age[0]); put(row.querySelector(".age i.u"), j.age[1]);
    reach(row.querySelector(".reach"), j.reach);
    drive(row.querySelector(".drive"), j.drive || {});
  }
  /* What the drive says of itself: nothing, a state, a fault or that there is none. */
  function drive(host, said) {
    const state = host.querySelector(".drive-state"), fault = host.querySelector(".drive-fault"), stands = !!said.fault;
    state.hidden = !said.state; fault.hidden = !stands && !said.calm;
    fault.classList.toggle("stands", stands);
    fault.querySelector(".mark").hidden = fault.querySelector(".fault").hidden = !stands;
    put(state.querySelector(".value"), said.state || ""); put(state.querySelector("small"), said.state_age || "");
    put(fault.querySelector(".value"), said.fault || said.calm || ""); put(fault.querySelector("small"), said.fault_age || "");
  }
  /* 20 to 90 degC for every joint, wider if a limit lies beyond. */
  function reach(host, r) {
    const text = JSON.stringify(r);
    if (host.dataset.is === text) return;
    host.dataset.is = text;
    const high = Math.max(90, ...r.limits.map((l) => Math.ceil((l.at + 8) / 10) * 10)), low = 20;
    const at = (v) => Math.min(100, Math.max(0, ((v - low) / (high - low)) * 100));
    const parts = [el("span", "base")];
    const labelled = new Set();
    for (const l of r.limits) {
      const band = el("span", "band " + l.mark);
      band.style.left = at(l.off) + "%"; band.style.width = Math.max(0, at(l.at) - at(l.off)) + "%";
      const line = el("span", "at lim"); line.style.left = at(l.at) + "%";
      const top = el("span", "top mark " + l.mark); top.style.left = at(l.at) + "%"; top.style.position = "absolute";
      parts.push(band, line, top);
    }
    for (let v = low; v <= high; v += 10) {
      const tick = el("span", "at"); tick.style.left = at(v) + "%"; parts.push(tick);
      const limit = r.limits.some((l) => Math.abs(l.at - v) < 1), near = r.limits.some((l) => Math.abs(l.at - v) < 8);
      if ((v % 20 === 0 && !near) || limit) labelled.add(v);
    }
    for (const l of r.limits) if (![...labelled].some((v) => Math.abs(v - l.at) < 6)) labelled.add(l.at);
    for (const v of [...labelled].sort((a, b) => a - b)) { const b = el("b", "", String(v)); b.style.left = at(v) + "%"; parts.push(b); }
    if (r.now !== undefined) {
      const went = el("span", "went"), tip = el("span", "tip");
      went.style.width = at(r.now) + "%"; tip.style.left = at(r.now) + "%";
      parts.push(went, tip);
      if (r.will) { const will = el("span", "will"); will.style.left = at(r.now) + "%"; will.style.width = at(r.will) - at(r.now) + "%"; parts.push(will); }
    }
    host.replaceChildren(...parts);
    host.setAttribute("role", "img");
    host.setAttribute("aria-label", (r.now === undefined ? "no temperature" : r.now + " °C") + "; " + r.limits.map((l) => l.word + " at " + l.at).join(", "));
  }

  D.unpack = unpack; D.Store = Store;
  D.whenever("live", (root) => { page = new Live(root); D.live = page; }, () => { if (page) page.end(); page = null; });
})();
