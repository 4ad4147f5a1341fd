/* What Replay hands on: the dragged span (or the window) cut out as a recording of its own, and the
   recording packed as one file. Sits beside replay.js and only asks it what is opened and chosen. */
(function () {
  "use strict";
  const D = window.dutytrace, { el, put } = D;

  function start(box) {
    const cut = document.getElementById("past-cut"), pack = document.getElementById("past-pack"), made = document.getElementById("past-made");
    let name = null, busy = false;
    const show = () => {
      const r = D.replay;
      if (!r || !r.opened || !r.view) { box.hidden = true; return; }
      box.hidden = false;
      if (name !== r.name) { name = r.name; made.replaceChildren(); }
      pack.hidden = !r.opened.packs;
      pack.href = "/past/" + encodeURIComponent(r.name) + "/packed";
      if (!cut) return;
      cut.disabled = busy;
      put(cut, busy ? "Cutting out…" : r.span ? "Cut out the dragged span" : "Cut out this window");
    };
    const done = (answer) => {
      const link = el("a", "", answer.name);
      link.href = "/replay/" + encodeURIComponent(answer.path);
      link.onclick = (e) => { if (e.ctrlKey || e.metaKey || e.shiftKey || e.button) return; e.preventDefault(); D.replay.open(answer.path); };
      made.replaceChildren(document.createTextNode("Cut out as "), link, document.createTextNode(answer.missing.length ? ". Not all could be read: " + answer.missing.join(" ") : ""));
      D.replay.list();
    };
    const ask = () => {
      const r = D.replay, [from, to] = r.span || r.view;
      busy = true; made.replaceChildren(); show();
      fetch("/cut", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ recording: r.name, start_s: from, end_s: to }) })
        .then((a) => a.json())
        .then((answer) => { if (answer.fault) throw new Error(answer.fault); done(answer); })
        .catch((f) => put(made, f.message))
        .finally(() => { busy = false; show(); });
    };
    if (cut) cut.onclick = ask;
    document.addEventListener("dutytrace-view", show);
    show();
    return () => document.removeEventListener("dutytrace-view", show);
  }

  let end = null;
  D.whenever("past-hand-on", (box) => { end = start(box); }, () => { if (end) end(); end = null; });
})();
