/* The Limits page: keeps the limits as they stand on it, asks what they would have raised, and takes them
   elsewhere (a file, Replay, a logger). limits_form.js has the forms, limits_lanes.js the traces,
   limits_sweep.js the sweep. What is drafted stays in this browser's tab until it is closed. */
(function () {
  "use strict";
  const D = window.dutytrace, { el, put } = D;
  const KEPT = "dutytrace-limits";

  class Limits {
    constructor(root) {
      this.root = root; this.q = (id) => document.getElementById("judge-" + id);
      this.me = Math.random().toString(36).slice(2); this.gone = false;
      this.base = "format = 1\n"; this.tables = []; this.formKeys = []; this.chosen = -1; this.chosenPaths = []; this.before = {};
      this.bad = { way: "above", channel: "temperature_housing_degC", level: 80, for_s: 0, joint: "", within_s: 3600, least_lead_s: null, note: "", length_s: 60 };
      const F = D.limitForms;
      this.forms = new F.LimitForms(this.q("limits"), this);
      this.end_ = new F.BadEnd(this.q("end"), this);
      this.lanes = new D.LimitLanes(this.q("lanes"), (h, v, still) => this.dragged(h, v, still), (path) => this.openReplay(path), (key) => this.keyWords(key));
      this.sweep = new D.LimitSweep(this);
      this.onKey = (e) => this.key(e); document.addEventListener("keydown", this.onKey);
      this.onSize = () => { clearTimeout(this.settling); this.settling = setTimeout(() => this.redraw(), 150); };
      addEventListener("resize", this.onSize);
      this.scheme = matchMedia("(prefers-color-scheme: dark)");
      this.onScheme = () => { this.sweep.draw(); this.askCurve(); };
      this.scheme.addEventListener("change", this.onScheme);
      this.onSight = () => this.refresh(); document.addEventListener("visibilitychange", this.onSight);
      this.q("picker").ontoggle = () => { if (this.q("picker").open) this.refresh(); };
      this.onHide = () => this.leave(); addEventListener("pagehide", this.onHide);
      this.progressLine = el("small", "progress", ""); this.q("worth").replaceChildren(this.progressLine);
      /* At the end they are off the page already, and cannot be asked for by their names. */
      this.curve = this.q("curve");
      this.controls();
      D.plotly().then((p) => { this.plotly = p; this.start(); });
    }
    end() {
      this.gone = true;
      document.removeEventListener("keydown", this.onKey); removeEventListener("resize", this.onSize);
      this.scheme.removeEventListener("change", this.onScheme);
      clearTimeout(this.settling); clearTimeout(this.resting); clearTimeout(this.saving); clearTimeout(this.polling); clearTimeout(this.slow); this.sweep.end();
      removeEventListener("pagehide", this.onHide); document.removeEventListener("visibilitychange", this.onSight); this.leave();
      if (this.plotly) this.plotly.purge(this.curve);
    }
    get(path) { return fetch(path, { cache: "no-store" }).then((r) => r.json()).then((a) => { if (a.fault) throw new Error(a.fault); return a; }); }
    post(path, body) {
      return fetch("/judge/" + path, { method: "POST", headers: { "content-type": "application/json", "x-page": this.me }, body: JSON.stringify(body) })
        .catch(() => { throw Object.assign(new Error("The server cannot be reached."), { lost: true }); })
        .then((r) => r.json()).then((a) => { if (a.fault) throw Object.assign(new Error(a.fault), { mistakes: a.mistakes }); return a; });
    }
    /* Work that nobody waits for any more would keep everybody else's waiting. */
    leave() {
      for (const number of [this.number, this.sweep.number]) if (number) fetch("/judge/stop", { method: "POST", keepalive: true, headers: { "content-type": "application/json" }, body: JSON.stringify({ number }) }).catch(() => {});
    }
    say(text) { put(this.q("made"), text || ""); }

    /* ---- beginning ---- */
    start() {
      this.get("/judge?offset_min=" + -new Date().getTimezoneOffset()).then((c) => {
        if (this.gone) return;
        this.kinds = c.forms; this.recordings = c.recordings; this.back = c.back;
        this.q("empty").hidden = c.recordings.length > 0; this.q("desk").hidden = c.recordings.length === 0;
        if (!c.recordings.length) {
          const steps = [["Make a six-hour test in seconds", "dutytrace simulate --hours 6"], ["See it with simulated joints", "dutytrace demo"], ["Look somewhere else", "dutytrace dashboard --recordings FOLDER"]];
          this.q("empty").replaceChildren(el("p", "lede", "There are no recordings in " + c.folder + " yet: limits are tried on what was recorded."), el("ul", "steps", steps.map(([w, t]) => el("li", "", [el("span", "words", w), el("code", "", t)]))));
          return;
        }
        const known = new Set(c.recordings.map((r) => r.path));
        const first = c.recordings.find((r) => r.limits) || c.recordings[0];
        let kept = null;
        try { kept = JSON.parse(sessionStorage.getItem(KEPT)); } catch (fault) { /* what nobody wrote is no draft */ }
        const from = new URLSearchParams(location.search).get("from");
        this.pickers();
        if (kept && kept.tables && kept.forms && !from) {
          Object.assign(this, { base: kept.base, tables: kept.tables, formKeys: kept.forms, chosen: kept.chosen });
          this.bad = { ...this.bad, ...kept.bad };
          this.chosenPaths = (kept.paths || []).filter((p) => known.has(p));
          if (!this.chosenPaths.length) this.chosenPaths = [first.path];
          this.rebuilt();
        } else {
          this.chosenPaths = [from && known.has(from) ? from : first.path];
          this.begin(this.chosenPaths[0]);
        }
      }).catch((f) => { this.q("empty").hidden = false; this.q("empty").replaceChildren(el("p", "lede", f.message)); });
    }
    /* Recordings come and end while the page stands there. */
    refresh() {
      if (!this.recordings || document.hidden) return;
      this.get("/judge?offset_min=" + -new Date().getTimezoneOffset()).then((c) => {
        if (this.gone || !c.recordings.length || JSON.stringify(c.recordings) === JSON.stringify(this.recordings)) return;
        this.recordings = c.recordings; this.pickers(); this.picked();
      }).catch(() => { /* the next question says that the server is gone */ });
    }
    begin(path) {
      return this.get("/judge/begin?recording=" + encodeURIComponent(path)).then((read) => this.take(read, true)).catch((f) => this.say(f.message));
    }
    take(read, guess) {
      this.base = read.base; this.tables = read.tables; this.formKeys = read.forms; this.said = null; this.mistakes = [];
      this.chosen = this.tables.length ? 0 : -1;
      /* The highest trip on a temperature is what a warning should have told of before. */
      const trips = this.tables.filter((t) => t.severity === "trip" && t.above !== undefined && String(t.channel).startsWith("temperature")).sort((a, b) => b.above - a.above);
      if (guess && trips.length) Object.assign(this.bad, { way: "above", channel: trips[0].channel, level: trips[0].above, joint: "" });
      /* What none of them measures is no bad end to begin with. */
      else if (guess && !this.recordings.some((r) => this.chosenPaths.includes(r.path) && r.channels.includes(this.bad.channel))) this.bad.way = "none";
      this.rebuilt();
    }
    rebuilt() { this.answer = this.answer || null; this.end_.build(); this.forms.build(); this.sweep.build(); this.picked(); this.ask(); }
    pickers() {
      const F = D.limitForms;
      const begin = F.select([["", "Begin with…"], ...this.recordings.filter((r) => r.limits).map((r) => [r.path, "the limits of " + r.name + ", " + r.begun]), ["example", "an example of every kind"]], "", (v) => {
        if (v) this.begin(v === "example" ? "" : v);
        begin.value = "";
      }, "Begin with");
      this.q("begin").replaceChildren(begin);
      const file = el("input"); file.type = "file"; file.accept = ".toml,text/plain"; file.className = "hidden-file";
      file.onchange = () => {
        const one = file.files[0];
        if (one) one.text().then((text) => this.post("read", { text })).then((read) => this.take(read)).catch((f) => this.say(f.message)).finally(() => { file.value = ""; });
      };
      this.q("file").replaceChildren(file);
      const add = F.select([["", "Add…"], ...this.kinds.map((k) => [k.form, k.words])], "", (v) => { if (v) this.add(v); add.value = ""; }, "Add a limit");
      this.q("add").replaceChildren(add);
      const rows = this.recordings.map((r) => {
        const box = el("input"); box.type = "checkbox"; box.value = r.path; box.id = "judge-r-" + r.path;
        box.onchange = () => {
          this.chosenPaths = this.recordings.map((x) => x.path).filter((p) => p === r.path ? box.checked : this.chosenPaths.includes(p));
          this.repicked();
        };
        const label = el("label", "", [el("span", "words", r.name), el("small", "", " " + r.begun + ", " + r.length + (r.live ? ", still recording" : ""))]);
        label.htmlFor = box.id;
        return el("li", "", [box, label]);
      });
      const most = 40, all = el("button", "plain", this.recordings.length > most ? "The newest " + most : "All of them"), one = el("button", "plain", "Only the newest");
      all.onclick = () => { this.chosenPaths = this.recordings.slice(0, most).map((r) => r.path); this.repicked(); };
      one.onclick = () => { this.chosenPaths = [this.recordings[0].path]; this.repicked(); };
      this.q("recordings").replaceChildren(el("ul", "", rows), el("div", "does", [all, one]));
    }
    /* Other recordings may have other joints, and what all limits came to on the ones before is void. */
    repicked() { this.lastTogether = null; this.picked(); this.end_.build(); this.forms.build(); this.ask(); }
    picked() {
      /* One that is gone cannot be unpicked by hand. */
      const known = new Set(this.recordings.map((r) => r.path));
      this.chosenPaths = this.chosenPaths.filter((p) => known.has(p));
      for (const box of this.q("recordings").querySelectorAll("input")) box.checked = this.chosenPaths.includes(box.value);
      const n = this.chosenPaths.length, names = this.recordings.filter((r) => this.chosenPaths.includes(r.path)).map((r) => r.name);
      put(this.q("on"), !n ? "Tried on nothing: choose recordings" : "Tried on " + (n === 1 ? names[0] : n + " recordings: " + names.slice(0, 3).join(", ") + (n > 3 ? " and " + (n - 3) + " more" : "")));
      const live = this.recordings.filter((r) => r.live);
      const hand = this.q("hand");
      if (hand) hand.hidden = !live.length;
    }

    /* ---- what the forms ask of the desk ---- */
    formOf(i) { return this.kinds.find((k) => k.form === this.formKeys[i]); }
    joints() { return [...new Set(this.recordings.filter((r) => this.chosenPaths.includes(r.path)).flatMap((r) => r.joints))]; }
    channels() { return this.known || [{ channel: "temperature_housing_degC", words: "housing", unit: "°C" }]; }
    choose(i) { this.chosen = i; this.answer = null; this.forms.build(); this.sweep.build(); this.ask(); }
    set(i, key, v) {
      const table = { ...this.tables[i] }, of = table.name + " " + key;
      if (typeof table[key] === "number") this.before[of] = table[key];
      if (v === null || v === undefined || v === "") delete table[key]; else table[key] = v;
      /* Over an empty box too: from the last number that stood there. */
      const follows = this.takeAlong(table, key, this.before[of], v);
      this.tables = this.tables.map((t, k) => (k === i ? table : t));
      if (follows) this.forms.follow();
      if (key === "name") put(this.forms.rows[i].head.children[1], table.name || "");
      this.ask();
    }
    /* The drop-off of a level that is moved keeps its distance; whether it had to be moved as well. */
    takeAlong(table, key, before, now) {
      const off = this.back[key];
      if (!off || table.kind === "inverse-time" || ![table[off], before, now].every((v) => typeof v === "number")) return false;
      table[off] = Number((table[off] + now - before).toPrecision(7));
      return true;
    }
    add(form) {
      const kind = this.kinds.find((k) => k.form === form), names = new Set(this.tables.map((t) => t.name));
      let name = form, n = 2;
      while (names.has(name)) name = form + "-" + n++;
      const table = { name, kind: kind.kind, severity: "warning", ...kind.blank }, known = new Set(this.channels().map((c) => c.channel));
      if (table.channel && known.size && !known.has(table.channel)) table.channel = this.channels()[0].channel;
      this.tables = [...this.tables, table]; this.formKeys = [...this.formKeys, form];
      this.choose(this.tables.length - 1);
    }
    remove(i) { this.tables = this.tables.filter((_, k) => k !== i); this.formKeys = this.formKeys.filter((_, k) => k !== i); this.said = null; this.choose(Math.min(i, this.tables.length - 1)); }
    badChanged() { this.lastTogether = null; this.ask(); }
    badEnd() {
      const b = this.bad, some = (o) => Object.fromEntries(Object.entries(o).filter(([, v]) => v !== null && v !== undefined && v !== ""));
      if (b.way === "none") return null;
      const both = { within_s: b.within_s, least_lead_s: b.least_lead_s };
      if (b.way === "note") return some({ note: b.note, length_s: b.length_s, ...both });
      return some({ channel: b.channel, [b.way]: b.level, for_s: b.for_s, joint: b.joint, ...both });
    }

    /* ---- asking: one question at a time, the newest when the last is answered ---- */
    question(more) {
      const table = this.tables[this.chosen];
      return { recordings: this.chosenPaths, base: this.base, tables: this.tables, bad_end: this.badEnd(), chosen: table ? String(table.name || "") : "", theme: D.theme(), offset_min: -new Date().getTimezoneOffset(), ...more };
    }
    ask(whole) {
      this.keep(); this.sweep.aged();
      clearTimeout(this.resting);
      this.wants = true; this.whole = Boolean(whole);
      if (!this.asking) this.go();
    }
    go() {
      this.wants = false; this.asking = true; this.failed = false;
      const began = performance.now(), whole = this.whole, drawn = this.shapes ? this.drawn || "" : "";
      this.root.dataset.asking = "yes";
      clearTimeout(this.slow);
      this.slow = setTimeout(() => { if (!whole) this.q("desk").classList.add("waiting"); put(this.progressLine, "reading " + this.chosenPaths.length + (this.chosenPaths.length === 1 ? " recording" : " recordings")); }, 600);
      this.post("ask", this.question({ whole, known: drawn })).then((a) => {
        if (this.gone) return;
        this.root.dataset.took = String(Math.round(performance.now() - began));
        this.answered(a);
      }).catch((f) => {
        if (this.gone) return;
        const ofEnd = (f.mistakes || []).some((m) => m.where === "bad end" || m.path[0] === "bad_end"), lost = Boolean(f.lost);
        this.end_.tell(ofEnd ? f.message : ""); this.mistakes = ofEnd || lost ? [] : [{ index: -1, key: "", said: f.message }]; this.forms.tell();
        this.unanswered(lost ? "Not answered: the server cannot be reached." : ofEnd ? "Not answered: the bad end does not fit." : "Not answered: something is to be mended, where it is said.");
        this.failed = true;
      }).finally(() => {
        this.asking = false; clearTimeout(this.slow); this.q("desk") && this.q("desk").classList.remove("waiting");
        if (this.gone) return;
        if (this.wants) this.go();
        else { delete this.root.dataset.asking; this.root.dataset.answered = String(Number(this.root.dataset.answered || 0) + 1); if (!whole && !(this.mistakes || []).length && !this.failed && !this.lanes.dragging) this.resting = setTimeout(() => this.rest(), 500); }
      });
    }
    /* What is shown answers another question than the one that stands there: it is pale, and said. */
    unanswered(sentence) {
      this.q("desk").classList.toggle("unanswered", Boolean(sentence));
      put(this.q("unanswered"), sentence || ""); this.q("unanswered").hidden = !sentence;
      if (!sentence) return;
      if (!this.drawnIsChosen(this.lanes.chosen)) { this.answer = null; this.shapes = null; this.lanes.clear(); this.q("worth").replaceChildren(); this.progressLine = null; this.q("curved").hidden = true; }
    }
    answered(a) {
      this.mistakes = a.mistakes || [];
      if (a.mistakes) { this.forms.tell(); this.unanswered("Not answered: something is to be mended in the limits, where it is said."); return; }
      this.end_.tell(""); this.unanswered("");
      const news = JSON.stringify(a.channels) !== JSON.stringify(this.known), before = this.known;
      this.known = a.channels; this.formKeys = a.forms; this.said = a.limits; this.answer = a;
      if (a.chosen && a.chosen.drawn !== undefined) {
        if (a.chosen.shapes) this.shapes = a.chosen.shapes;
        this.drawn = a.chosen.drawn;
      } else this.shapes = null;
      if (news && !document.activeElement.closest("#judge-limits, #judge-end")) { this.end_.build(); this.forms.build(); this.sweep.build(); } else this.forms.tell();
      if (news && !before) this.sweep.build();
      this.redraw(); this.worth(a);
      this.askCurve();
    }
    redraw() {
      const a = this.answer;
      if (!a) return;
      const chosen = { ...(a.chosen || { levels: [] }), mark: (a.limits[this.chosen] || {}).mark || "none" };
      /* The lines stand where the level is now: an answer to where it was a moment ago moves none. */
      if (chosen.levels && this.drawnIsChosen(chosen)) chosen.levels = this.levels(chosen.levels);
      this.lanes.show(a.lanes, chosen, this.shapes);
    }
    /* At rest all limits together are asked for, and the chosen one is worked out exactly. */
    rest() {
      if (this.answer && !this.answer.due && this.answer.together) return;
      /* What is being worked out for these very limits goes on. */
      const due = (!this.answer || this.answer.due) && !(this.number && this.numberOf === this.state());
      this.ask(true);
      if (due && this.tables[this.chosen]) this.exactly(false);
    }
    state() { return JSON.stringify([this.tables, this.chosenPaths, this.badEnd()]); }
    exactly(whole) {
      const of = whole ? this.state() : "";
      this.post("exact", this.question({ whole })).then((t) => { this.number = t.number; this.numberOf = of; if (this.gone) this.leave(); else this.poll(t.number, whole); }).catch((f) => this.say(f.message));
    }
    poll(number, whole) {
      clearTimeout(this.polling);
      this.get("/judge/work/" + number).then((t) => {
        if (this.gone || number !== this.number) return;
        this.working = t; this.progress();
        if (t.state === "waiting" || t.state === "running") { this.polling = setTimeout(() => this.poll(number, whole), 400); return; }
        this.number = 0; this.working = null; this.progress();
        if (t.state === "failed") this.say(t.fault);
        if (t.state === "done") { clearTimeout(this.resting); this.wants = true; this.whole = true; if (!this.asking) this.go(); }
      }).catch(() => { if (number === this.number) { this.number = 0; this.working = null; this.progress(); } });
    }
    worth(a) {
      const name = (this.tables[this.chosen] || {}).name;
      const row = (w, who, exact) => {
        const f = [];
        if (w.bad_ends !== undefined) {
          f.push([w.caught + " of " + w.bad_ends, "bad ends caught"], [w.lead, "median lead, worst " + w.worst], [w.false_per_h, "false alerts an hour, " + w.false + " in all"]);
        }
        f.push([String(w.raised), "times raised" + (w.chatters ? ", chattering " + w.chatters + " times" : "")]);
        if (w.lost !== undefined) f.push([w.lost, "of the test lost to trips"]);
        return el("div", "worth-row", [el("span", "who", [el("b", "words", who), el("small", "", exact)]), el("dl", "facts", f.map(([v, t]) => el("div", "", [el("dd", "", v), el("dt", "", t)])))]);
      };
      const rows = [];
      if (a.worth && name && a.lanes.length) rows.push(row(a.worth, name, a.lanes.every((l) => l.exact) ? "exact" : a.chosen && a.chosen.brief ? "about: what lasts for less than a second is not in it until it is exact" : "about, from the pyramid"));
      if (a.together && this.tables.length > 1 && a.lanes.length) rows.push(row(a.together, "all together", a.exact ? "exact" : "about, from the pyramid"));
      else if (this.tables.length > 1 && this.lastTogether) rows.push(row(this.lastTogether, "all together", "as before"));
      if (a.together && !this.wants) this.lastTogether = a.together;
      /* Nothing was asked of anything: nothing is counted. */
      if (!this.chosenPaths.length) { rows.length = 0; this.lastTogether = null; }
      const does = el("button", "plain", "Work it all out exactly"); does.id = "judge-exact"; does.append(document.createTextNode(" "), el("kbd", "", "E"));
      does.hidden = !a.lanes.length || !a.due && Boolean(a.together); does.onclick = () => this.exactly(true);
      this.progressLine = el("small", "progress", "");
      this.q("worth").replaceChildren(...rows, el("div", "does", [does, this.progressLine]));
      this.progress();
    }
    progress() {
      const t = this.working;
      if (!this.progressLine) return;
      put(this.progressLine, !t ? "" : t.state === "waiting" ? "waiting for other work to end" : "working it out exactly, " + Math.round(t.share * 100) + " %" + (t.left_s === undefined ? "" : ", " + D.spanWords(t.left_s) + " left"));
    }
    askCurve() {
      const table = this.tables[this.chosen], host = this.q("curved");
      const is = table && (table.kind === "inverse-time" || table.kind === "thermal");
      if (!is) { host.hidden = true; return; }
      if (this.curving) { this.curveAgain = true; return; }
      const name = table.name;
      this.curving = true; this.curveAgain = false;
      this.post("curve", this.question({})).then((c) => {
        /* Another limit may have been chosen since: this is not its picture. */
        if (this.gone || (this.tables[this.chosen] || {}).name !== name) return;
        host.hidden = !c.figure;
        if (c.figure) { put(this.q("curve-title"), c.title); this.plotly.react(this.q("curve"), c.figure.data, c.figure.layout, { displayModeBar: false, responsive: true }); }
      }).catch(() => { host.hidden = true; }).finally(() => { this.curving = false; if (this.curveAgain && !this.gone) this.askCurve(); });
    }

    /* ---- a level is dragged ---- */
    keyWords(key) { const form = this.formOf(this.chosen), k = form && form.keys.find((one) => one.key === key); return k ? k.words : key; }
    drawnIsChosen(drawn) { const table = this.tables[this.chosen]; return Boolean(table && drawn && drawn.name === table.name); }
    levels(lanes) {
      const table = this.tables[this.chosen];
      return lanes.map((lane) => lane.map((joint) => joint.map((one) => {
        const v = one.place === null ? table[one.key] : (table[one.key] || [])[one.place];
        return typeof v === "number" ? { ...one, at: v * one.scale } : one;
      })));
    }
    dragged(h, value, still) {
      /* What is drawn may be another limit's still: its lines move nothing. */
      if (!this.drawnIsChosen(this.lanes.chosen)) return;
      const i = this.chosen, table = { ...this.tables[i] };
      const plain = (v) => Number(v.toPrecision(7));
      const before = h.place === null ? table[h.key] : (table[h.key] || [])[h.place];
      if (h.place === null) table[h.key] = plain(value);
      else { const both = table[h.key].slice(); both[h.place] = plain(value); table[h.key] = both; }
      if (!h.off) this.takeAlong(table, h.key, before, value);
      this.tables = this.tables.map((t, k) => (k === i ? table : t));
      Object.assign(h, { at: value * h.scale });
      this.lanes.follow(this.levels(this.lanes.chosen.levels));
      this.forms.follow();
      this.ask();
      if (still) this.redraw();
    }

    /* ---- elsewhere ---- */
    controls() {
      /* What a sweep chose, and nothing else since, is saved with the sweep's own account of how far it can be trusted. */
      this.q("save").onclick = () => this.post("text", this.question({ whole: true, account: (this.sweep.result || {}).text || "" })).then((t) => {
        const link = el("a"); link.href = URL.createObjectURL(new Blob([t.text], { type: "application/toml" })); link.download = "limits.toml"; link.click();
        setTimeout(() => URL.revokeObjectURL(link.href), 5000);
        this.say("Saved as limits.toml. A logger takes it with --limits limits.toml, and again each time it is saved.");
      }).catch((f) => this.say(f.message));
      const hand = this.q("hand"), box = this.q("over");
      if (hand) hand.onclick = () => {
        const live = this.recordings.filter((r) => r.live), many = live.length > 1;
        const which = D.limitForms.select(live.map((r) => [r.path, r.name]), live[0].path, () => {}, "recording");
        this.q("over-said").replaceChildren(document.createTextNode((!this.tables.length ? "Nothing would be watched any more: no limit at all takes" : this.tables.length === 1 ? "This limit takes" : "These " + this.tables.length + " limits take") + " the place of those in force at once, in the logger that writes "),
          many ? which : el("b", "", live[0].name), document.createTextNode(". An alert of a limit that is changed or left out ends there. It is written into the recording. Limits warn; they are no safety function."));
        this.q("over-yes").onclick = () => {
          box.close();
          this.post("hand-over", { recording: which.value, base: this.base, tables: this.tables }).then(() => this.say("Handed over: the recording says when they are in force.")).catch((f) => this.say(f.message));
        };
        this.q("over-no").onclick = () => box.close();
        box.showModal();
      };
    }
    openReplay(path) {
      this.post("text", this.question({})).then((t) => { location.assign("/replay/" + encodeURIComponent(path) + "?judged=" + t.token); }).catch((f) => this.say(f.message));
    }
    keep() {
      clearTimeout(this.saving);
      this.saving = setTimeout(() => { try { sessionStorage.setItem(KEPT, JSON.stringify({ base: this.base, tables: this.tables, forms: this.formKeys, chosen: this.chosen, bad: this.bad, paths: this.chosenPaths })); } catch (fault) { /* a full or forbidden storage only forgets */ } }, 200);
    }
    key(e) {
      if (D.typing(e) || e.ctrlKey || e.metaKey || e.altKey) return;
      const n = this.tables.length;
      if (e.key === "[" && n) this.choose((this.chosen + n - 1) % n);
      else if (e.key === "]" && n) this.choose((this.chosen + 1) % n);
      else if (e.key === "e" || e.key === "E") this.exactly(true);
      else return;
      e.preventDefault();
    }
  }

  D.whenever("judge", (root) => { D.limits = new Limits(root); }, () => { if (D.limits) D.limits.end(); D.limits = null; });
})();
