/* A second recording laid over the one that is open in Replay: which one, and how it is aligned with
   it. What is drawn of it comes with the rows (views.py); this file asks for it by two words in the
   address, `over` and `shift`, and moves it. A shift is in seconds: positive lays it later. */
(function () {
  "use strict";
  const D = window.dutytrace, { el, put } = D;
  const NUDGES = [-10, -1, -0.1, 0.1, 1, 10], FURTHEST = 1e8;
  const micro = (s) => Math.round(s * 1e6) / 1e6 + 0;

  class Overlay {
    /* page: the Replay that it lies over; asks it to draw anew, and nothing else of it. */
    constructor(page) {
      this.page = page;
      this.q = (id) => document.getElementById("past-over-" + id);
      this.box = document.getElementById("past-over"); this.line = document.getElementById("past-laid"); this.opener = document.getElementById("past-lay");
      this.rows = []; this.asking = 0;
      this.forget();
      this.controls();
    }
    forget() { this.name = ""; this.shift = 0; this.align = "start"; this.info = null; this.fault = ""; }

    /* ---- what the page asks of it ---- */
    query() { return this.name ? "&over=" + encodeURIComponent(this.name) + "&shift=" + this.shift : ""; }
    /* The first recording was opened, with what the address says of a second one. */
    begin(name, shift) {
      this.forget();
      if (name) {
        this.name = name; this.shift = this.kept(shift); this.align = this.shift ? "hand" : "start";
        this.show(true); this.ask();
      } else this.show(false);
      this.tell(null); this.fill();
    }
    /* The recordings that there are. */
    offer(rows) { this.rows = rows; this.fill(); }
    /* What the rows' answer says of it: {words} or {fault}, nothing without one. */
    tell(over) {
      const fault = over && over.fault || "", words = over && over.words || "";
      const key = this.name + fault + words;
      if (this.told === key) return;
      this.told = key;
      this.line.hidden = !this.name;
      if (fault) this.line.replaceChildren(el("span", "mark none"), document.createTextNode(" " + fault));
      else if (words) this.line.replaceChildren(el("span", "pen other"), el("b", "", "other: "), document.createTextNode(words));
      else this.line.replaceChildren();
      this.fill();
    }
    key(e) {
      const k = e.key.toLowerCase(), size = e.shiftKey ? 10 : 1;
      if (k === "o") this.show(this.box.hidden, true);
      else if (k === "j" && this.name) this.nudge(-size);
      else if (k === "l" && this.name) this.nudge(size);
      else return false;
      return true;
    }
    /* Draws where it lies on the strip of the whole test; returns the height at which to name it, null for nothing. */
    strip(g, meta, x) {
      if (!this.info) return null;
      const [l, r, t, b] = meta.margin, right = meta.size[0] - r, bottom = meta.size[1] - b, [above, below] = meta.domains;
      const from = x(this.shift), to = x(this.shift + this.info.length_s), y = t + (bottom - t) * (1 - (meta.torque ? (above[0] + below[1]) / 2 : 0.04));
      const x0 = Math.max(from, l), x1 = Math.min(to, right);
      if (x1 < l || x0 > right) return null;
      const ends = (from >= l ? `M${from},${y - 4}V${y + 4}` : "") + (to <= right ? `M${to},${y - 4}V${y + 4}` : "");
      g.append(D.make("path", { class: "other-span", d: `M${x0},${y}H${x1}` }), D.make("path", { class: "other-ends", d: ends }));
      return y;
    }

    /* ---- hands ---- */
    controls() {
      this.select = el("select"); this.select.id = "past-over-select"; this.q("choice").replaceChildren(this.select);
      this.select.onchange = () => this.choose(this.select.value);
      this.opener.onclick = () => this.show(this.box.hidden, true);
      this.q("off").onclick = () => { this.choose(""); this.show(false); this.opener.focus(); };
      for (const b of this.box.querySelectorAll("[data-align]")) b.onclick = () => this.aligned(b.dataset.align);
      for (const which of ["here", "there"]) {
        const s = el("select"); s.id = "past-over-" + which; s.onchange = () => this.atEvents(); this[which] = s;
        this.q(which + "-choice").replaceChildren(s);
      }
      this.number = el("input"); this.number.type = "number"; this.number.step = "0.1"; this.number.id = "past-over-shift"; this.number.inputMode = "decimal";
      this.number.onchange = () => { if (this.number.value !== "") this.move(Number(this.number.value)); else this.fill(); };
      this.q("shift-choice").replaceChildren(this.number);
      this.q("nudges").replaceChildren(...NUDGES.map((s) => {
        const b = el("button", "", (s < 0 ? "−" : "+") + Math.abs(s));
        b.setAttribute("aria-label", "Move it " + Math.abs(s) + " s " + (s < 0 ? "earlier" : "later"));
        b.onclick = () => this.nudge(s);
        return b;
      }));
    }
    show(open, byHand) {
      this.box.hidden = !open;
      this.opener.setAttribute("aria-expanded", String(open));
      if (open && byHand) this.select.focus();
    }
    choose(name) {
      this.forget(); this.name = name;
      this.tell(null); this.fill();
      if (name) this.ask();
      this.page.relaid();
    }
    aligned(how) {
      this.align = how;
      if (how === "start") this.shift = 0;
      if (how === "event" && this.info && this.info.pair) { [this.here.value, this.there.value] = this.info.pair.map(String); this.atEvents(); return; }
      this.fill(); this.page.relaid();
    }
    atEvents() {
      if (!this.info || this.here.value === "" || this.there.value === "") return;
      const at = (list, s) => list[Number(s.value)].at_s;
      this.shift = this.kept(at(this.info.here, this.here) - at(this.info.there, this.there));
      this.fill(); this.page.relaid();
    }
    nudge(by) { this.move(this.shift + by); }
    move(shift) {
      this.align = "hand"; this.shift = this.kept(shift);
      this.fill(); this.page.relaid();
    }
    kept(shift) { return isFinite(shift) && shift !== null ? micro(D.clamp(shift, -FURTHEST, FURTHEST)) : 0; }

    /* ---- what it knows of the second ---- */
    ask() {
      if (!this.name || !this.page.name) return;
      const asked = ++this.asking, name = this.name;
      this.page.get("/past/" + encodeURIComponent(this.page.name) + "/over?over=" + encodeURIComponent(name) + "&" + D.unitsQuery()).then((info) => {
        if (asked !== this.asking || this.name !== name || this.page.gone) return;
        this.fault = ""; this.events(info); this.fill(); this.page.drawStrip();
      }).catch((f) => { if (asked === this.asking && this.name === name) { this.info = null; this.fault = f.message; this.fill(); } });
    }
    events(info) {
      const chosen = this.info ? [this.here.value, this.there.value] : info.pair ? info.pair.map(String) : ["", ""];
      this.info = info;
      for (const [which, at] of [["here", chosen[0]], ["there", chosen[1]]]) {
        const first = el("option", "", "choose"); first.value = "";
        this[which].replaceChildren(first, ...info[which].map((a, i) => { const o = el("option", "", a.words); o.value = i; return o; }));
        this[which].value = at;
      }
      /* An address tells the shift alone; where it is the one of the events, they are meant. */
      if (this.align === "hand" && info.pair && this.shift === this.kept(info.here[info.pair[0]].at_s - info.there[info.pair[1]].at_s)) this.align = "event";
    }
    /* Puts what is so into the controls. */
    fill() {
      const key = JSON.stringify([this.rows.map((r) => [r.path, r.name, r.begun, r.fault]), this.name]);
      if (this.offered !== key) {
        this.offered = key;
        const option = (words, value) => { const o = el("option", "", words); o.value = value; return o; };
        const list = this.rows.map((r) => { const o = option(r.fault ? r.path + ", cannot be read" : r.name + (r.live ? ", still recording" : ", " + r.begun), r.path); o.disabled = Boolean(r.fault); return o; });
        if (this.name && !this.rows.some((r) => r.path === this.name)) list.push(option(this.name + ", not here", this.name));
        this.select.replaceChildren(option("none", ""), ...list);
      }
      this.select.value = this.name;
      /* By hand it goes without knowing any event of it. */
      const on = Boolean(this.name), known = on && Boolean(this.info);
      for (const b of this.box.querySelectorAll("[data-align]")) { b.setAttribute("aria-pressed", String(on && b.dataset.align === this.align)); b.disabled = !(b.dataset.align === "event" ? known : on); }
      this.q("off").hidden = !this.name;
      this.q("events").hidden = !known || this.align !== "event"; this.q("hand").hidden = !on || this.align !== "hand";
      if (document.activeElement !== this.number || Number(this.number.value) !== this.shift) this.number.value = String(this.shift);
      const said = [];
      if (known) {
        if (this.align === "event" && !this.info.pair) said.push("No limit was raised in both: choose an event of each.");
        if (this.align === "event" && this.info.left) said.push("The lists end after the first 400 events; move it by hand to the rest.");
        said.push(...this.info.said);
      }
      else if (this.fault && !this.line.querySelector(".mark")) said.push(this.fault);
      put(this.q("said"), said.join(" ")); this.q("said").hidden = !said.length;
    }
  }

  D.Overlay = Overlay;
})();
