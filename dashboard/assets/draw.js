/* What stands over a figure of rows and moves with the reader: ticks, the words of the lane and of the
   right margin, pen tips, play-head, dragged span. Reads layout.meta of the figure (figures/rows.py);
   draws into one SVG above plotly's. Pure layout functions first, so that tests can call them. */
(function () {
  "use strict";
  const NS = "http://www.w3.org/2000/svg";

  /* [y...] in any order -> places at least `gap` apart, each as near to its own as that allows. */
  function spread(wanted, gap, low, high) {
    const order = wanted.map((y, i) => [y, i]).sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    let groups = [];
    for (const [y, i] of order) {
      groups.push({ sum: y, n: 1, items: [i], at: y });
      for (;;) {
        const b = groups[groups.length - 1], a = groups[groups.length - 2];
        const half = (g) => ((g.n - 1) * gap) / 2;
        if (!a || a.at + half(a) + gap <= b.at - half(b) + 1e-9) break;
        groups.pop();
        a.sum += b.sum; a.n += b.n; a.items = a.items.concat(b.items); a.at = a.sum / a.n;
      }
      for (const g of groups) {
        const half = ((g.n - 1) * gap) / 2;
        if (low !== undefined) g.at = Math.max(g.at, low + half);
        if (high !== undefined) g.at = Math.min(g.at, high - half);
      }
    }
    const places = new Array(wanted.length);
    for (const g of groups) g.items.forEach((i, k) => { places[i] = g.at + (k - (g.n - 1) / 2) * gap; });
    /* A group that was held back at the lower edge may have been pushed onto the one above it. */
    const inOrder = groups.flatMap((g) => g.items);
    for (let k = inOrder.length - 2; k >= 0; k--) places[inOrder[k]] = Math.min(places[inOrder[k]], places[inOrder[k + 1]] - gap);
    return places;
  }

  const STEPS = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600,
    7200, 14400, 21600, 43200, 86400, 172800, 604800];
  /* Round instants within [from, to], `room` pixels apart at least. */
  function ticks(from, to, width, room) {
    const least = ((to - from) / Math.max(1, width)) * room;
    const step = STEPS.find((s) => s >= least) || STEPS[STEPS.length - 1];
    const out = [];
    for (let k = Math.ceil(from / step - 1e-9); k * step <= to + step * 1e-6; k++) out.push(k * step);
    return { step, at: out };
  }
  const two = (n) => String(n).padStart(2, "0");
  function elapsed(s, step) {
    const digits = step >= 1 ? 0 : step >= 0.1 ? 1 : step >= 0.01 ? 2 : 3;
    const scale = Math.pow(10, digits);
    const whole = Math.round(Math.abs(s) * scale);
    const secs = Math.floor(whole / scale), part = whole % scale;
    const text = two(Math.floor(secs / 3600)) + ":" + two(Math.floor(secs / 60) % 60) + ":" + two(secs % 60);
    return (s < -1e-9 && whole ? "−" : "") + text + (digits ? "." + String(part).padStart(digits, "0") : "");
  }
  function clock(epochMs, s) {
    const d = new Date(epochMs + s * 1000);
    return two(d.getHours()) + ":" + two(d.getMinutes()) + ":" + two(d.getSeconds());
  }
  function number(v, decimals) {
    if (v === null || v === undefined || !isFinite(v)) return "–";
    const text = v.toFixed(decimals);
    return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "−");
  }
  function spanWords(s) {
    if (s < 9.95) return number(s, s < 1 ? 2 : 1) + " s";
    const whole = Math.round(s);
    if (whole < 120) return whole + " s";
    if (whole < 7200) return Math.floor(whole / 60) + " min" + (whole % 60 && whole < 3600 ? " " + (whole % 60) + " s" : "");
    const m = Math.round(whole / 60);
    return Math.floor(m / 60) + " h" + (m % 60 ? " " + (m % 60) + " min" : "");
  }

  function make(name, attributes, text) {
    const e = document.createElementNS(NS, name);
    for (const k in attributes) e.setAttribute(k, attributes[k]);
    if (text !== undefined) e.textContent = text;
    return e;
  }
  function mark(kind, x, y, size) {
    const r = size / 2;
    if (kind === "danger") {
      const c = 0.42 * r;
      const p = [[-c, -r], [c, -r], [r, -c], [r, c], [c, r], [-c, r], [-r, c], [-r, -c]];
      return make("polygon", { class: "m-danger", points: p.map(([a, b]) => (x + a) + "," + (y + b)).join(" ") });
    }
    if (kind === "abnormal")
      return make("polygon", { class: "m-abnormal", points: `${x},${y - r} ${x + r * 1.05},${y + r * 0.85} ${x - r * 1.05},${y + r * 0.85}` });
    return make("polygon", { class: "m-none", points: `${x},${y - r} ${x + r},${y} ${x},${y + r} ${x - r},${y}` });
  }

  /* One figure of rows with what stands over it. */
  class Sheet {
    constructor(host) {
      this.host = host;
      this.svg = make("svg", { class: "over", "aria-hidden": "true" });
      this.widths = new Map();
      host.appendChild(this.svg);
    }
    /* meta: layout.meta of the figure; view: [from, to] in seconds. */
    take(meta) {
      this.meta = meta;
      const [w, h] = meta.size;
      this.svg.setAttribute("width", w); this.svg.setAttribute("height", h);
      [this.left, this.right, this.top, this.bottom] = meta.margin;
      this.w = w; this.h = h;
      this.plotW = w - this.left - this.right; this.plotH = h - this.top - this.bottom;
    }
    x(s) { return this.left + ((s - this.view[0]) / (this.view[1] - this.view[0])) * this.plotW; }
    at(px) { return this.view[0] + ((px - this.left) / this.plotW) * (this.view[1] - this.view[0]); }
    y(row, v) {
      const r = this.meta.rows[row], share = (v - r.range[0]) / (r.range[1] - r.range[0]);
      return this.top + this.plotH * (1 - (r.domain[0] + share * (r.domain[1] - r.domain[0])));
    }
    textWidth(text, cls) {
      const key = cls + text;
      if (!this.widths.has(key)) {
        const t = make("text", { class: cls, x: -9999, y: 0 }, text);
        this.svg.appendChild(t);
        if (this.widths.size > 400) this.widths.clear();
        this.widths.set(key, t.getComputedTextLength());
        t.remove();
      }
      return this.widths.get(key);
    }
    /* tips: [{row, pen, joint, other, value, at}] at time `at` (s); head: time of the play-head or null;
       span: [from, to] or null; now: text at the right end, or "" */
    draw({ view, tips, head = null, span = null, now = "" }) {
      this.view = view;
      const g = document.createDocumentFragment();
      this.axis(g, head, now);
      this.lane(g, span);
      this.margin(g, tips, head);
      if (span) this.bracket(g, span);
      if (head !== null) this.head(g, head, tips);
      this.svg.replaceChildren(g);
    }
    axis(g, head, now) {
      const y = this.top + this.plotH, right = this.left + this.plotW, narrow = this.meta.form === "narrow";
      const base = y + Math.round(this.bottom * 0.14);
      const t = this.meta.text;
      g.appendChild(make("line", { class: "axis", x1: this.left, x2: right, y1: base, y2: base }));
      const { step, at } = ticks(this.view[0], this.view[1], this.plotW, narrow ? 88 : 9.2 * t);
      const headX = head === null ? null : this.x(head);
      const limit = now ? right - 5 * t : right + 4 * t;
      for (const s of at) {
        const x = this.x(s);
        if (s < -1e-9) continue; /* nothing was before the recording began */
        if (x < this.left - 1 || x > right + 1) continue;
        g.appendChild(make("line", { class: "axis", x1: x, x2: x, y1: base, y2: base + 5 }));
        if (headX !== null && Math.abs(x - headX) < 6.4 * t) continue;
        if (x > limit || x < this.left + (narrow ? 1.2 * t : 0)) continue;
        g.appendChild(make("text", { class: "elapsed", x, y: base + 5 + t, "text-anchor": "middle" }, elapsed(s, step)));
        g.appendChild(make("text", { class: "tick", x, y: base + 5 + 2.15 * t, "text-anchor": "middle" }, clock(this.meta.epoch_ms, s)));
      }
      if (!narrow) {
        g.appendChild(make("text", { class: "tick", x: 0, y: base + 5 + t }, "elapsed"));
        g.appendChild(make("text", { class: "tick", x: 0, y: base + 5 + 2.15 * t }, "clock"));
      }
      if (now) {
        g.appendChild(make("text", { class: "elapsed", x: right + 6, y: base + 5 + t, style: "font-weight:700" }, now));
        if (!narrow) g.appendChild(make("text", { class: "tick", x: right + 6, y: base + 5 + 2.15 * t }, clock(this.meta.epoch_ms, this.view[1])));
      }
    }
    lane(g, span) {
      const line = Math.round(this.meta.text * 1.5), base = this.top - (this.meta.form === "narrow" ? 10 + Math.round(this.meta.title * 1.4) : 10), right = this.left + this.plotW + this.right * 0.9;
      const taken = [[], [], []];
      const items = this.meta.lane.slice();
      if (span) items.push({ x0: span[0], x1: span[1], text: spanWords(span[1] - span[0]), mark: "", kind: "span" });
      const rank = { span: 0, alert: 1, gap: 2, note: 3 };
      items.sort((a, b) => rank[a.kind] - rank[b.kind] || b.x0 - a.x0);
      let dropped = 0;
      for (const item of items) {
        const x0 = this.x(item.x0), x1 = item.x1 === null ? this.left + this.plotW : this.x(item.x1);
        if (x1 < this.left || x0 > this.left + this.plotW + 1) continue;
        const seen0 = Math.max(x0, this.left), seen1 = Math.min(x1, this.left + this.plotW);
        if (item.kind === "gap" && seen1 - seen0 < 6) continue;
        const text = item.kind === "gap" && item.x1 === null ? item.text + spanWords(this.view[1] - item.x0) : item.text;
        const cls = item.kind === "note" ? "hand halo" : "said halo", size = this.meta.text * 1.05;
        const width = this.textWidth(text, cls) + (item.mark ? size * 1.4 : 0);
        let at = item.kind === "gap" || item.kind === "span" ? (seen0 + seen1) / 2 - width / 2 : seen0 + (item.kind === "note" ? 6 : 0);
        at = Math.min(Math.max(at, 0), Math.min(this.w - 2, right) - width);
        const floor = taken.findIndex((row) => row.every(([a, b]) => at > b + 10 || at + width < a - 10));
        const rows = this.meta.form === "narrow" ? 3 : 2;
        if (floor < 0 || floor >= rows) { dropped++; continue; }
        taken[floor].push([at, at + width]);
        const y = base - floor * line;
        let x = at;
        if (item.mark) { g.appendChild(mark(item.mark, at + size / 2, y - size * 0.36, size)); x += size * 1.4; }
        if (item.kind === "note") g.appendChild(make("line", { class: "note-up", x1: x0, x2: x0, y1: y - line * 0.8, y2: this.top }));
        g.appendChild(make("text", { class: cls, x, y }, text));
      }
      this.dropped = dropped;
    }
    margin(g, tips, head) {
      const right = this.left + this.plotW, narrow = this.meta.form === "narrow", gap = this.meta.text * 1.56;
      const labels = [];
      for (const l of this.meta.limits) {
        /* Other limits were taken over: it is named where it ends. */
        if (typeof l.until === "number" && l.until < this.view[1]) this.ended(g, l);
        else labels.push({ y: this.y(l.row, l.y), limit: l });
      }
      for (const tip of tips) {
        if (tip.value === null || tip.value === undefined || !isFinite(tip.value)) continue;
        labels.push({ y: this.y(tip.row, tip.value), tip });
      }
      const places = spread(labels.map((l) => l.y), gap, this.top - 4, this.top + this.plotH + 4);
      const small = this.meta.text * 0.94;
      labels.forEach((l, i) => {
        const y = places[i];
        if (l.limit) {
          g.appendChild(mark(l.limit.mark, right + (narrow ? 9 : 15) * small / 11, y, small));
          g.appendChild(make("text", { class: "limit", x: right + (narrow ? 18 : 24) * small / 11, y: y + small * 0.36 }, l.limit.text));
          return;
        }
        const { tip } = l, r = this.meta.rows[tip.row], cls = "p" + tip.pen + (tip.other ? " other" : "");
        const x = right + (narrow ? 13 : this.meta.form === "wide" ? 46 : 32);
        if (head === null) {
          const from = Math.min(right, this.x(tip.at));
          g.appendChild(make("circle", { class: "tip " + cls, cx: from, cy: l.y, r: this.meta.form === "wide" ? 4 : 3 }));
          g.appendChild(make("polyline", { class: "lead " + cls, points: `${from},${l.y} ${Math.max(from, right) + 6},${l.y} ${right + 12},${y} ${x - 4},${y}` }));
        } else {
          g.appendChild(make("line", { class: "swatch " + cls, x1: right + (narrow ? 2 : 7), x2: x - (narrow ? 3 : 5), y1: y, y2: y }));
        }
        const value = make("text", { class: tip.other ? "value other" : "value", x, y: y + small * 0.48 }, number(tip.value, r.unit === "°C" && Number.isInteger(tip.value) ? 0 : r.decimals));
        if (!narrow) value.appendChild(make("tspan", { class: "who", dx: 5 }, tip.joint + (tip.other ? ", other" : "")));
        g.appendChild(value);
      });
    }
    ended(g, l) {
      const x = this.x(l.until) - 5, t = this.meta.text;
      if (x - this.textWidth(l.text, "limit halo") - 1.4 * t < this.left) return;
      const text = make("text", { class: "limit halo", x, y: this.y(l.row, l.y) - 4, "text-anchor": "end" }, l.text);
      g.appendChild(text);
      g.appendChild(mark(l.mark, x - this.textWidth(l.text, "limit halo") - 0.7 * t, this.y(l.row, l.y) - 4 - 0.36 * t, t * 0.94));
    }
    bracket(g, span) {
      const x0 = Math.max(this.left, this.x(span[0])), x1 = Math.min(this.left + this.plotW, this.x(span[1]));
      if (x1 <= x0) return;
      const y0 = this.top, y1 = this.top + this.plotH, k = 4;
      g.appendChild(make("rect", { class: "veil", x: x0, y: y0, width: x1 - x0, height: y1 - y0 }));
      g.appendChild(make("path", { class: "bracket", d: `M${x0 + k},${y0}H${x0}V${y1}H${x0 + k}M${x1 - k},${y0}H${x1}V${y1}H${x1 - k}` }));
    }
    head(g, head, tips) {
      const x = this.x(head), y = this.top + this.plotH, t = this.meta.text, base = y + Math.round(this.bottom * 0.14);
      if (x < this.left - 1 || x > this.left + this.plotW + 1) return;
      g.appendChild(make("line", { class: "head", x1: x, x2: x, y1: this.top - 4, y2: base }));
      for (const tip of tips) {
        if (tip.value === null || tip.value === undefined || !isFinite(tip.value)) continue;
        g.appendChild(make("circle", { class: "tip p" + tip.pen + (tip.other ? " other" : ""), cx: x, cy: this.y(tip.row, tip.value), r: this.meta.form === "wide" ? 4 : 3 }));
      }
      const step = (this.view[1] - this.view[0]) < 20 ? 0.1 : 1, wide = t * (step < 1 ? 6.6 : 5.6);
      const at = Math.min(Math.max(x, this.left + wide / 2 - 20), this.left + this.plotW - wide / 2 + 40);
      g.appendChild(make("rect", { class: "tab", x: at - wide / 2, y: base, width: wide, height: t * 1.45, rx: 2 }));
      g.appendChild(make("text", { class: "tab-text", x: at, y: base + t * 1.1, "text-anchor": "middle" }, elapsed(head, step)));
      g.appendChild(make("text", { class: "tick halo", x: at, y: base + 5 + 2.15 * t, "text-anchor": "middle" }, clock(this.meta.epoch_ms, head)));
    }
  }

  /* Resolves with plotly once dcc.Graph has brought it. */
  function plotly() {
    return new Promise((done) => {
      (function look() { window.Plotly ? done(window.Plotly) : setTimeout(look, 30); })();
    });
  }
  function form() { return innerWidth <= 760 ? "narrow" : innerWidth >= 2000 ? "wide" : "normal"; }
  function theme() { return matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light"; }
  /* The reader's units, as units.js keeps them. */
  function units() {
    let kept = {};
    try { kept = JSON.parse(localStorage.getItem("dutytrace-units")) || {}; } catch (fault) { /* what nobody wrote is no choice */ }
    return { position: String(kept.position || "deg"), speed: String(kept.speed || "deg_s") };
  }
  function unitsQuery() { const u = units(); return "position=" + encodeURIComponent(u.position) + "&speed=" + encodeURIComponent(u.speed); }
  /* The height of the rows; `above`: what of the page stands above and below them on a wide screen. */
  function height(above) {
    const f = form();
    if (f === "narrow") return 640;
    if (f === "wide") return Math.max(640, Math.min(1000, innerHeight - (above || 430)));
    return Math.max(430, Math.min(560, innerHeight - 470));
  }
  /* Calls `started(element)` whenever an element with that id comes onto the page, `ended()` when it goes. */
  function whenever(id, started, ended) {
    let now = null;
    const look = () => {
      const found = document.getElementById(id);
      if (found === now) return;
      if (now && ended) ended();
      now = found;
      if (now) started(now);
    };
    new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
    look();
  }
  /* Whether a key is not for the page: somebody types, or a dialog stands before it. */
  function typing(event) {
    const t = event.target;
    return document.querySelector("dialog[open]") || t && (t.tagName === "INPUT" && t.type !== "range" || t.tagName === "TEXTAREA" || t.tagName === "SELECT" || t.isContentEditable);
  }

  document.addEventListener("click", (e) => {
    const keys = document.getElementById("keys");
    if (!keys) return;
    if (e.target.closest("#keys-open")) keys.showModal();
    if (e.target.closest("#keys-close")) keys.close();
  });
  document.addEventListener("keydown", (e) => {
    const k = e.key === "?" && document.getElementById("keys");
    if (k && k.open) k.close(); else if (k && !typing(e)) k.showModal();
  });

  /* What every page is made of: an element with its content, a text that is set where it is another. */
  function el(name, cls, content) {
    const e = document.createElement(name);
    if (cls) e.className = cls;
    if (Array.isArray(content)) e.append(...content); else if (content !== undefined) e.textContent = content;
    return e;
  }
  function put(e, text) { if (e && e.textContent !== text) e.textContent = text; }
  function clamp(v, low, high) { return Math.min(Math.max(v, low), high); }

  window.dutytrace = { el, put, clamp, spread, ticks, elapsed, clock, number, spanWords, make, mark, Sheet, plotly, form, theme, height, whenever, typing, units, unitsQuery };
})();
