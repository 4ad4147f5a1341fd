/* Alerts that can be heard on the Live page. Silent until somebody switches it on with a click, since
   browsers make no sound before one; kept in this browser. A trip that nobody has acknowledged sounds
   whenever it was raised, and again every ten seconds, softer; a warning sounds once, and not when it
   was there before the page. What is shelved or acknowledged is silent. Made of tones, no file. */
(function () {
  "use strict";
  const D = window.dutytrace, { put } = D;
  const KEPT = "dutytrace-sound", AGAIN_MS = 10000, APART_MS = 3000, TONE_MS = 900, PATIENCE_MS = 500;
  /* [frequency in Hz, from s, for s]: a warning falls softly, a trip insists and rises. */
  const TONES = { warning: [[587, 0, 0.3], [440, 0.28, 0.42]], trip: [[880, 0, 0.16], [880, 0.2, 0.16], [1175, 0.4, 0.34]] };
  const LOUD = 0.3, SOFT = 0.1;

  /* Which alert sounds next; knows no clock and makes no sound. */
  class Due {
    constructor() { this.lines = []; this.heard = null; this.path = null; this.last = this.trip = -Infinity; }
    /* lines: [{n, hear}] of what stands open in a recording, hear "trip", "warning" or "". */
    take(path, lines) {
      if (this.heard === null) this.heard = new Set(lines.filter((l) => l.hear === "warning").map((l) => l.n));
      else if (path !== this.path) this.heard = new Set();
      this.path = path; this.lines = lines;
      /* What is shelved sounds again when it speaks again. */
      for (const l of lines) if (!l.hear) this.heard.delete(l.n);
    }
    /* Nothing that stands now is news any more; a trip still sounds. */
    begin() {
      for (const l of this.lines) if (l.hear === "warning") this.heard.add(l.n);
      this.last = this.trip = -Infinity;
    }
    /* Returns {kind, gain} of what has to sound now, or null. */
    next(now) {
      const fresh = this.lines.filter((l) => l.hear && !this.heard.has(l.n)), trips = this.lines.some((l) => l.hear === "trip");
      const newly = fresh.some((l) => l.hear === "trip");
      let sounds = null;
      if (now - this.last < TONE_MS) return null; /* one tone at a time */
      if (newly) sounds = { kind: "trip", gain: LOUD };
      else if (now - this.last < APART_MS) return null;
      else if (fresh.length) sounds = { kind: "warning", gain: LOUD };
      else if (trips && now - this.trip >= AGAIN_MS) sounds = { kind: "trip", gain: SOFT };
      if (!sounds) return null;
      for (const l of fresh) this.heard.add(l.n);
      this.last = now;
      if (sounds.kind === "trip") this.trip = now;
      return sounds;
    }
  }

  class Sound {
    constructor(button) {
      this.button = button;
      this.says = document.getElementById("live-sound-says");
      this.due = new Due();
      this.count = 0;
      this.Context = window.AudioContext || window.webkitAudioContext;
      this.wanted = !!this.Context && localStorage.getItem(KEPT) === "on";
      button.onclick = () => this.click();
      this.gesture = (e) => { if (this.wanted && !this.running() && !button.contains(e.target)) this.wake(); };
      for (const kind of ["click", "keydown"]) document.addEventListener(kind, this.gesture, true);
      this.clockwork = setInterval(() => this.tick(), 500);
      if (this.wanted) this.open();
      this.show();
    }
    end() {
      for (const kind of ["click", "keydown"]) document.removeEventListener(kind, this.gesture, true);
      clearInterval(this.clockwork); clearTimeout(this.settling);
      this.close();
    }
    running() { return !!this.context && this.context.state === "running"; }
    open() {
      this.context = new this.Context();
      this.opened = performance.now();
      this.context.onstatechange = () => this.show();
      /* A browser that lets a page sound takes a moment to begin. */
      this.settling = setTimeout(() => this.show(), PATIENCE_MS + 50);
    }
    close() { if (this.context) { this.context.onstatechange = null; this.context.close(); this.context = null; } }
    wake() { return this.context.resume().then(() => { this.show(); this.tick(); }, () => this.show()); }
    click() {
      if (this.wanted && this.running()) { this.wanted = false; this.close(); }
      else {
        if (!this.wanted) { this.wanted = true; this.due.heard && this.due.begin(); }
        if (!this.context) this.open();
        const context = this.context;
        context.resume().then(() => { if (this.context === context) { this.play("warning", LOUD); this.due.last = performance.now(); this.show(); } }, () => this.show());
      }
      localStorage.setItem(KEPT, this.wanted ? "on" : "off");
      this.show();
    }
    /* What the live route says stands open. */
    hear(path, lines) { this.due.take(path, lines); this.tick(); }
    tick() {
      if (!this.wanted || !this.running() || this.due.heard === null) return;
      const sounds = this.due.next(performance.now());
      if (sounds) this.play(sounds.kind, sounds.gain);
    }
    play(kind, gain) {
      const c = this.context, now = c.currentTime + 0.02;
      for (const [hz, from, long] of TONES[kind]) {
        const tone = c.createOscillator(), level = c.createGain();
        tone.type = "triangle"; tone.frequency.value = hz;
        /* It swells and fades: a tone that is cut clicks. */
        level.gain.setValueAtTime(0.0001, now + from);
        level.gain.exponentialRampToValueAtTime(gain, now + from + 0.02);
        level.gain.exponentialRampToValueAtTime(0.0001, now + from + long);
        tone.connect(level).connect(c.destination);
        tone.start(now + from); tone.stop(now + from + long);
      }
      this.button.dataset.tone = kind; this.button.dataset.gain = String(gain); this.button.dataset.tones = String(++this.count);
    }
    show() {
      const b = this.button, on = this.wanted && this.running();
      const refused = this.wanted && !on && performance.now() - this.opened >= PATIENCE_MS;
      b.disabled = !this.Context;
      b.className = refused ? "asked" : "plain";
      b.setAttribute("aria-checked", String(on));
      put(b, refused ? "Click to hear alerts" : this.wanted ? "Alert sound: on" : "Alert sound: off");
      put(this.says, !this.Context ? "This browser makes no sound: alerts are only shown." :
        refused ? "The alert sound is switched on, and the browser wants a click on this page before it makes any." : "");
    }
  }

  D.Due = Due;
  D.sound = null;
  D.whenever("live-sound", (button) => { D.sound = new Sound(button); }, () => { if (D.sound) D.sound.end(); D.sound = null; });
})();
