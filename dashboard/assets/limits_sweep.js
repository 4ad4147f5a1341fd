/* The sweep of the Limits page: which keys are varied between which values, how far it has come, and the
   trade-off picture, each point of which can be opened. */
(function () {
  "use strict";
  const D = window.dutytrace, { el } = D;

  class Sweep {
    constructor(desk) { this.desk = desk; this.q = desk.q; this.vary = []; this.trade = this.q("trade"); }
    end() { clearTimeout(this.polling); if (this.desk.plotly) this.desk.plotly.purge(this.trade); }
    keys() {
      const table = this.desk.tables[this.desk.chosen], form = table && this.desk.formOf(this.desk.chosen);
      return form ? form.keys.filter((k) => k.is === "number") : [];
    }
    build() {
      const table = this.desk.tables[this.desk.chosen], keys = this.keys();
      if (!table || !keys.length) { this.q("vary").replaceChildren(el("p", "hint", "Choose a limit to vary its numbers.")); return; }
      if (this.of !== table.name) {
        this.of = table.name;
        const first = keys.find((k) => typeof table[k.key] === "number") || keys[0];
        this.vary = [this.fresh(table, first.key, 20)];
      }
      const F = D.limitForms, lines = this.vary.map((v, i) => {
        const pick = F.select(keys.map((k) => [k.key, k.words]), v.key, (key) => { this.vary[i] = this.fresh(table, key, v.steps); this.build(); }, "key to vary");
        const unit = this.desk.forms.unit((keys.find((k) => k.key === v.key) || {}).unit || "", table);
        const parts = [document.createTextNode(i ? "and " : "Vary "), pick, document.createTextNode(" from "), F.numberBox(v.start, (x) => { v.start = x; }, "from"), document.createTextNode(" to "),
          F.numberBox(v.to, (x) => { v.to = x; }, "to"), document.createTextNode(" " + unit + " in "), F.numberBox(v.steps, (x) => { v.steps = x; }, "steps"), document.createTextNode(" steps")];
        if (i) { const off = el("button", "plain", "leave it"); off.onclick = () => { this.vary.pop(); this.build(); }; parts.push(document.createTextNode(" "), off); }
        return el("div", "sentence", parts);
      });
      const more = el("button", "plain", "vary a second one"), run = el("button", "", "Judge them"), stop = el("button", "", "Stop");
      more.hidden = this.vary.length > 1 || keys.length < 2;
      more.onclick = () => { const other = keys.find((k) => k.key !== this.vary[0].key && typeof table[k.key] === "number") || keys.find((k) => k.key !== this.vary[0].key); this.vary.push(this.fresh(table, other.key, 10)); this.build(); };
      run.id = "judge-run"; run.onclick = () => this.run();
      stop.id = "judge-stop"; stop.hidden = !this.number; stop.onclick = () => this.desk.post("stop", { number: this.number }).catch(() => {});
      this.stop = stop;
      this.q("vary").replaceChildren(...lines, el("div", "does", [run, stop, more]));
    }
    fresh(table, key, steps) {
      const v = typeof table[key] === "number" ? table[key] : 1, tidy = (x) => Number(x.toPrecision(4));
      return { key, start: tidy(v > 0 ? v * 0.8 : v - 1), to: tidy(v > 0 ? v * 1.2 : v + 1), steps };
    }
    say(...sentences) { const box = this.q("sweep-said"); box.hidden = !sentences.join(""); box.replaceChildren(...sentences.map((s) => el("p", "", s))); }
    run() {
      const table = this.desk.tables[this.desk.chosen];
      this.asked = this.desk.question({ vary: this.vary.map((v) => ({ limit: table.name, key: v.key, start: Number(v.start), to: Number(v.to), steps: Math.round(Number(v.steps)) })) });
      this.began();
    }
    began() {
      clearTimeout(this.polling);
      this.desk.post("sweep", this.asked).then((t) => { this.number = t.number; if (this.desk.gone) { this.desk.leave(); return; } if (this.stop) this.stop.hidden = false; this.poll(t.number); }).catch((f) => this.say(f.message));
    }
    /* What was judged, but for the keys that were varied: where it is another now, the picture is of before. */
    basis(asked) {
      const table = asked.tables.find((t) => t.name === asked.vary[0].limit) || {}, keys = asked.vary.flatMap((v) => [v.key, this.desk.back[v.key]]);
      return JSON.stringify([asked.recordings, asked.bad_end, Object.entries(table).filter(([k]) => !keys.includes(k)).sort()]);
    }
    aged() {
      if (!this.result || !this.result.figures) return;
      const old = this.basis(this.asked) !== this.basis({ ...this.desk.question({}), vary: this.asked.vary });
      this.q("sweep-aged").hidden = !old;
    }
    poll(number) {
      this.desk.get("/judge/work/" + number).then((t) => {
        if (this.desk.gone || number !== this.number) return;
        if (t.state === "waiting" || t.state === "running") {
          this.say(t.state === "waiting" ? "Waiting for other work to end." : "Judging, " + Math.round(t.share * 100) + " %" + (t.left_s === undefined ? "" : ", " + D.spanWords(t.left_s) + " left") + ".");
          this.polling = setTimeout(() => this.poll(number), 300); return;
        }
        this.number = 0; if (this.stop) this.stop.hidden = true;
        if (t.state === "failed") { this.say(t.fault); return; }
        this.show(t.result || {});
      }).catch((f) => { if (number !== this.number) return; this.number = 0; if (this.stop) this.stop.hidden = true; this.say(f.message); });
    }
    show(r) {
      this.result = r;
      this.say(...(r.said || []));
      this.q("sweep-aged").hidden = true;
      if (!r.figures) { const plot = this.q("trade"); this.desk.plotly.purge(plot); plot.replaceChildren(); this.q("best").replaceChildren(); return; }
      this.draw(); this.aged();
      const head = el("tr", "", [el("th", ""), ...r.head.slice(1).map((h) => el("th", "", h)), el("th", "")]);
      const byNumber = new Map(r.points.map((p, place) => [String(p.candidate), place]));
      const body = r.rows.map((cells) => {
        const take = el("button", "plain", "take it");
        take.onclick = () => this.open(byNumber.get(cells[1]));
        return el("tr", cells[0] ? "open" : "", [el("td", "", cells[0] ? "the choice" : ""), ...cells.slice(1).map((c, i) => el("td", i === 1 ? "changes" : "n", c)), el("td", "", [take])]);
      });
      this.q("best").replaceChildren(el("table", "best", [el("thead", "", [head]), el("tbody", "", body)]));
    }
    draw() {
      const figure = this.result && this.result.figures && this.result.figures[D.theme()], plot = this.q("trade");
      if (!figure) return;
      this.desk.plotly.react(plot, figure.data, figure.layout, { displayModeBar: false, responsive: true }).then(() => {
        plot.removeAllListeners("plotly_click");
        plot.on("plotly_click", (e) => this.open(e.points[0].customdata));
        plot.dataset.drawn = String(Number(plot.dataset.drawn || 0) + 1);
      });
    }
    /* A candidate's values become those of the page. */
    open(place) {
      const point = this.result.points[place];
      if (!point) return;
      const gone = point.changes.find((change) => !this.desk.tables.some((t) => t.name === change.limit));
      if (gone) { this.say("There is no limit named " + gone.limit + " on this page any more."); return; }
      for (const change of point.changes) {
        const i = this.desk.tables.findIndex((t) => t.name === change.limit);
        if (i >= 0) this.desk.tables[i] = { ...this.desk.tables[i], [change.key]: change.value };
      }
      const of = this.desk.tables.findIndex((t) => t.name === point.changes[0].limit);
      if (of !== this.desk.chosen) { this.desk.choose(of); } else { this.desk.forms.build(); this.desk.ask(); }
      this.q("worth").scrollIntoView({ block: "center", behavior: "smooth" });
    }
  }
  D.LimitSweep = Sweep;
})();
